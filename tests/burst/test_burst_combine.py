"""Frames of one scene together: doubt that falls, jitter told apart, repeats that do not count."""

import pickle
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

import apertrue
from apertrue.burst import Burst, combine
from apertrue.errors import BurstError
from apertrue.frame import Frame, State
from apertrue.judging import Setup, Unread, judge_frame
from apertrue.pipeline import Result

SETUP = Setup()


@pytest.fixture(scope="module")
def still(make_burst: Callable[..., list[Frame]]) -> list[Result]:
    """Twelve frames of a scene that does not move."""
    return [judge_frame(f, SETUP) for f in make_burst(np.random.default_rng(1), 12)]


@pytest.fixture(scope="module")
def shaken(make_burst: Callable[..., list[Frame]]) -> Burst:
    frames = make_burst(np.random.default_rng(2), 10, vibration=0.3, beam=0.5, peak_electrons=1000.0)
    return combine((judge_frame(f, SETUP) for f in frames), SETUP)


def test_sigma_falls_as_one_over_root_n_and_holds_the_truth(still: list[Result]) -> None:
    single = np.mean([r.assessment.offset_x_percent_sigma for r in still])
    for n in (4, 12):
        burst = combine(still[:n], SETUP)
        a = burst.result.assessment
        assert (burst.way, burst.used, a.frames_given, a.frames_used) == ("mean picture", n, n, n)
        # The estimated jitter's share may widen it by what the few frames can't exclude.
        assert 0.85 < a.offset_x_percent_sigma / single * np.sqrt(n) < 1.6
        assert abs(a.offset_x_percent - 4.0) < 3 * a.offset_x_percent_sigma
        assert abs(a.offset_y_percent + 3.0) < 3 * a.offset_y_percent_sigma
        assert a.page is None
        assert a.file == "burst.tif"


def test_a_still_scene_has_no_jitter(still: list[Result]) -> None:
    a = combine(still, SETUP).result.assessment
    assert a.beam_jitter_px <= 2 * a.beam_jitter_px_sigma < 0.3
    assert a.aperture_jitter_px <= 2 * a.aperture_jitter_px_sigma < 0.8
    assert "No jitter is seen beyond the noise" in " ".join(combine(still, SETUP).result.advice.sentences)


def test_jitter_is_told_apart_from_the_noise(shaken: Burst) -> None:
    a = shaken.result.assessment
    # True movement in px, root mean square over both axes; ten frames know it to a quarter (1/√(2·18)·1.5).
    assert a.aperture_jitter_px == pytest.approx(0.3 * np.sqrt(2), rel=0.5)
    assert a.beam_jitter_px == pytest.approx(np.hypot(0.3, 0.5) * np.sqrt(2), rel=0.5)
    assert a.offset_jitter_percent == pytest.approx(100 * 0.5 * np.sqrt(2) / 56, rel=0.5)
    assert a.beam_jitter_px > 3 * a.beam_jitter_px_sigma
    assert abs(a.offset_x_percent - 4.0) < 3 * a.offset_x_percent_sigma
    # The mean's doubt is that of the movement, many times that of the noise.
    assert a.offset_x_percent_sigma > 0.7 * 100 * 0.5 / 56 / np.sqrt(10)
    assert "Between frames the beam moves by" in " ".join(shaken.result.advice.sentences)


def test_frames_that_jump_are_averaged_by_their_results(make_burst: Callable[..., list[Frame]]) -> None:
    frames = make_burst(np.random.default_rng(3), 6, vibration=3.0, beam=2.0, peak_electrons=1000.0)
    burst = combine((judge_frame(f, SETUP) for f in frames), SETUP)
    a = burst.result.assessment
    assert burst.way == "frames"
    assert a.scene in ("both-edges", "clipped")
    assert abs(a.offset_x_percent - 4.0) < 3 * a.offset_x_percent_sigma
    assert abs(a.beam_radius_px - 0.9 * 56) < 4 * a.beam_radius_px_sigma
    assert a.score is not None
    assert a.beam_edge_px == pytest.approx(1.6, abs=0.1)  # not softened by the movement


def test_a_repeated_frame_is_no_new_evidence(still: list[Result]) -> None:
    plain = combine(still[:4], SETUP)
    again = combine([still[0], still[1], still[1], still[2], still[3], still[1]], SETUP)
    assert (again.given, again.used, again.repeated) == (6, 4, 2)
    assert again.result.assessment.offset_x_percent_sigma == plain.result.assessment.offset_x_percent_sigma
    assert "frozen" not in again.result.assessment.flags
    assert "2 frames repeat an earlier one" in " ".join(again.result.advice.sentences)


@pytest.mark.parametrize("order", [[0, 0, 0], [0, 1, 2, 2, 2]], ids=["from the start", "at the end"])
def test_a_camera_that_stopped_is_flagged(still: list[Result], order: list[int]) -> None:
    a = combine([still[i] for i in order], SETUP).result.assessment
    assert a.frames_used == len(set(order))
    assert "frozen" in a.flags
    assert a.verdict != "leave"


def test_frames_too_dim_for_one_are_read_together(make_burst: Callable[..., list[Frame]]) -> None:
    frames = make_burst(np.random.default_rng(5), 16, peak_electrons=2.0, halo_level=0.2)
    judged = [judge_frame(f, SETUP) for f in frames]
    assert sum(r.assessment.offset_percent is not None for r in judged) < 8
    burst = combine(judged, SETUP)
    a = burst.result.assessment
    assert burst.group > 1
    assert a.frames_used == 16
    assert abs(a.offset_x_percent - 4.0) < 3 * a.offset_x_percent_sigma
    assert "too dim" in " ".join(burst.result.advice.sentences)


def test_creep_is_said(make_burst: Callable[..., list[Frame]]) -> None:
    frames = make_burst(np.random.default_rng(6), 6, creep=0.6, peak_electrons=1000.0)
    burst = combine((judge_frame(f, SETUP) for f in frames), SETUP)
    assert "creeping" in burst.result.assessment.flags
    assert burst.creep_percent == pytest.approx((100 * 3.0 / 56, 0.0), abs=0.3)


def test_a_blanked_frame_is_left_out(still: list[Result]) -> None:
    rng = np.random.default_rng(7)
    dark = judge_frame(Frame(rng.normal(100, 3, (160, 160)).round().astype(np.uint16), file="burst.tif"), SETUP)
    burst = combine([*still[:5], dark], SETUP)
    assert (burst.used, burst.left_out) == (5, 1)
    assert "1 frame gave no numbers and is left out." in burst.result.advice.sentences


def test_nothing_but_dark_frames_say_so() -> None:
    rng = np.random.default_rng(8)
    dark = [judge_frame(Frame(rng.normal(100, 3, (64, 64)).astype(np.float32)), SETUP) for _ in range(3)]
    a = combine(dark, SETUP).result.assessment
    assert (a.scene, a.verdict, a.offset_percent, a.frames_used) == ("dark", "retake", None, 0)


def test_what_is_not_one_scene_is_refused(still: list[Result]) -> None:
    def at(result: Result, **state: object) -> Result:
        return replace(result, frame=replace(result.frame, state=State(**state)))

    with pytest.raises(BurstError, match=r"gun_focus differs \(30\.0, 40\.0\)"):
        combine([at(still[0], gun_focus=40.0), at(still[1], gun_focus=30.0)], SETUP)
    small = judge_frame(Frame(np.zeros((64, 64), np.uint8)), SETUP)
    with pytest.raises(BurstError, match="160 × 160 and 64 × 64"):
        combine([still[0], small], SETUP)
    with pytest.raises(BurstError, match="none of the frames"):
        combine([Unread("a.tif", None, "a.tif: broken", "broken")], SETUP)


def test_readings_that_may_differ_do(still: list[Result]) -> None:
    def at(result: Result, pa: float) -> Result:
        return replace(result, frame=replace(result.frame, state=State(kv=200.0, current_pa=pa, note=f"{pa}")))

    a = combine([at(still[0], 100.0), at(still[1], 102.0)], SETUP).result.assessment
    assert (a.kv, a.current_pa, a.note) == (200.0, 101.0, None)


def test_from_python(make_burst: Callable[..., list[Frame]]) -> None:
    stack = np.stack([f.pixels for f in make_burst(np.random.default_rng(9), 8)])
    judged = apertrue.combine(stack)
    assert isinstance(judged, apertrue.Judged)
    assert judged.frames_used == len(judged.pages) == 8
    assert judged.offset_percent_sigma < min(p.offset_percent_sigma for p in judged.pages)
    assert repr(judged).endswith("8 of 8 frames>")
    assert pickle.loads(pickle.dumps(judged)).to_dict() == judged.to_dict()
    assert judged.overlay().size[0] > 0


def test_the_overlay_says_that_it_is_a_mean(still: list[Result]) -> None:
    from apertrue.overlay.panel import _words

    burst = combine(still[:3], SETUP)
    said = _words(burst.result.assessment, burst.result.advice, ("aperture", "beam"), None, True)
    assert any("the mean of 3 frames" in line.text for line in said)


def test_a_single_frame_is_itself(still: list[Result]) -> None:
    burst = combine(still[:1], SETUP)
    a, alone = burst.result.assessment, still[0].assessment
    assert (burst.way, a.frames_given, a.frames_used, a.beam_jitter_px) == ("single", 1, 1, None)
    assert (a.offset_percent, a.offset_percent_sigma) == (alone.offset_percent, alone.offset_percent_sigma)
    dark = judge_frame(Frame(np.random.default_rng(1).normal(100, 3, (64, 64)).astype(np.float32)), SETUP)
    assert combine([dark], SETUP).result.assessment.frames_used == 0
