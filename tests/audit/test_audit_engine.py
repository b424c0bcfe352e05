"""Rows are redone when the engine that made them changes, and machines with another engine take no part."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from audit_samples import discs

import apertrue
from apertrue.audit import MIGRATIONS, Audit, AuditSettings, Limits, changed_since, run_audit
from apertrue.audit.revision import SOURCES, engine_revision, revision_of
from apertrue.audit.work import FileRead, FileTask, FileWork
from apertrue.runner import RunnerError
from apertrue.store import open_store

HOUSE = Path(apertrue.__file__).parent

#: What a picture passes without its numbers depending on it.
NOT_NUMBERS = {"__init__.py", "_version.py", "errors.py", "fixed_map.py", "whole_file.py"}


def test_every_source_that_a_picture_passes_counts(tmp_path: Path) -> None:
    code = "import sys, apertrue.judging, apertrue.calibration; print(*[m.__file__ for m in list(sys.modules.values())"
    code += " if m.__name__.split('.')[0] == 'apertrue'], sep='\\n')"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    passed = {Path(line).relative_to(HOUSE).parts[0] for line in out.split("\n") if line}
    assert "judging.py" in passed
    assert passed - NOT_NUMBERS - set(SOURCES) == set()


def test_any_change_of_a_source_and_nothing_else_changes_it(tmp_path: Path) -> None:
    base = tmp_path / "base"
    shutil.copytree(HOUSE, base, ignore=shutil.ignore_patterns("napari", "__pycache__"))
    expected = revision_of(base)
    assert len(expected) == len(engine_revision()) == 16

    def copy(name: str) -> Path:
        return Path(shutil.copytree(base, tmp_path / name))

    ends = copy("ends")
    (ends / "frame.py").write_bytes((ends / "frame.py").read_bytes().replace(b"\n", b"\r\n"))
    assert revision_of(ends) == expected
    outside = copy("outside")
    (outside / "report" / "sketch.py").write_text("", encoding="utf-8")
    assert revision_of(outside) == expected
    for changed in ("locate/engine.py", "assess/derive.py", "readers/formats/tiff.py", "pipeline.py"):
        other = copy("_".join(changed.split("/")))
        with (other / changed).open("a", encoding="utf-8") as f:
            f.write("\n# another\n")
        assert revision_of(other) != expected, changed
    gone = copy("gone")
    (gone / "locate" / "noise.py").rename(gone / "locate" / "noises.py")
    assert revision_of(gone) != expected


class Counting:
    """The work, counting the files that it reads."""

    def __init__(self) -> None:
        self.work, self.read = FileWork(AuditSettings(timezone="UTC")), 0

    def __call__(self, task: FileTask) -> FileRead:
        self.read += 1
        return self.work(task)


def test_rows_of_another_engine_are_not_taken_for_this_ones(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import tifffile

    folder = tmp_path / "in"
    folder.mkdir()
    tifffile.imwrite(folder / "a.tif", discs(5, 0, side=48))
    counts = []
    with open_store(tmp_path / "a.sqlite", migrations=MIGRATIONS) as store:
        for revision in ("one", "one", "two"):
            monkeypatch.setattr("apertrue.audit.settings.engine_revision", lambda revision=revision: revision)
            work = Counting()
            settings = AuditSettings(timezone="UTC")
            anew = changed_since(store, [str(folder)], settings)
            assert anew == (("engine",) if revision == "two" else ())
            number = run_audit([str(folder)], store, settings=settings, limits=Limits(workers=0), work=work)
            counts.append(work.read)
            assert Audit(store, number).settings["engine"] == revision
    assert counts == [1, 0, 1]


def test_a_worker_with_another_engine_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.tif").write_bytes(b"x")
    settings = AuditSettings(timezone="UTC")
    work = FileWork(settings, elsewhere=True)
    monkeypatch.setattr("apertrue.audit.work.engine_revision", lambda: "an older one")
    with open_store(tmp_path / "a.sqlite", migrations=MIGRATIONS) as store:
        with pytest.raises(RunnerError, match="an older one"):
            run_audit([str(tmp_path)], store, settings=settings, limits=Limits(workers=0), work=work)
        assert store.value("select count(*) from audit_pictures") == 0
