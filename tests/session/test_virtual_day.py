"""One virtual day through the installed commands: drift, recall, nudge, a hanging routine, kill −9 in the middle.

At its end command line, page and store show identical numbers.
"""

import csv
import io
import json
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import tifffile

from apertrue.calibration import Calibration, StateKey, save_calibrations
from apertrue.instrument import Instrument, dumps_instrument
from apertrue.microscope import VirtualMicroscope
from apertrue.registry import FIELDS
from apertrue.registry.format import format_value
from apertrue.session import EventKind, events, open_log


class Day:
    """A virtual microscope whose day ends now, and the commands an operator types."""

    def __init__(self, folder):
        self.scope = VirtualMicroscope(seed=5, size=160)
        self.folder = folder
        self.start = datetime.now(UTC) - timedelta(hours=3, minutes=40)
        self.zero = self.scope.now
        (folder / "in").mkdir()
        instrument = folder / "lab.toml"
        text = dumps_instrument(Instrument(name="virtual room", timezone="Europe/Berlin"))
        instrument.write_text(text, encoding="utf-8")
        cov = tuple(tuple(float(v) for v in r) for r in np.eye(4) * 1e-3)
        matrix = tuple(tuple(float(v) for v in r) for r in self.scope.true_matrix())
        made = Calibration(matrix, cov, StateKey.of(self.scope.state()), made_at=self.start)
        save_calibrations(folder / "lab.calibrations.json", [made])
        self.log = folder / "day.sqlite"
        self.env = {**os.environ, "APERTRUE_LOG": str(self.log), "APERTRUE_INSTRUMENT": str(instrument)}
        self.env.pop("FORCE_COLOR", None)
        self.n = 0

    def now(self):
        return self.start + (self.scope.now - self.zero)

    def wait(self, minutes):
        self.scope.wait(minutes)

    def picture(self, name=None):
        frame = self.scope.snapshot()
        state = {k: v for k, v in frame.state.values().items() if v is not None}
        about = {**state, "taken_at": self.now().isoformat(), "linear": True, "saturation": 65535}
        file = self.folder / (name or f"{self.n:02d}.tif")
        tifffile.imwrite(file, frame.pixels, description=json.dumps(about), metadata=None)
        self.n += 1
        return file

    def run(self, *arguments, status=0):
        done = subprocess.run(
            [sys.executable, "-m", "apertrue", *map(str, arguments)],
            capture_output=True,
            text=True,
            encoding="utf-8",
            env={**self.env, "PYTHONIOENCODING": "utf-8"},
            cwd=self.folder,
            timeout=120,
            check=False,
        )
        assert done.returncode == status, done.stderr
        assert "Traceback" not in done.stderr
        return done.stdout

    def add(self, *files):
        out = self.run("session", "add", *files, "--as-taken", "--json", "--who", "Robin Example")
        return [json.loads(line) for line in out.splitlines()]


@pytest.fixture
def day(tmp_path):
    return Day(tmp_path)


def test_one_virtual_day(day):
    scope = day.scope
    scope.store("morning")
    scope.misalign(3.0, 40.0)
    day.run("session", "add", "state", f"kv={scope.state().kv}", "--changed", "emission", "--at", day.now().isoformat())

    # Drift: a picture every 25 minutes.
    files = []
    for _ in range(5):
        day.wait(25)
        files.append(day.picture())
    *rows, here = day.add(*files)
    assert [r["added"] for r in rows] == [True] * 5
    assert here["kind"] == "standing"

    # A recalled setting, the advised nudge, and the picture after it.
    scope.recall("morning")
    scope.misalign(12.0, 200.0)
    day.run("session", "add", "recall", "setting=morning", "--at", day.now().isoformat())
    day.wait(3)
    files.append(day.picture())
    advised = day.add(files[-1])[0]
    assert advised["verdict"] == "nudge"
    assert advised["nudge_x"] is not None
    scope.move(advised["nudge_x"], advised["nudge_y"])
    moves = [f"{n}={advised[n]}" for n in ("nudge_x", "nudge_y")]
    day.run("session", "add", "nudge", *moves, "--at", day.now().isoformat())
    day.wait(2)
    files.append(day.picture())
    after = day.add(files[-1])[0]
    assert after["offset_percent"] < 0.35 * advised["offset_percent"]

    # The routine hangs; meanwhile the log's writer is killed while it judges pictures.
    day.run("session", "add", "routine-start", "--at", day.now().isoformat())
    burst = []
    for _ in range(6):
        day.wait(4)
        burst.append(day.picture())
    killed = subprocess.Popen(
        [sys.executable, "-m", "apertrue", "session", "add", *map(str, burst), "--as-taken", "--json"],
        stdout=subprocess.PIPE,
        env=day.env,
        cwd=day.folder,
        text=True,
    )
    promised = [json.loads(killed.stdout.readline())["uid"] for _ in range(2)]
    killed.kill()
    killed.communicate()
    day.run("session", "add", "routine-end", "--outcome", "hung", "--at", day.now().isoformat())
    again = day.add(*burst)  # all of them: what was committed before the kill is not added twice
    assert [r["uid"] for r in again[:2]] == promised
    assert [r["added"] for r in again[:2]] == [False, False]
    files += burst

    # The rest of the day is watched.
    day.wait(20)
    for name in ("in/w0.tif", "in/w1.tif"):
        day.wait(15)
        files.append(day.picture(name))
    day.run("watch", "in", "--existing", "--until-idle", "0.3", "--no-notices", "--poll", "0.1")
    day.run("session", "note", "spare filament ordered", "--who", "Robin Example")

    # The store.
    with open_log(day.log, read_only=True) as store:
        logged = events(store)
        assert store.value("pragma integrity_check") == "ok"
    pictures = [e for e in logged if e.kind is EventKind.PICTURE]
    assert len(pictures) == len(files)
    assert len({e.uid for e in logged}) == len(logged)
    assert set(promised) <= {e.uid for e in logged}
    kinds = [str(e.kind) for e in logged if e.kind is not EventKind.PICTURE]
    assert kinds == ["state", "recall", "nudge", "routine-start", "routine-end", "note"]

    # The command line shows what the store holds, and assess measures the same.
    shown = [json.loads(line) for line in day.run("session", "show", "--all", "--json").splitlines()]
    standing = shown.pop()
    by_uid = {r["uid"]: r for r in shown}
    for event in logged:
        row = by_uid[event.uid]
        assert all(row[k] == v for k, v in event.values.items() if k not in ("flags", "reasons"))
    order = [str(f) for f in files]
    assessed = [json.loads(line) for line in day.run("assess", *order, "--json", "--as-taken").splitlines()]
    measured = [f.name for f in FIELDS if f.measured and f.group in ("edges", "centering", "light")]
    for row in assessed:
        (event,) = [e for e in pictures if Path(e.get("file")).name == Path(row["file"]).name]
        for name in measured:
            assert row[name] == event.get(name), (row["file"], name)
            assert row[f"{name}_sigma"] == event.get(f"{name}_sigma")

    # CSV, page and report carry the same numbers; names stay at home.
    day.run("session", "export", "day.csv")
    table = list(csv.DictReader(io.StringIO((day.folder / "day.csv").read_text(encoding="utf-8"))))
    exact = {r["uid"]: r for r in table}
    for event in pictures:
        if event.get("offset_percent") is not None:
            assert float(exact[event.uid]["offset_percent"]) == event.get("offset_percent")
    page = json.loads(day.run("session", "handover", "--json"))
    said = " ".join(page["stands"])
    last = [e for e in pictures if e.get("offset_percent") is not None][-1]
    offset = format_value("offset_percent", last.get("offset_percent"), last.get("offset_percent_sigma"))
    score = format_value("working_score", last.get("working_score"), last.get("working_score_sigma"))
    assert offset in said
    assert score in said
    day.run("assess", order[-1], "--as-taken", "--report", "one.html")
    report = (day.folder / "one.html").read_text(encoding="utf-8")
    assert offset.removesuffix(" %") in report.replace("\u2009", " ").replace("&nbsp;", " ")
    assert "Robin" not in json.dumps(page)
    assert "hung" in said
    # Seconds later the drift's sentence is the same but for a minute here or there.
    assert standing["basis"] == "pictures"
    assert standing["sentences"][0].split(" (")[0].split(" around ")[0] in said
