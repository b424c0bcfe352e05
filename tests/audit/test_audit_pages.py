"""Stacks that are read page by page, since a worker had to be stopped: kills, the rule of 16 pages, frozen frames."""

import os
import random
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from audit_samples import START, EndingWork, HangingWork, LostWork, discs, stamp

from apertrue.audit import MIGRATIONS, Audit, AuditSettings, Limits, run_audit
from apertrue.audit.work import FileRead, FileTask
from apertrue.store import Store, open_store
from damaged_tiff import spoil

IN_A_ROW = 16


def write_stack(path: Path, levels: Sequence[int], *, bad: Sequence[int] = ()) -> None:
    """A stack of small even pages; those in ``bad`` do not decode."""
    path.parent.mkdir(exist_ok=True)
    with tifffile.TiffWriter(path) as out:
        for level in levels:
            page = np.full((16, 16), level, np.uint16)
            out.write(page, compression="zlib" if bad else None, photometric="minisblack", metadata=None)
    spoil(path, *bad)
    stamp(path, START)


def run(store: Store, folder: Path, work: Any, workers: int = 0, **options: Any) -> list[dict[str, Any]]:
    settings = AuditSettings(timezone="UTC")
    number = run_audit([str(folder)], store, settings=settings, limits=Limits(workers=workers), work=work, **options)
    assert Audit(store, number).unfinished == 0
    return list(Audit(store, number).rows())


def audited(folder: Path, file: Path, work: Any, workers: int = 0, **options: Any) -> list[dict[str, Any]]:
    with open_store(file, migrations=MIGRATIONS, durable=False) as store:
        return run(store, folder, work, workers, **options)


def outcome(rows: list[dict[str, Any]]) -> list[str]:
    """Page by page: ``.`` read, ``x`` stopped, ``d`` damaged, ``-`` not tried."""
    assert [row["page"] for row in rows] == list(range(len(rows)))
    words = {"it was not tried": "-", "died over it": "x", "damaged": "d"}
    return [next((mark for word, mark in words.items() if word in (row["error"] or "")), ".") for row in rows]


def expected(pages: str) -> str:
    """What must come of it: a page is tried unless each of the 16 before it was stopped."""
    out = ""
    for page, is_ in enumerate(pages):
        out += "-" if page >= IN_A_ROW and set(out[-IN_A_ROW:]) <= {"x", "-"} else is_
    return out


def patterns() -> list[str]:
    chance = random.Random(5)
    made = [
        "." * 3 + "x" * 16 + "." * 8,  # given up
        "." * 3 + "x" * 15 + "." * 20,  # not given up
        "x" * 40,
        # Damaged pages take no time: they give nothing up.
        "d" * 18 + "..." + "x" + "." * 6,
        "." * 10 + "x" * 10 + "d" + "x" * 10 + "..",
        "." * 16 + "x" * 16 + "." * 16,
    ]
    for _ in range(6):  # runs of all lengths
        pieces = [chance.choice(".xxd") * chance.randrange(1, 20) for _ in range(8)]
        made.append("".join(pieces)[:70])
    return made


class Interrupted(LostWork):
    """Stops the audit after some tasks."""

    def __init__(self, tasks: int, ending: tuple[int, ...]) -> None:
        super().__init__({}, ending={"s.tif": ending})
        self.left = tasks

    def __call__(self, task: FileTask) -> FileRead:
        self.left -= 1
        if self.left < 0:
            raise KeyboardInterrupt
        return super().__call__(task)


@pytest.mark.parametrize("pages", patterns())
def test_what_is_tried_hangs_on_the_pages_alone(tmp_path: Path, pages: str) -> None:
    """Neither on where slices end (a slow machine) nor on stops in between."""
    levels, ending = range(1, len(pages) + 1), tuple(k for k, is_ in enumerate(pages) if is_ == "x")
    write_stack(tmp_path / "in" / "s.tif", levels, bad=[k for k, is_ in enumerate(pages) if is_ == "d"])
    whole = audited(tmp_path / "in", tmp_path / "whole.sqlite", LostWork({}, ending={"s.tif": ending}))
    assert "".join(outcome(whole)) == expected(pages)
    good = [row for row in whole if row["error"] is None]
    assert [row["offset_percent"] for row in good] == [row["page"] + 1.0 for row in good]
    single = LostWork({}, ending={"s.tif": ending}, slice_s=-1.0)
    assert audited(tmp_path / "in", tmp_path / "single.sqlite", single) == whole
    for tasks in (2, 5, 13):
        with suppress(KeyboardInterrupt):  # the last ones may come to the end
            audited(tmp_path / "in", tmp_path / "stopped.sqlite", Interrupted(tasks, ending))
    assert audited(tmp_path / "in", tmp_path / "stopped.sqlite", LostWork({}, ending={"s.tif": ending})) == whole


def test_sixteen_pages_over_which_a_reader_dies_are_tried_and_no_more(tmp_path: Path) -> None:
    """The same with worker processes that end for good."""
    marks = tmp_path / "marks"
    marks.mkdir()
    write_stack(tmp_path / "in" / "s.tif", range(1, 31))
    work = HangingWork({}, ending={"s.tif": tuple(range(4, 20))}, marks=marks)
    rows = audited(tmp_path / "in", tmp_path / "a.sqlite", work, workers=2)
    assert "".join(outcome(rows)) == "." * 4 + "x" * 16 + "-" * 10
    assert "each of the 16 pages before it" in rows[-1]["error"]
    assert sorted(int(mark.name.split()[-1]) for mark in marks.iterdir()) == list(range(20))
    # Asked to, all is tried again, and what is whole by now is read.
    again = audited(tmp_path / "in", tmp_path / "a.sqlite", HangingWork({}), retry=True)
    assert "".join(outcome(again)) == "." * 30


def tries(marks: Path) -> dict[int, int]:
    return {int(mark.name.split()[-1]): mark.stat().st_size for mark in marks.iterdir()}


def test_frozen_frames_are_judged_anew_and_the_stopped_pages_left_alone(tmp_path: Path) -> None:
    marks = tmp_path / "marks"
    marks.mkdir()
    levels = [1, 2, 3, 3, 5, 6, 2, 8, 9, 9]  # pages 3, 6 and 9 show the same frame as one before
    write_stack(tmp_path / "in" / "s.tif", levels)
    work = LostWork({}, ending={"s.tif": (4,)}, marks=marks)
    rows = audited(tmp_path / "in", tmp_path / "a.sqlite", work)
    assert "".join(outcome(rows)) == "....x....."
    assert [row["page"] for row in rows if row["flags"] == ["frozen"]] == [3, 6, 9]
    # Each page once in the slice that was lost, and once alone; once more what turned out to be frozen.
    twice = dict.fromkeys(range(10), 2)
    assert tries(marks) == {**twice, 3: 3, 6: 3, 9: 3}
    assert audited(tmp_path / "in", tmp_path / "a.sqlite", work) == rows
    assert tries(marks) == {**twice, 3: 3, 6: 3, 9: 3}


def test_a_frozen_frame_behind_a_page_that_ends_the_reader_is_not_left_alone(tmp_path: Path) -> None:
    """With the engine, in worker processes."""
    folder = tmp_path / "in"
    folder.mkdir()
    seen = [discs(4.0 * k, 30.0, seed=k) for k in range(3)]
    pages = np.stack([seen[0], seen[1], seen[2], seen[0]])
    tifffile.imwrite(folder / "s.tif", pages, photometric="minisblack", metadata=None)
    stamp(folder / "s.tif", START)
    rows = audited(folder, tmp_path / "a.sqlite", EndingWork(1), workers=1)
    assert "".join(outcome(rows)) == ".x.."
    assert [row["page"] for row in rows if "frozen" in (row["flags"] or ())] == [3]
    assert rows[0]["verdict"] == "leave"
    assert rows[3]["verdict"] != "leave"
    assert "picture-frozen" in rows[3]["reasons"]
    assert rows[3]["offset_percent"] == rows[0]["offset_percent"]
    assert rows[2]["offset_percent"] == pytest.approx(8.0, abs=0.6)


def test_checking_the_content_forgets_no_stopped_page(tmp_path: Path) -> None:
    write_stack(tmp_path / "in" / "s.tif", [1, 2, 3, 4])
    write_stack(tmp_path / "in" / "t.tif", [7])
    store, work = tmp_path / "a.sqlite", HangingWork({}, ending={"s.tif": (2,), "t.tif": (0,)})
    first = audited(tmp_path / "in", store, work, workers=2, verify=True)
    assert [row["error"] is None for row in first] == [True, True, False, True, False]
    assert audited(tmp_path / "in", store, LostWork({}), verify=True) == first  # the content is the same
    again = audited(tmp_path / "in", store, LostWork({}), retry=True)
    assert [row["offset_percent"] for row in again] == [1.0, 2.0, 3.0, 4.0, 7.0]


_CHILD = """
import sys
sys.path.insert(0, sys.argv[1])
from apertrue.audit import MIGRATIONS, AuditSettings, Limits, run_audit
from apertrue.store import open_store
from audit_samples import HangingWork

if __name__ == "__main__":
    # Each page is stored by itself, so that kills fall between any two of them.
    engine = sys.modules["apertrue.audit.run"]
    engine.BATCH = 1
    work = HangingWork({}, ending={"s.tif": tuple(map(int, sys.argv[4].split(",")))})
    with open_store(sys.argv[3], migrations=MIGRATIONS) as store:
        print("begun", flush=True)
        run_audit([sys.argv[2]], store, settings=AuditSettings(timezone="UTC"), limits=Limits(workers=2), work=work,
                  on_progress=lambda p: print(p.phase, flush=True))
    print("finished", flush=True)
"""


@pytest.mark.skipif(os.name != "posix", reason="kill -9 as on POSIX")
def test_kills_in_the_middle_of_the_pages_change_no_byte(tmp_path: Path) -> None:
    levels = [*range(1, 61)]
    levels[7], levels[30] = levels[6], levels[2]  # frozen frames on both sides of pages that end their reader
    ending = (9, 10, *range(36, 52))
    write_stack(tmp_path / "in" / "s.tif", levels)
    write_stack(tmp_path / "in" / "t.tif", [5])
    with open_store(tmp_path / "whole.sqlite", migrations=MIGRATIONS, durable=False) as store:
        run(store, tmp_path / "in", LostWork({}, ending={"s.tif": ending}))
        whole = exported(store, tmp_path / "whole.csv")
        assert whole.count(b"\n") == 62
    file, chance = tmp_path / "killed.sqlite", random.Random(3)
    between: set[int] = set()
    for _ in range(60):
        child = subprocess.Popen(
            [
                sys.executable,
                "-c",
                _CHILD,
                str(Path(__file__).parent),
                str(tmp_path / "in"),
                str(file),
                ",".join(map(str, ending)),
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            start_new_session=True,
        )
        assert child.stdout is not None
        for _ in range(10 + chance.randrange(24)):  # each line but a few follows something stored
            child.stdout.readline()
        time.sleep(chance.uniform(0.0, 0.05))
        child.kill()
        child.communicate()
        with open_store(file, migrations=MIGRATIONS) as store:
            assert store.value("pragma integrity_check") == "ok"
            state = store.row("select state, pages from audit_files where key = ?", (b"s.tif",))
            rows = store.value("select count(*) from audit_pictures where key = ?", (b"s.tif",))
        if state is not None and state["state"] == 0 and (state["pages"] or 0) > rows > 0:
            between.add(rows)
        if state is not None and state["state"] == 1:
            break
    assert len(between) >= 3, "too few kills fell between two pages"
    with open_store(file, migrations=MIGRATIONS) as store:
        rows = run(store, tmp_path / "in", LostWork({}, ending={"s.tif": ending}))
        killed = exported(store, tmp_path / "killed.csv")
    assert "".join(outcome([row for row in rows if row["file"] == "s.tif"])) == expected(
        "".join("x" if k in ending else "." for k in range(60))
    )
    assert killed == whole


def exported(store: Store, out: Path) -> bytes:
    (number,) = [row["id"] for row in store.rows("select id from audit_runs")]
    return Audit(store, number).write_csv(out).read_bytes()
