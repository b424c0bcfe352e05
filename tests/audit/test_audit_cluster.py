"""The same audit over a Dask cluster: the same bytes, also when a worker is killed on the way."""

import os
import signal
from pathlib import Path
from typing import Any

import pytest
from audit_samples import QuickWork, SlowWork

from apertrue.audit import MIGRATIONS, Audit, AuditSettings, Limits, Progress, run_audit
from apertrue.store import open_store

distributed = pytest.importorskip("distributed", reason="needs the extra 'dask'")
pytestmark = [pytest.mark.cluster, pytest.mark.filterwarnings("ignore")]  # the cluster's own warnings are not ours


def exported(folder: Path, store: Path, limits: Limits, work: QuickWork, on_progress: Any = None) -> bytes:
    with open_store(store, migrations=MIGRATIONS) as s:
        number = run_audit(
            [str(folder)],
            s,
            settings=AuditSettings(timezone="UTC"),
            limits=limits,
            work=work,
            on_progress=on_progress,
        )
        return Audit(s, number).write_csv(store.with_suffix(".csv")).read_bytes()


def test_same_bytes_as_local(tmp_path: Path) -> None:
    folder = tmp_path / "many"
    folder.mkdir()
    for i in range(300):
        (folder / f"{i}.tif").write_bytes(b"%d" % i)
    near = exported(folder, tmp_path / "near.sqlite", Limits(workers=0), QuickWork())
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as cluster:
        killed: list[int] = []

        def kill_one(progress: Progress) -> None:
            if progress.phase == "judge" and progress.done and not killed:
                with distributed.Client(cluster.scheduler_address, set_as_default=False) as client:
                    killed.append(next(iter(client.run(os.getpid).values())))
                os.kill(killed[0], getattr(signal, "SIGKILL", signal.SIGTERM))

        limits = Limits(scheduler=cluster.scheduler_address)
        far = exported(folder, tmp_path / "far.sqlite", limits, SlowWork(), kill_one)
    assert killed
    assert far == near
