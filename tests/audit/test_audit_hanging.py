"""A picture that hangs is a row with its reason; the pages of a stack before and behind it are judged all the same."""

from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from audit_samples import START, HangingWork, stamp

from apertrue.audit import MIGRATIONS, Audit, AuditSettings, Limits, run_audit
from apertrue.store import open_store

#: Each page that hangs takes this long, by the clock; it is no more CPU than waking up.
LIMIT_S = 2.0


def write_stack(path: Path, pages: int) -> None:
    levels = np.arange(1, pages + 1, dtype=np.uint16)[:, None, None] * np.ones((16, 16), np.uint16)
    tifffile.imwrite(path, levels, photometric="minisblack", metadata=None)
    stamp(path, START)


def audited(folder: Path, store: Path, work: HangingWork, workers: int = 2, **options: Any) -> list[dict[str, Any]]:
    with open_store(store, migrations=MIGRATIONS) as s:
        number = run_audit(
            [str(folder)],
            s,
            settings=AuditSettings(timezone="UTC"),
            limits=Limits(workers=workers, time_limit_s=LIMIT_S),
            work=work,
            **options,
        )
        assert Audit(s, number).unfinished == 0
        return list(Audit(s, number).rows())


def outcome(rows: list[dict[str, Any]], file: str) -> list[float | str | None]:
    """Page by page: its level, or ``stopped``."""
    mine = [row for row in rows if row["file"] == file]
    assert [row["page"] for row in mine] in (list(range(len(mine))), [None])
    return ["stopped" if "it was stopped" in (row["error"] or "") else row["offset_percent"] for row in mine]


def test_only_the_page_that_hangs_is_lost(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    write_stack(folder / "a stack.tif", 6)
    write_stack(folder / "first.tif", 3)
    write_stack(folder / "single.tif", 1)
    write_stack(folder / "whole.tif", 2)
    hanging = {"a stack.tif": (1, 4), "first.tif": (0,), "single.tif": (0,)}
    store = tmp_path / "a.sqlite"
    rows = audited(folder, store, HangingWork(hanging))
    assert not [r["error"] for r in rows if r["error"] and "stopped" not in r["error"]]
    assert outcome(rows, "a stack.tif") == [1.0, "stopped", 3.0, 4.0, "stopped", 6.0]
    assert outcome(rows, "first.tif") == ["stopped", 2.0, 3.0]
    assert outcome(rows, "single.tif") == ["stopped"]
    assert outcome(rows, "whole.tif") == [1.0, 2.0]
    # What is known is not read again; asked for it, what was stopped is, and nothing of the old rows stays.
    assert audited(folder, store, HangingWork({"whole.tif": (0, 1)})) == rows
    again = audited(folder, store, HangingWork({"whole.tif": (0, 1)}), retry=True)
    assert outcome(again, "a stack.tif") == [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    assert outcome(again, "single.tif") == [1.0]
    assert len(again) == 12
