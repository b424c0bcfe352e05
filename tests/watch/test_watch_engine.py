"""The watch: judged, logged, never twice, frozen noticed, warned once, resumed."""

import io
import json
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import tifffile
from rich.console import Console
from rich.live import Live

from apertrue.assessment import Assessment
from apertrue.instrument import Instrument
from apertrue.readers import read_frames
from apertrue.session import EventKind, add_event, add_picture, events, open_log
from apertrue.session.clock import zone_of
from apertrue.watch import Alarm, CommandError, Reminder, split_command
from apertrue.watch.engine import BURST
from apertrue.watch.live import live
from apertrue.watch.measuring import AFRESH_EVERY, Measure
from apertrue.watch.view import counted, plain_line, rows
from apertrue.watch.warning import environment
from damaged_tiff import spoil


def test_pictures_are_judged_logged_and_shown(watch_here, tmp_path, pictures, copy_to):
    watcher, updates, run, _ = watch_here()
    start = time.time() - 1500
    for i in range(3):
        copy_to(pictures[i], tmp_path / "in" / f"{i}.tif", at=start + 600 * i)
    run(3)
    assert [u.file.name for u in updates] == ["0.tif", "1.tif", "2.tif"]
    logged = events(watcher.store)
    assert [e.get("verdict") for e in logged] == [u.result.assessment.verdict for u in updates]
    assert logged[0].at.timestamp() == pytest.approx(start, abs=1e-3)
    assert all(e.origin == "watch" for e in logged)
    now = watcher.clock()
    shown = dict(rows(watcher, now))
    assert shown["Advice"] == logged[-1].get("verdict")
    assert shown["Last picture"].endswith("5 min ago")
    assert "Trend" in shown
    assert "Next check" in shown
    assert counted(watcher) == "3 judged"
    line = plain_line(updates[-1], watcher, now)
    assert "2.tif" in line
    assert "check again" in line
    # A picture more, and no time yet to look ahead anew: the forecast of before is not this picture's.
    watcher.state = replace(watcher.state, follower=watcher.state.follower.after(updates[-1].event))
    assert "check again" not in plain_line(updates[-1], watcher, now)


def test_the_same_picture_is_never_judged_twice(watch_here, tmp_path, pictures, copy_to):
    watcher, updates, run, _ = watch_here()
    at = time.time() - 100
    copy_to(pictures[0], tmp_path / "in" / "a.tif", at=at)
    run(1)
    copy_to(pictures[0], tmp_path / "in" / "renamed.tif", at=at)
    run(2)
    assert not updates[1].added
    assert watcher.counts.known == 1
    assert len(events(watcher.store)) == 1


def test_a_frozen_camera_is_noticed_and_not_logged_again_and_again(watch_here, tmp_path, pictures, copy_to):
    watcher, updates, run, rung = watch_here()
    at = time.time() - 100
    copy_to(pictures[1], tmp_path / "in" / "0.tif", at=at)
    run(1)
    for i in range(1, 5):
        copy_to(pictures[1], tmp_path / "in" / f"{i}.tif", at=at + i)
        run(99, seconds=0.6)
    logged = events(watcher.store)
    assert [("frozen" in e.flags) for e in logged] == [False, True]
    assert logged[1].get("verdict") != "leave"
    assert watcher.counts.frozen == 4
    assert [w.kind for w in watcher.warnings][:1] == ["frozen"]
    assert len(rung) >= 1
    copy_to(pictures[2], tmp_path / "in" / "9.tif", at=at + 10)
    run(len(updates) + 1)
    watcher._warn()
    assert "frozen" not in {w.kind for w in watcher.warnings}


def test_bad_files_are_told_once_and_the_others_go_on(watch_here, tmp_path, pictures, copy_to):
    watcher, updates, run, _ = watch_here()
    old = time.time() - 1000  # its writer has long finished: no patience is left
    bad = tmp_path / "bad.tif"
    bad.write_bytes(pictures[0].read_bytes()[:5000])
    copy_to(bad, tmp_path / "in" / "bad.tif", at=old)
    copy_to(pictures[1], tmp_path / "in" / "good.tif", at=old + 1)
    run(2)
    assert "bad.tif" in updates[0].error
    assert updates[1].added
    run(99, seconds=0.5)
    assert len(updates) == 2
    assert watcher.counts.unread == 1


def test_a_file_cut_off_a_moment_ago_gets_time(watch_here, tmp_path, pictures):
    _watcher, updates, run, _ = watch_here()
    file = tmp_path / "in" / "slow.tif"
    data = pictures[0].read_bytes()
    file.write_bytes(data[:5000])
    run(1, seconds=1.5)
    assert updates == []  # stands still, but was written a moment ago
    file.write_bytes(data)
    run(1)
    assert updates[0].added


def test_resumes_where_it_ended(watch_here, tmp_path, pictures, copy_to):
    first, _, run, _ = watch_here(existing=False)
    copy_to(pictures[0], tmp_path / "in" / "0.tif")
    run(1)
    first.close()
    copy_to(pictures[1], tmp_path / "in" / "1.tif")  # comes while nobody watches
    second, updates, run, _ = watch_here(existing=False)
    run(99, seconds=1.5)
    assert [u.file.name for u in updates if u.added] == ["1.tif"]
    assert len(events(second.store)) == 2


def test_a_first_watch_leaves_old_pictures_alone_unless_asked(watch_here, tmp_path, pictures, copy_to, monkeypatch):
    (tmp_path / "in").mkdir()
    copy_to(pictures[0], tmp_path / "in" / "0.tif")
    watch_here.offset[0] = timedelta(0)
    from apertrue.watch import done_before

    with open_log(tmp_path / "x.sqlite") as store:
        about = (tmp_path / "in" / "0.tif").stat()
        later = datetime.now(UTC) + timedelta(minutes=1)
        assert done_before(store, tmp_path / "in", existing=False, now=later)(tmp_path, about)
        assert not done_before(store, tmp_path / "in", existing=True, now=later)(tmp_path, about)


def test_what_others_log_meanwhile_is_taken_in(watch_here, tmp_path, pictures, copy_to):
    watcher, _, run, _ = watch_here()
    at = time.time() - 1000
    for i in range(2):
        copy_to(pictures[i], tmp_path / "in" / f"{i}.tif", at=at + 60 * i)
    run(2)
    assert watcher.state.follower.settled.seen == 2
    with open_log(tmp_path / "log.sqlite") as other:
        add_event(other, "state", values={"kv": 300.0}, changed=["kv"])
    run(99, seconds=0.1)
    assert watcher.state.follower.settled.seen == 0  # the state change ended the forecast
    watcher._refresh(force=True)
    assert watcher.state.standing.outlook.basis == "none"


def many_at_once(pictures, folder, copy_to, *, apart=1.0):
    """Ten pictures, so many seconds apart: more than are judged one by one."""
    folder.mkdir()
    at = time.time() - 1000
    for i, p in enumerate(pictures[:10]):
        copy_to(p, folder / f"{i:02d}.tif", at=at + apart * i)
    assert BURST < 10


def test_one_picture_at_a_time_and_bursts_give_the_same_entries(watch_here, tmp_path, pictures, copy_to):
    many_at_once(pictures, tmp_path / "in", copy_to)
    single, one, run, _ = watch_here(log="single.sqlite")
    run(10)
    burst, many, run, _ = watch_here(log="burst.sqlite")
    burst.settings = replace(burst.settings, workers=1, follow=False)
    run(10)
    assert [u.file.name for u in many] == [u.file.name for u in one] == [f"{i:02d}.tif" for i in range(10)]
    a, b = events(single.store), events(burst.store)
    for x, y in zip(a, b, strict=True):
        assert x.get("scene") == y.get("scene")
        assert x.get("verdict") == y.get("verdict")
        assert x.get("offset_x_percent") == y.get("offset_x_percent")
        assert x.get("working_score") == y.get("working_score")
        assert x.flags == y.flags


def test_a_burst_is_followed_says_so_and_ends_with_a_picture_judged_by_itself(watch_here, tmp_path, pictures, copy_to):
    many_at_once(pictures, tmp_path / "in", copy_to)
    single, _, run, _ = watch_here(log="single.sqlite")
    run(10)
    burst, _, run, _ = watch_here(log="burst.sqlite")
    burst.settings = replace(burst.settings, workers=1)
    run(10)
    alone, followed = events(single.store), events(burst.store)
    marks = ["followed" in e.flags for e in followed]
    assert marks == [False] + 8 * [True] + [False]  # the first has none before it, the last stands on the screen
    assert not any("followed" in e.flags for e in alone)
    assert burst.counts.followed == 8
    assert "8 of them followed" in counted(burst)
    for x, y in zip(alone, followed, strict=True):
        assert x.get("scene") == y.get("scene")
        for name in ("offset_x_percent", "offset_y_percent"):
            assert abs(x.get(name) - y.get(name)) <= 1.5 * x.get(name + "_sigma")
    for name in ("offset_x_percent", "offset_x_percent_sigma", "working_score", "beam_radius_px", "verdict"):
        assert alone[-1].get(name) == followed[-1].get(name)


def test_only_pictures_of_the_same_view_at_about_the_same_time_are_followed(pictures):
    work = Measure(Instrument())
    frame = next(iter(read_frames(pictures[0])))
    assert work._previous(frame) is None
    work(str(pictures[0]))
    other = replace(next(iter(read_frames(pictures[1]))), taken_at=frame.taken_at + timedelta(seconds=1))
    assert work._previous(other) is not None
    assert work._previous(frame) is None  # the same frame again is looked at afresh
    assert work._previous(replace(other, pixels=other.pixels[:100])) is None
    assert work._previous(replace(other, state=other.state.updated("file", magnification=2e4))) is None
    assert work._previous(replace(other, taken_at=frame.taken_at + timedelta(minutes=1))) is None
    assert work._previous(replace(other, taken_at=None)) is None
    afresh = [work._previous(other) is None for _ in range(2 * AFRESH_EVERY)]
    assert sum(afresh) == 2


def test_a_stop_is_heeded_between_two_pictures(watch_here, tmp_path, pictures, copy_to):
    watcher, _, _, _ = watch_here()
    at = time.time() - 1000
    for i in range(4):
        copy_to(pictures[i], tmp_path / "in" / f"{i}.tif", at=at + i)
    asked = []
    handled = []
    end = time.monotonic() + 30
    while not handled and time.monotonic() < end:
        for update in watcher.step(lambda: bool(asked)):
            handled.append(update)
            asked.append(1)
        watcher.arrivals.wait(0.02)
    assert len(handled) == 1
    assert len(events(watcher.store, kinds=[EventKind.PICTURE])) == 1


def test_warnings_are_given_once_until_their_reason_is_gone():
    rung, said = [], []
    alarm = Alarm(ring=lambda: rung.append(1), say=said.append)
    soon = Reminder("soon", "soon")
    assert alarm.update([soon], {}) == (soon,)
    assert alarm.update([soon], {}) == ()
    assert alarm.update([], {}) == ()
    assert alarm.update([soon, Reminder("frozen", "f")], {}) == (soon, Reminder("frozen", "f"))
    assert len(rung) == 3


def test_the_bell_rings_while_the_live_panel_is_drawn(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    terminal = Terminal()
    monkeypatch.setattr(sys, "__stderr__", terminal)
    monkeypatch.setattr(sys, "stderr", terminal)
    with Live(console=Console(file=Terminal(), force_terminal=True)):
        assert sys.stderr is not terminal  # the panel has put its own in place
        Alarm().update([Reminder("soon", "soon")], {})
        assert terminal.getvalue() == "\a"


def test_the_command_gets_fields_in_its_environment_and_never_a_shell(tmp_path):
    out = tmp_path / "out.json"
    script = tmp_path / "my script.py"
    script.write_text(
        f"import json, os, sys\nwith open({str(out)!r}, 'w') as f: json.dump([sys.argv[1:], dict(os.environ)], f)\n",
        encoding="utf-8",
    )
    command = split_command(f'"{sys.executable}" "{script}" "; touch hacked" $HOME')
    alarm = Alarm(command, bell=False)
    alarm.update(
        [Reminder("soon", "Working score falls below 97 around 14:20.")],
        {"working_score": 97.25, "note": "$(touch hacked) `x`\0", "flags": ("noisy", "frozen"), "score": None},
    )
    alarm.close()
    argv, env = json.loads(out.read_text())
    assert argv == ["; touch hacked", "$HOME"]
    assert env["APERTRUE_WARNING"] == "soon"
    assert env["APERTRUE_SENTENCE"].startswith("Working score falls")
    assert env["APERTRUE_WORKING_SCORE"] == "97.25"
    assert env["APERTRUE_NOTE"] == "$(touch hacked) `x`"
    assert env["APERTRUE_FLAGS"] == "noisy;frozen"
    assert "APERTRUE_SCORE" not in env


def test_a_command_that_is_not_there_is_told_and_does_not_stop_the_watch():
    said = []
    alarm = Alarm(["/nowhere/at/all"], bell=False, say=said.append)
    alarm.update([Reminder("soon", "s")], {})
    assert "could not be started" in said[0]
    with pytest.raises(CommandError, match="quotes"):
        split_command("say 'x")
    with pytest.raises(CommandError, match="empty"):
        split_command("  ")
    assert environment(Reminder("a", "b"), {})["APERTRUE_WARNING"] == "a"


def test_a_creep_warns_before_the_limit(watch_here, tmp_path, pictures, copy_to):
    watcher, _, run, rung = watch_here(lead_min=30.0)
    now = watcher.clock()
    for k in range(8):  # 4.2 % now, 1.2 % an hour: the limit of 4.7 % is near
        at = now - timedelta(minutes=20 * (7 - k))
        x = 4.2 - 1.2 * (now - at).total_seconds() / 3600
        values = {"offset_y_percent": 0.0, "offset_x_percent": x, "offset_percent": abs(x), "working_score": 97.3}
        a = replace(
            Assessment(scene="both-edges", verdict="leave", flags=(), reasons=(), file=f"{k}.tif"),
            **values,
            **{f"{n}_sigma": 0.05 for n in values},
        )
        add_picture(watcher.store, a, at, digest=f"k{k}")
    run(99, seconds=0.1)
    watcher._refresh(force=True)
    watcher._warn()
    assert [w.kind for w in watcher.warnings] == ["soon"]
    assert "check again" in watcher.warnings[0].sentence
    assert len(rung) == 1


@pytest.fixture
def off_center(tmp_path):
    """A picture whose beam is 20 % of the aperture radius off center."""
    from apertrue.simulate import Recipe, simulate

    recipe = Recipe(rows=128, columns=128, aperture_radius_px=48.0, offset_x_percent=20.0, offset_y_percent=0.0)
    path = tmp_path / "off.tif"
    tifffile.imwrite(path, simulate(recipe, np.random.default_rng(4)).frame.pixels)
    return path


def advised(watcher, update):
    """All that the watch shows and says now, as one text without the flags' names and the count line."""
    now = watcher.clock()
    shown = [f"{what}: {text}" for what, text in rows(watcher, now)]
    return "\n".join([*shown, plain_line(update, watcher, now), *(w.sentence for w in watcher.warnings)])


PRESENT = ("nudge", "auto", "leave", "is off its limits", "center now", "Move:")


@pytest.mark.parametrize("age_h", [1, 20, 72])
def test_an_old_picture_gives_no_advice_for_now(watch_here, tmp_path, off_center, copy_to, age_h):
    watcher, updates, run, rung = watch_here()
    copy_to(off_center, tmp_path / "in" / "off.tif", at=time.time() - 3600 * age_h)
    run(1)
    entry = updates[0].event
    assert "stale" in entry.flags
    assert entry.get("verdict") == "auto"  # as ``apertrue assess`` has it: with flag and reason
    assert "picture-stale" in entry.get("reasons")
    text = advised(watcher, updates[0])
    assert not [words for words in PRESENT if words in text]
    assert "Advice: The picture is too old to act on. Take a new picture." in text
    assert "off.tif: too old to act on: clipped, offset 19.9" in text
    assert "check again now" in text
    assert "crossed" not in {w.kind for w in watcher.warnings}
    assert not rung


def test_pictures_of_yesterday_tell_of_no_move_that_nobody_made(watch_here, tmp_path, pictures, copy_to):
    watcher, _, run, rung = watch_here()
    for i in range(3):
        copy_to(pictures[i], tmp_path / "in" / f"{i}.tif", at=time.time() - 35 * 3600 + 600 * i)
    run(3)
    watcher._refresh(force=True)
    forecast = dict(rows(watcher, watcher.clock()))["Forecast"]
    assert forecast == (
        "Where the beam lies now is not known: since the last picture it was moved, or too much time went by. "
        "Take a picture."
    )
    assert not rung


def test_a_picture_that_grows_old_while_nobody_looks_loses_its_advice(watch_here, tmp_path, off_center, copy_to):
    script, out = tmp_path / "tell.py", tmp_path / "told.json"
    script.write_text(
        f"import json, os\nwith open({str(out)!r}, 'w') as f: json.dump(dict(os.environ), f)\n", encoding="utf-8"
    )
    watcher, updates, run, rung = watch_here(command=[sys.executable, str(script)], silent_min=40.0)
    copy_to(off_center, tmp_path / "in" / "off.tif", at=time.time() - 60)
    run(1)
    shown = advised(watcher, updates[0])
    assert "Advice: auto" in shown
    assert "The last picture says auto: the beam is off its limits." in shown
    assert "center now" in shown
    assert len(rung) == 1
    watcher.alarm.close()
    assert json.loads(out.read_text())["APERTRUE_VERDICT"] == "auto"
    watch_here.offset[0] = timedelta(minutes=35)
    watcher._refresh(force=True)
    watcher._warn()
    shown = advised(watcher, updates[0])
    assert "Advice: The picture is too old to act on. Take a new picture." in shown
    assert "The last picture said auto and is too old to act on by now. Take a new picture." in shown
    assert not [words for words in ("is off its limits", "center now", "Move:") if words in shown]
    assert len(rung) == 1  # the same matter: it does not ring again
    watch_here.offset[0] = timedelta(minutes=50)
    watcher._warn()  # what a command is told later on is no advice of an old picture
    watcher.alarm.close()
    environment = json.loads(out.read_text())
    assert environment["APERTRUE_WARNING"] == "silent"
    assert "APERTRUE_OFFSET_PERCENT" in environment
    assert "APERTRUE_VERDICT" not in environment
    watch_here.offset[0] = timedelta(0)


def test_a_fresh_picture_behind_old_ones_is_advised_on(watch_here, tmp_path, off_center, pictures, copy_to):
    watcher, updates, run, _ = watch_here()
    copy_to(pictures[0], tmp_path / "in" / "0.tif", at=time.time() - 7200)
    copy_to(off_center, tmp_path / "in" / "off.tif", at=time.time() - 60)
    run(2)
    watcher._warn()
    assert "stale" in updates[0].event.flags
    assert dict(rows(watcher, watcher.clock()))["Advice"] == updates[1].event.get("verdict") == "auto"
    assert [w.kind for w in watcher.warnings] == ["crossed"]


def test_silence_is_told_when_asked(watch_here):
    watcher, _, _, _ = watch_here(silent_min=5.0)
    watcher._warn()
    assert watcher.warnings == ()
    watch_here.offset[0] = timedelta(minutes=6)
    watcher._warn()
    assert [w.kind for w in watcher.warnings] == ["silent"]
    watch_here.offset[0] = timedelta(0)


def test_a_stack_gives_an_entry_a_page(watch_here, tmp_path, pictures, copy_to):
    watcher, updates, run, _ = watch_here()
    stack = tmp_path / "stack.tif"
    tifffile.imwrite(stack, np.stack([tifffile.imread(p) for p in pictures[:3]]), photometric="minisblack")
    copy_to(stack, tmp_path / "in" / "stack.tif", at=time.time() - 60)
    run(3)
    assert [u.event.get("page") for u in updates] == [0, 1, 2]
    assert len(events(watcher.store)) == 3


def damaged(path, pictures, *bad):
    """A stack of these pictures, of which some pages are damaged."""
    with tifffile.TiffWriter(path) as tif:
        for p in pictures:
            tif.write(tifffile.imread(p), compression="zlib", photometric="minisblack", metadata=None)
    spoil(path, *bad)


@pytest.mark.parametrize("workers", [0, 1])
def test_a_damaged_page_is_told_and_those_behind_it_are_judged(watch_here, tmp_path, pictures, copy_to, workers):
    damaged(tmp_path / "stack.tif", pictures[:3], 1)
    watcher, updates, run, _ = watch_here()
    watcher.settings = replace(watcher.settings, workers=workers)
    folder, old = tmp_path / "in", time.time() - 1000
    copy_to(tmp_path / "stack.tif", folder / "stack.tif", at=old)
    for i in range(3, 12):  # enough for a burst
        copy_to(pictures[i], folder / f"{i:02d}.tif", at=old + i)
    run(12)
    assert [u.file.name for u in updates[:4]] == ["stack.tif"] * 3 + ["03.tif"]
    assert [u.added for u in updates] == [True, False] + [True] * 10
    assert updates[1].error.startswith(f"{folder / 'stack.tif'} page 1: this TIFF file is damaged")
    assert watcher.counts.unread == 1
    assert [e.get("page") for e in events(watcher.store)[:2]] == [0, 2]


@pytest.mark.parametrize("fault", [ZeroDivisionError("made up"), MemoryError(), ValueError("")])
def test_a_fault_over_one_picture_becomes_its_message_and_the_watch_goes_on(
    watch_here, tmp_path, pictures, copy_to, monkeypatch, fault
):
    import apertrue.watch.engine as engine

    whole = engine.judge

    def judge(frame, **more):
        if frame.file.endswith("1.tif"):
            raise fault
        return whole(frame, **more)

    monkeypatch.setattr(engine, "judge", judge)
    watcher, updates, run, _ = watch_here()
    at = time.time() - 5  # written a moment ago: yet this is no matter of waiting for its writer
    for i in range(3):
        copy_to(pictures[i], tmp_path / "in" / f"{i}.tif", at=at + i)
    run(3)
    assert [u.added for u in updates] == [True, False, True]
    said = updates[1].error
    assert said.startswith(f"{tmp_path / 'in' / '1.tif'}: ")
    if isinstance(fault, MemoryError):
        assert said.endswith("not enough memory for it. Crop it or save it smaller")
    else:
        assert f"could not be judged ({type(fault).__name__}" in said
        assert said.endswith("This is a fault of apertrue; please report it")
    assert counted(watcher) == "2 judged, 1 unreadable"
    run(99, seconds=0.5)
    assert len(updates) == 3  # not tried again and again


def test_a_fault_over_one_picture_of_a_burst_is_its_own(watch_here, tmp_path, pictures, copy_to, monkeypatch):
    """While it is measured, and behind that. All in this process: a worker would not know of the fault."""
    import apertrue.watch.engine as engine
    import apertrue.watch.measuring as measuring
    from apertrue import runner

    run_here = runner.run
    measured, logged = measuring.measure, engine.readvise

    def measure(frame, *more):
        if frame.file.endswith("02.tif"):
            raise ZeroDivisionError("made up")
        return measured(frame, *more)

    def readvise(frame, *more):
        if frame.file.endswith("04.tif"):
            raise MemoryError
        return logged(frame, *more)

    monkeypatch.setattr(measuring, "measure", measure)
    monkeypatch.setattr(engine, "readvise", readvise)
    many_at_once(pictures, tmp_path / "in", copy_to)
    work = measuring.Measure(Instrument())
    (failed,) = work(str(tmp_path / "in" / "02.tif"))
    assert not failed.unread
    assert "ZeroDivisionError: made up" in failed.reason
    monkeypatch.setattr(runner, "run", lambda work, tasks, **_: run_here(work, tasks, workers=0, ordered=True))
    watcher, updates, run, _ = watch_here()
    watcher.settings = replace(watcher.settings, workers=1)
    run(10)
    assert [u.file.name for u in updates if u.error] == ["02.tif", "04.tif"]
    assert "fault of apertrue" in updates[2].error
    assert updates[4].error == f"{tmp_path / 'in' / '04.tif'}: not enough memory for it. Crop it or save it smaller"
    assert watcher.counts.judged == 8


def test_the_logs_own_trouble_ends_the_watch(watch_here, tmp_path, pictures, copy_to, monkeypatch):
    import apertrue.watch.engine as engine
    from apertrue.errors import StoreError

    def add_result(*_arguments, **_more):
        raise StoreError("log.sqlite", "the disk is full", "Make room")

    monkeypatch.setattr(engine, "add_result", add_result)
    _watcher, _updates, run, _ = watch_here()
    copy_to(pictures[0], tmp_path / "in" / "0.tif", at=time.time() - 100)
    with pytest.raises(StoreError, match="disk is full"):
        run(1)


def test_an_age_that_is_not_known_is_said_instead_of_a_time(watch_here, tmp_path, pictures):
    """A camera whose clock is ahead: "in 2 h" is no age, and how old the picture is nobody knows."""
    watcher, updates, run, _ = watch_here()
    ahead = datetime.now(zone_of()) + timedelta(hours=2)
    tifffile.imwrite(tmp_path / "in" / "a.tif", tifffile.imread(pictures[0]), datetime=f"{ahead:%Y:%m:%d %H:%M:%S}")
    run(1)
    now = watcher.clock()
    said = "The picture's age is not known: it states no time of its own, or one that lies ahead."
    assert "time-unknown" in updates[0].event.get("reasons")
    assert said in plain_line(updates[0], watcher, now)
    assert said in dict(rows(watcher, now))["Last picture"]


def test_a_watch_of_days_forgets_what_a_new_one_would_not_read(watch_here, make_creep):
    watcher, _, run, _ = watch_here()
    moment = watcher.clock()
    for hours in (0, 2, 30):
        make_creep(watcher.store, moment + timedelta(hours=hours), 0.1 * hours)
        watch_here.offset[0] = timedelta(hours=hours, minutes=1)
        run(99, seconds=0.05)
    assert watcher.state.follower.bank.seen + (watcher.state.follower.recent is not None) == 3
    watch_here.offset[0] = timedelta(hours=39.5)  # the first two are older than 36 h by now
    run(99, seconds=0.05)
    new = live(watcher.store, watcher.clock(), ())
    assert len(watcher.state.recent) == len(new.recent) == 1
    assert watcher.state.follower.settled.seen == new.follower.settled.seen == 1
    assert watcher.state.standing is not None  # the next picture is weighed with its forecast
    watch_here.offset[0] = timedelta(hours=90)
    run(99, seconds=0.05)
    assert watcher.state.follower.settled.seen == 0
    assert dict(rows(watcher, watcher.clock()))["Last picture"].endswith("3 days ago")
    watch_here.offset[0] = timedelta(0)


@pytest.fixture
def make_creep():
    """Log a picture whose beam lies that many % to the right."""

    def log(store, at, x):
        values = {"offset_y_percent": 0.0, "offset_x_percent": x, "offset_percent": x, "working_score": 99.0}
        sigmas = {f"{n}_sigma": 0.05 for n in values}
        seen = Assessment(scene="both-edges", verdict="leave", flags=(), reasons=(), file=f"{at}.tif")
        add_picture(store, replace(seen, **values, **sigmas), at, digest=str(at))

    return log


def test_a_picture_from_before_the_last_one_leaves_no_forecast_behind(watch_here, tmp_path, pictures, copy_to):
    """The log is read anew then; with more pictures waiting, the next one is still weighed with its forecast."""
    watcher, _, run, _ = watch_here()
    copy_to(pictures[0], tmp_path / "in" / "0.tif", at=time.time() - 60)
    run(1)
    copy_to(pictures[1], tmp_path / "1.tif", at=time.time() - 600)
    watcher.queue = [tmp_path / "2.tif"]
    update = watcher.take(next(read_frames(tmp_path / "1.tif")), tmp_path / "1.tif")
    assert update.added
    assert watcher.state.standing is not None
