"""The second process: it answers as the window's own thread, and its end, by whatever cause, stops nothing."""

import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from apertrue.napari import _assess_model, _second_process
from apertrue.napari._assess_model import AssessModel
from apertrue.napari._judge_one import Drawn, Setup, judge_one
from apertrue.napari._second_process import SecondProcess, StoppedError
from apertrue.napari._target import Aim

NOW = datetime(2026, 3, 2, 22, 0, tzinfo=UTC)
#: Says that it is ready, then does not answer.
_DEAF = """
import sys, time
from apertrue.napari._second_process import _READY, _send
_send(sys.stdout.buffer, _READY); sys.stdout.flush()
time.sleep(60)
"""
_GARBLED = """
import sys
from apertrue.napari._second_process import _READY, _receive, _send
_send(sys.stdout.buffer, _READY); sys.stdout.flush()
_receive(sys.stdin.buffer.raw)
_send(sys.stdout.buffer, b"no answer"); sys.stdout.flush()
"""


def awaited(second: SecondProcess) -> SecondProcess:
    end = time.monotonic() + 60
    while not second.ready and time.monotonic() < end:
        time.sleep(0.01)
    assert second.ready
    return second


def program(text: str) -> list[str]:
    return [sys.executable, "-c", text]


@pytest.fixture
def second():
    made = SecondProcess()
    yield made
    made.close()


def test_it_answers_as_the_thread_does_and_keeps_nothing(second, shot) -> None:
    awaited(second)
    anew = judge_one(shot.frame, Setup(), Drawn(), NOW)
    moved = replace(shot.frame, pixels=np.roll(shot.frame.pixels, 1, axis=0), digest=None)
    asked = Setup(), Drawn(), NOW, (anew.frame.digest, anew.scene)
    for frame, more in ((shot.frame, (Setup(), Drawn(), NOW)), (moved, asked), (shot.frame, (Setup(), Drawn(), NOW))):
        here, there = judge_one(frame, *more), second.judge(frame, *more)
        assert there.assessment == here.assessment
        assert there.advice.sentences == here.advice.sentences
        assert there.frame.digest == here.frame.digest
        assert there.frame.pixels is frame.pixels


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.int32, np.float32, np.float64])
def test_all_kinds_of_pixels_arrive(second, shot, dtype) -> None:
    awaited(second)
    pixels = (shot.frame.pixels / 257).astype(dtype)[:, 3:-4]  # no contiguous array
    frame = replace(shot.frame, pixels=pixels, saturation=None, digest=None)
    there = second.judge(frame, Setup(), Drawn(), NOW)
    assert there.frame.digest == judge_one(frame, Setup(), Drawn(), NOW).frame.digest


def test_an_error_there_is_met_again_here(second, shot) -> None:
    awaited(second)
    assert second.judge(replace(shot.frame, saturation="much"), Setup(), Drawn(), NOW) is None
    assert second.judge(shot.frame, Setup(), Drawn(), NOW) is not None


def test_after_a_crash_it_starts_again_but_not_for_ever(second, shot) -> None:
    for _ in range(_second_process._MOST_CRASHES):
        awaited(second)
        before = second.pid
        if sys.platform == "win32":
            subprocess.run(["taskkill", "/F", "/PID", str(before)], check=True, capture_output=True)
        else:
            os.kill(before, signal.SIGKILL)
        assert second.judge(shot.frame, Setup(), Drawn(), NOW) is None
        assert second.pid is None
    assert not second.ready
    assert second.pid is None


def test_what_cannot_start_or_talks_nonsense_is_given_up(shot) -> None:
    missing = SecondProcess(["/no/such/program"])
    assert not missing.ready
    assert missing.judge(shot.frame, Setup(), Drawn(), NOW) is None
    silent = SecondProcess(program("pass"))
    end = time.monotonic() + 60
    while silent._crashes < _second_process._MOST_CRASHES and time.monotonic() < end:
        assert not silent.ready
        time.sleep(0.01)
    assert not silent.ready
    garbled = SecondProcess(program(_GARBLED))
    assert awaited(garbled).judge(shot.frame, Setup(), Drawn(), NOW) is None
    for made in (missing, silent, garbled):
        made.close()
        assert made.pid is None


def test_stopping_breaks_off_a_picture(shot) -> None:
    from concurrent.futures import ThreadPoolExecutor

    deaf = awaited(SecondProcess(program(_DEAF)))
    process = deaf._process
    with ThreadPoolExecutor() as pool:
        asked = pool.submit(deaf.judge, shot.frame, Setup(), Drawn(), NOW)
        while not deaf._busy.locked():
            time.sleep(0.001)
        # Another one does not wait for it.
        assert deaf.judge(shot.frame, Setup(), Drawn(), NOW) is None
        deaf.stop()
        with pytest.raises(StoppedError):
            asked.result(timeout=60)
    assert process.poll() is not None
    deaf.close()
    assert not deaf.ready


def test_it_ends_when_the_window_is_gone() -> None:
    second = awaited(SecondProcess())
    process = second._process
    process.stdin.close()
    assert process.wait(timeout=60) == 0
    second.close()


def test_only_a_live_view_is_judged_there_and_with_the_same_numbers(monkeypatch, shot) -> None:
    model = AssessModel(Setup())
    awaited(model.second)
    asked = []
    real = model.second.judge
    monkeypatch.setattr(model.second, "judge", lambda frame, *more: asked.append(1) or real(frame, *more))
    monkeypatch.setattr(_assess_model, "FOLLOW_S", 1e9)
    plain = AssessModel(Setup())
    monkeypatch.setattr(plain, "second", SecondProcess(["/no/such/program"]))
    for k in range(_assess_model.LIVE_AFTER + 3):
        meant = Aim(np.roll(shot.frame.pixels, k, axis=1), (), False, "live", None, None, np.eye(3))
        assert model.work(meant, NOW).assessment == plain.work(meant, NOW).assessment
        assert model.live == (k >= _assess_model.LIVE_AFTER)
    assert len(asked) == 3
    monkeypatch.setattr(_assess_model, "IDLE_S", 1e9)
    model.rest()
    assert model.second.pid is not None
    monkeypatch.setattr(_assess_model, "IDLE_S", -1.0)
    model.rest()
    assert model.second.pid is None
    assert not model.live
    model.close()
