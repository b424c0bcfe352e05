"""What must follow when the picture is changed: turned, mirrored, shifted, brightened, magnified, counted longer, split.

The whole line from pixels to verdict. Tolerances: gain, bias and transposing give the same numbers (the fit sees the same
values). Mirrors, turns and crops move the grid of pixels against the bands that the fit looks at, which takes in or
leaves out some pixels at their borders: half of the stated 1σ is allowed. Pictures with noise of their own are
compared within four of their joint 1σ.
"""

from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache
from itertools import pairwise
from math import hypot
from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import example, given, settings
from hypothesis import strategies as st

from apertrue.assessment import Assessment
from apertrue.frame import State, as_frame
from apertrue.judging import Setup, judge_files
from apertrue.pipeline import Result, judge
from apertrue.simulate import Recipe, simulate

few = settings(max_examples=3, deadline=None, derandomize=True)
SEEDS = st.integers(0, 5)


def recipe(seed: int, **changed: float) -> tuple[Recipe, np.random.Generator]:
    """A small picture with both edges, different in every way that the seed decides."""
    rng = np.random.default_rng([7, seed])
    values: dict[str, float] = {
        "aperture_x_px": 64 + float(rng.uniform(-2, 2)),
        "aperture_y_px": 58 + float(rng.uniform(-2, 2)),
        "aperture_radius_px": 42,
        "beam_ratio": float(rng.uniform(0.72, 0.88)),
        "offset_x_percent": float(rng.uniform(3, 8)),
        "offset_y_percent": float(rng.uniform(-8, -3)),
        "halo_level": float(rng.choice([0.04, 0.08])),
        "dome": float(rng.uniform(-0.1, 0.25)),
    }
    return Recipe(**{"rows": 116, "columns": 130, **values, **changed}), rng


@cache
def base(seed: int) -> tuple[np.ndarray, Result]:
    made, rng = recipe(seed)
    pixels = simulate(made, rng).picture
    return pixels, judge(as_frame(pixels))


def assert_follows(
    changed: Result, original: Result, turn: Callable[[float, float], tuple[float, float]], share: float
) -> None:
    """``changed`` tells the same as ``original`` once ``turn`` has led the offset (y down) along."""
    a, b = changed.assessment, original.assessment
    assert (a.scene, a.verdict) == (b.scene, b.verdict)
    assert b.offset_percent is not None
    x, y = turn(b.offset_x_percent, b.offset_y_percent)
    allowed = share * b.offset_percent_sigma + 1e-6
    assert hypot(a.offset_x_percent - x, a.offset_y_percent - y) <= allowed
    assert a.gap_percent == pytest.approx(b.gap_percent, abs=share * b.gap_percent_sigma + 1e-6)
    assert a.score == pytest.approx(b.score, abs=share * b.score_sigma + 1e-6)
    assert a.working_score == pytest.approx(b.working_score, abs=share * b.working_score_sigma + 1e-6)
    assert a.offset_percent_sigma == pytest.approx(b.offset_percent_sigma, rel=0.2)
    expected = np.degrees(np.arctan2(-y, x)) % 360
    assert abs((a.offset_direction_deg - expected + 180) % 360 - 180) <= max(share * b.offset_direction_deg_sigma, 1e-4)
    assert a.move_direction_deg == pytest.approx((a.offset_direction_deg + 180) % 360)


TURNS: dict[str, tuple[Callable[[np.ndarray], np.ndarray], Callable[[float, float], tuple[float, float]], float]] = {
    "quarter turn": (np.rot90, lambda x, y: (y, -x), 0.5),
    "half turn": (lambda p: p[::-1, ::-1], lambda x, y: (-x, -y), 0.5),
    "mirror": (np.fliplr, lambda x, y: (-x, y), 0.5),
    "upside down": (np.flipud, lambda x, y: (x, -y), 0.5),
    "transposed": (np.transpose, lambda x, y: (y, x), 0.02),
}


@pytest.mark.parametrize("turn", TURNS)
@given(seed=SEEDS)
@settings(max_examples=2, deadline=None, derandomize=True)
def test_turned_and_mirrored_pictures(turn: str, seed: int) -> None:
    pixels, original = base(seed)
    change, lead, share = TURNS[turn]
    assert_follows(judge(as_frame(np.ascontiguousarray(change(pixels)))), original, lead, share)


@few
@given(seed=SEEDS, gain=st.sampled_from([2, 3, 7]), bias=st.integers(0, 3000))
def test_gain_and_bias_of_whole_numbers(seed: int, gain: int, bias: int) -> None:
    pixels, original = base(seed)
    brighter = (pixels.astype(np.int64) * gain + bias).astype(np.int32)
    assert_follows(judge(as_frame(brighter)), original, lambda x, y: (x, y), 0.05)


@few
@given(seed=SEEDS, gain=st.floats(1e-3, 1e3), bias=st.floats(-50, 500))
@example(seed=0, gain=1.0, bias=0.0)
def test_gain_and_bias_of_floats(seed: int, gain: float, bias: float) -> None:
    """Single precision keeps seven digits: the result may differ by a small share of σ."""
    pixels, original = base(seed)
    changed = ((pixels + bias) * gain).astype(np.float32)
    assert_follows(judge(as_frame(changed)), original, lambda x, y: (x, y), 0.2)


@few
@given(seed=SEEDS, top=st.integers(0, 5), left=st.integers(0, 5))
def test_a_shifted_view(seed: int, top: int, left: int) -> None:
    pixels, original = base(seed)
    moved = judge(as_frame(np.ascontiguousarray(pixels[top:, left:])))
    assert_follows(moved, original, lambda x, y: (x, y), 0.5)
    a, b = moved.assessment, original.assessment
    assert a.aperture_x_px + left == pytest.approx(b.aperture_x_px, abs=0.5 * b.aperture_x_px_sigma)
    assert a.aperture_y_px + top == pytest.approx(b.aperture_y_px, abs=0.5 * b.aperture_y_px_sigma)


@few
@given(seed=SEEDS, degrees=st.floats(1.0, 359.0))
@example(seed=1, degrees=45.0)
def test_a_view_turned_by_any_angle(seed: int, degrees: float) -> None:
    """The same beam through a camera turned against the instrument: the offset turns, its length and the rest stay."""
    _, original = base(seed)
    made, _ = recipe(seed)
    co, si = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    x, y = made.offset_x_percent, made.offset_y_percent
    turned, rng = recipe(seed, offset_x_percent=float(x * co + y * si), offset_y_percent=float(y * co - x * si))
    a, b = judge(as_frame(simulate(turned, rng).picture)).assessment, original.assessment
    # Counter-clockwise on the screen, y down; the noise is another one.
    back = (a.offset_x_percent * co - a.offset_y_percent * si, a.offset_x_percent * si + a.offset_y_percent * co)
    joint = hypot(a.offset_percent_sigma, b.offset_percent_sigma)
    assert back[0] == pytest.approx(b.offset_x_percent, abs=4 * joint)
    assert back[1] == pytest.approx(b.offset_y_percent, abs=4 * joint)
    apart = (a.offset_direction_deg - b.offset_direction_deg - degrees + 180) % 360 - 180
    assert abs(apart) <= 4 * hypot(a.offset_direction_deg_sigma, b.offset_direction_deg_sigma)
    assert a.gap_percent == pytest.approx(b.gap_percent, abs=4 * hypot(a.gap_percent_sigma, b.gap_percent_sigma))
    assert a.verdict == b.verdict


@few
@given(seed=SEEDS)
def test_a_picture_scaled_by_half(seed: int) -> None:
    """Means of 2 × 2 pixels: half the pixels, the same electrons, the same answer in % of the aperture radius."""
    made, rng = recipe(seed)
    double = {n: 2 * getattr(made, n) + 0.5 for n in ("aperture_x_px", "aperture_y_px")}
    double |= {n: 2 * getattr(made, n) for n in ("aperture_radius_px", "aperture_edge_px", "beam_edge_px")}
    large, _ = recipe(seed, rows=232, columns=260, **double)
    pixels = simulate(large, rng).picture.astype(np.float32)
    small = pixels.reshape(116, 2, 130, 2).mean(axis=(1, 3))
    a, b = judge(as_frame(small)).assessment, judge(as_frame(pixels)).assessment
    assert (a.scene, a.verdict) == (b.scene, b.verdict)
    for name in ("offset_x_percent", "offset_y_percent", "offset_percent", "gap_percent", "working_score"):
        mine, its = getattr(a, f"{name}_sigma"), getattr(b, f"{name}_sigma")
        assert getattr(a, name) == pytest.approx(getattr(b, name), abs=2 * hypot(mine, its)), name
    assert a.aperture_x_px == pytest.approx((b.aperture_x_px - 0.5) / 2, abs=2 * a.aperture_x_px_sigma)
    assert a.beam_radius_px == pytest.approx(b.beam_radius_px / 2, abs=2 * a.beam_radius_px_sigma)
    assert 0.5 < a.offset_percent_sigma / b.offset_percent_sigma < 2.0


@pytest.mark.parametrize("kind", ["stack in one file", "a file each"])
def test_splitting_a_stack_changes_nothing(tmp_path: Path, kind: str) -> None:
    pages = [base(seed)[0] for seed in range(2)]
    files = []
    if kind == "stack in one file":
        files = [tmp_path / "stack.tif"]
        tifffile.imwrite(files[0], np.stack(pages), photometric="minisblack")
    else:
        for k, page in enumerate(pages):
            files.append(tmp_path / f"{k}.tif")
            tifffile.imwrite(files[-1], page, photometric="minisblack")
    outcomes = list(judge_files(files, Setup()))
    assert [r.assessment.page for r in outcomes] == ([0, 1] if len(files) == 1 else [0, 0])
    for seed, outcome in enumerate(outcomes):
        assert numbers(outcome.assessment) == numbers(base(seed)[1].assessment)


def numbers(assessment: Assessment) -> dict[str, float]:
    """The measured values: what a file adds (name, times, reasons that rest on them) is left out."""
    return {k: v for k, v in assessment.to_dict().items() if isinstance(v, float) and not k.startswith("taken")}


def test_the_same_beam_at_three_magnifications_and_mirrored() -> None:
    """Offset ÷ aperture radius is the beam's, not the picture's; what was learned in another view is refused."""
    from apertrue.advice import Context
    from apertrue.calibration import Calibration, StateKey, with_nudge
    from apertrue.instrument import Instrument

    covariance = tuple(tuple(1e-4 if i == j else 0.0 for j in range(4)) for i in range(4))
    now = datetime(2026, 3, 14, 10, tzinfo=UTC)
    state = StateKey(magnification=5000.0, camera="screen")
    kept = (Calibration(((1.0, 0.1), (-0.1, 1.0)), covariance, state, made_at=now),)
    found = []
    for radius, magnification, mirrored in ((30, 3600, False), (42, 5000, False), (56, 6700, False), (42, 5000, True)):
        made, rng = recipe(
            3, aperture_radius_px=radius, aperture_x_px=65, aperture_y_px=60, rows=126, columns=130,
            aperture_edge_px=1.0, beam_edge_px=1.4, blur_px=0.5,
        )  # fmt: skip
        pixels = simulate(made, rng).picture
        pixels = np.ascontiguousarray(pixels[:, ::-1]) if mirrored else pixels
        camera = "mirrored screen" if mirrored else "screen"
        frame = as_frame(pixels, state=State().updated("file", magnification=float(magnification), camera=camera))
        a = judge(frame).assessment
        sign = -1 if mirrored else 1
        found.append((sign * a.offset_x_percent, a.offset_y_percent, a.offset_percent_sigma))
        move = with_nudge(Context(), a, frame.state, Instrument(), now, kept).nudge
        assert (move is not None) == (magnification == 5000 and not mirrored)
    for x, y, sigma in found:
        assert x == pytest.approx(made.offset_x_percent, abs=4 * sigma)
        assert y == pytest.approx(made.offset_y_percent, abs=4 * sigma)


def test_sigma_falls_with_the_counts() -> None:
    """Sixteen times the electrons: a quarter of the doubt, as far as counting makes it (model doubt stays)."""
    sigmas = []
    for electrons in (400.0, 6400.0):
        made, rng = recipe(2, peak_electrons=electrons, read_noise=1.0, gain=1.0)
        sigmas.append(judge(as_frame(simulate(made, rng).picture)).assessment.offset_percent_sigma)
    assert 3.0 < sigmas[0] / sigmas[1] < 5.0


@few
@given(seed=st.integers(0, 40))
def test_working_score_falls_with_the_offset_of_a_symmetric_beam(seed: int) -> None:
    """The same picture's edges, its beam put ever farther off, in the plane of the aperture; no slope of the light."""
    from apertrue.assess.current import currents
    from apertrue.scene import BeamProfile

    rng = np.random.default_rng(seed)
    ratio, work = float(rng.uniform(0.5, 1.2)), float(rng.uniform(0.7, 1.5))
    profile = BeamProfile(1000.0, (float(rng.uniform(-0.6, 0.0)),))
    scores = []
    for d in np.linspace(0, 1.6, 6):
        p = np.array([60.0, 50.0, 40.0, 0, 0, 1.0, 60 + 40 * d, 50.0, 40.0 * ratio, 0, 0, 1.0])
        found = currents(p, profile, np.zeros((16, 16)), work)
        assert found.working_score is not None
        scores.append(found.working_score[0])
    assert scores[0] == pytest.approx(100, abs=1e-3)
    assert all(b <= a + 1e-3 for a, b in pairwise(scores))
    assert scores[-1] < scores[0] - 10
