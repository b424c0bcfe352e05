"""The same runner over a real local Dask cluster of several worker processes."""

import os
import signal
from collections.abc import Iterator
from typing import Any

import pytest
import runner_works as works

from apertrue.runner import RunnerError, run
from apertrue.runner import cluster as runner_cluster
from apertrue.threads import LIMITS

distributed = pytest.importorskip("distributed", reason="needs the extra 'dask'")
pytestmark = [pytest.mark.cluster, pytest.mark.filterwarnings("ignore")]  # the cluster's own warnings are not ours


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as local:
        yield local


def test_same_outcomes_as_local(cluster: Any) -> None:
    tasks = [("ok" if n % 7 else "raise", n) for n in range(60)]
    far = list(run(works.mixed, tasks, ordered=True, scheduler=cluster.scheduler_address))
    near = list(run(works.mixed, tasks, ordered=True, workers=0))
    assert [(o.index, o.task, o.value, o.failure) for o in far] == [(o.index, o.task, o.value, o.failure) for o in near]


def test_a_worker_killed_on_the_way_and_a_stuck_task(cluster: Any) -> None:
    tasks = [("slow", n) for n in range(60)]
    tasks[25] = ("hang", 25)
    outcomes = []
    for outcome in run(works.mixed, tasks, time_limit_s=2.0, scheduler=cluster.scheduler_address):
        outcomes.append(outcome)
        if len(outcomes) == 5:
            with distributed.Client(cluster.scheduler_address, set_as_default=False) as client:
                pid = next(iter(client.run(os.getpid).values()))
            os.kill(pid, getattr(signal, "SIGKILL", signal.SIGTERM))
    assert sorted(o.index for o in outcomes) == list(range(60))
    assert {o.index: o.failure.kind for o in outcomes if o.failure} == {25: "timeout"}


def test_a_worker_stopped_over_one_task_is_not_held_against_others() -> None:
    """Here a single death is enough for Dask to give up all that the worker held."""
    import dask

    tasks = [("hang" if n in (2, 3, 9) else "ok", n) for n in range(16)]
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 0}),
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
        ) as local,
    ):
        outcomes = list(run(works.mixed, tasks, time_limit_s=1.0, ordered=True, scheduler=local.scheduler_address))
    assert [o.index for o in outcomes] == list(range(16))
    assert {o.index: o.failure.kind for o in outcomes if o.failure} == {2: "timeout", 3: "timeout", 9: "timeout"}


def test_one_thread_whatever_the_cluster_says_and_values_that_cannot_travel() -> None:
    import dask

    two = dict.fromkeys(LIMITS, 2)
    with (
        dask.config.set({"distributed.nanny.pre-spawn-environ": two}),
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
        ) as local,
    ):
        (outcome,) = run(works.blas_threads, [0], scheduler=local.scheduler_address)
        good, bad = run(works.unpicklable, [0, 1], scheduler=local.scheduler_address, ordered=True)
    assert outcome.value == 1
    assert (good.value, good.failure, bad.value) == (0, None, None)
    assert bad.failure is not None
    assert "pickle" in bad.failure.message


def test_work_that_the_workers_cannot_load_is_one_clear_error(cluster: Any) -> None:
    with pytest.raises(RunnerError, match=r"can't do the work .*module is gone"):
        list(run(works.Unloadable(), range(30), scheduler=cluster.scheduler_address))


def test_a_cluster_that_lost_its_last_worker_is_one_clear_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(runner_cluster, "LOOK_S", 0.2)
    monkeypatch.setattr(runner_cluster, "ALONE_S", 1.0)
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as local:
        outcomes = run(works.mixed, [("slow", n) for n in range(40)], scheduler=local.scheduler_address)
        first = next(outcomes)
        local.scale(0)
        with pytest.raises(RunnerError, match=r"lost all its workers.*dask worker"):
            list(outcomes)
    assert first.failure is None


def test_an_unreachable_scheduler_is_one_clear_error() -> None:
    with pytest.raises(RunnerError, match=r"tcp://127\.0\.0\.1:1 can't be reached"):
        list(run(works.double, [1], scheduler="tcp://127.0.0.1:1"))
