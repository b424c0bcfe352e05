"""The command: stops cleanly, survives kill −9, shows a panel on a terminal and lines elsewhere."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time

import pytest

from apertrue.session import EventKind, events, open_log
from apertrue.watch.view import Panel

if sys.platform == "win32":
    pytest.skip("signals between processes: not on this system", allow_module_level=True)


def _watch(folder, log, *more):
    command = [sys.executable, "-m", "apertrue", "watch", str(folder), "--log", str(log), "--poll", "0.1", *more]
    env = {**os.environ, "PYTHONUNBUFFERED": "1"}
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env)


def test_sigterm_stops_cleanly_and_a_kill_loses_nothing(tmp_path, pictures, copy_to):
    folder, log = tmp_path / "in", tmp_path / "log.sqlite"
    folder.mkdir()
    for i in range(2):
        copy_to(pictures[i], folder / f"{i}.tif", at=time.time() - 100 + i)
    watch = _watch(folder, log, "--existing", "--json", "--workers", "0")
    first = json.loads(watch.stdout.readline())
    watch.kill()
    watch.communicate()
    with open_log(log) as store:
        assert first["uid"] in {e.uid for e in events(store)}
    copy_to(pictures[2], folder / "2.tif")
    watch = _watch(folder, log, "--workers", "0")
    line = watch.stdout.readline()
    while "2.tif" not in line and line:
        line = watch.stdout.readline()
    watch.send_signal(signal.SIGTERM)
    out, err = watch.communicate(timeout=60)
    assert watch.returncode == 0, err
    assert "Stopped: " in out
    assert "Traceback" not in err
    with open_log(log) as store:
        assert store.value("pragma integrity_check") == "ok"
        files = [e.get("file") for e in events(store, kinds=[EventKind.PICTURE])]
    assert sorted(os.path.basename(f) for f in files) == ["0.tif", "1.tif", "2.tif"]  # noqa: PTH119


def test_the_panel_says_what_matters(watch_here, tmp_path, pictures, copy_to):
    from rich.console import Console

    watcher, _, run, _ = watch_here()
    for i in range(2):
        copy_to(pictures[i], tmp_path / "in" / f"{i}.tif", at=time.time() - 3000 + 1500 * i)
    run(2)
    console = Console(width=90, record=True, file=open(os.devnull, "w", encoding="utf-8"))  # noqa: PTH123, SIM115
    console.print(Panel(watcher, live=False)._render(watcher.clock()))
    console.file.close()
    text = console.export_text()
    for words in (
        "Advice",
        "Working score",
        "Offset",
        "Trend",
        "Last picture",
        "Next check",
        "2 judged",
        "advises only",
    ):
        assert words in text
    assert max(map(len, text.splitlines())) <= 90


def test_a_folder_that_is_not_there_and_a_bad_command(tmp_path):
    for more, status, words in (((), 1, "no such folder"), (("--on-warning", "say 'x"), 2, "quotes")):
        done = _watch(tmp_path / "nowhere", tmp_path / "log.sqlite", *more)
        out, err = done.communicate(timeout=60)
        assert done.returncode == status
        assert words in err
        assert "Traceback" not in out + err
    shutil.rmtree(tmp_path, ignore_errors=True)


def test_a_fault_over_one_picture_is_a_line_and_the_others_are_judged(tmp_path, pictures, copy_to, monkeypatch):
    from typer.testing import CliRunner

    import apertrue.watch.engine as engine
    from apertrue.cli.watch import app

    whole = engine.judge

    def judge(frame, **more):
        if frame.file.endswith("1.tif"):
            raise ZeroDivisionError("made up")
        return whole(frame, **more)

    monkeypatch.setattr(engine, "judge", judge)
    folder = tmp_path / "in"
    folder.mkdir()
    for i in range(3):
        copy_to(pictures[i], folder / f"{i}.tif", at=time.time() - 100 + i)
    more = ["--existing", "--until-idle", "0.5", "--no-notices", "--poll", "0.1", "--log", str(tmp_path / "log.sqlite")]
    done = CliRunner().invoke(app, [str(folder), *more])
    assert done.exit_code == 1
    lines = [line for line in done.output.splitlines() if ".tif" in line]
    assert len(lines) == 3
    for words in ("not read", str(folder / "1.tif"), "ZeroDivisionError: made up", "please report it"):
        assert words in lines[1]
    assert "Stopped: 2 judged, 1 unreadable." in done.output


def test_old_pictures_in_a_folder_get_no_advice_for_now(tmp_path, pictures, copy_to):
    folder = tmp_path / "in"
    folder.mkdir()
    for i in range(3):
        copy_to(pictures[i], folder / f"{i}.tif", at=time.time() - 3 * 86400 + 600 * i)
    done = _watch(folder, tmp_path / "log.sqlite", "--existing", "--until-idle", "1", "--no-notices", "--workers", "0")
    out, err = done.communicate(timeout=120)
    assert done.returncode == 0, err
    lines = [line for line in out.splitlines() if ".tif: " in line]
    assert len(lines) == 3
    assert all(".tif: too old to act on: clipped, offset " in line and "stale" in line for line in lines)
    assert "warning" not in out + err
    assert not [word for word in ("nudge", "auto", "leave") if word in out]
