"""Edges and light of real instruments that no ellipse and no polynomial follow: drawn here, not by the simulator."""

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.scenes import worn
from benchmarks.scenes.case import children
from scipy.special import ndtr

from apertrue.frame import Frame, as_frame
from apertrue.locate import readings
from apertrue.locate.bands import line_offsets
from apertrue.locate.marks import is_drawn
from apertrue.pipeline import judge

Array = np.ndarray
SIDE = 640


def disc(
    x: float, y: float, radius: float, width: float, lobes: dict[int, float] | None = None, side: int = SIDE
) -> Array:
    """A disc's light, 1 inside; ``lobes``: amplitude (px) of each number of periods a turn. Blurred step of 1σ ``width``."""
    u, v = np.arange(side)[None, :] - x, np.arange(side)[:, None] - y
    turned = np.arctan2(v, u)
    outline = radius + sum(a * np.cos(k * turned + 0.7 * k) for k, a in (lobes or {}).items())
    return np.asarray(ndtr((outline - np.hypot(u, v)) / width))


def tailed(x: float, y: float, radius: float, width: float, side: int = SIDE) -> Array:
    """A disc whose edge has the tails of a Lorentzian (half width at half maximum ``width``)."""
    u, v = np.arange(side)[None, :] - x, np.arange(side)[:, None] - y
    return np.asarray(0.5 + np.arctan((radius - np.hypot(u, v)) / width) / np.pi)


def counted(light: Array, peak: float, seed: int = 3) -> Array:
    """16 bits with shot and read noise."""
    rng = np.random.default_rng(seed)
    return np.clip(np.rint(200 + rng.poisson(light * peak) + rng.normal(0, 3, light.shape)), 0, 65535).astype(np.uint16)


def offset(pixels: Array | Frame) -> tuple[float, float, float, float]:
    """Offset and 1σ, x and y, % of the aperture radius."""
    a = judge(pixels if isinstance(pixels, Frame) else as_frame(pixels)).assessment
    assert a.offset_x_percent is not None, (a.scene, a.reasons)
    return a.offset_x_percent, a.offset_x_percent_sigma, a.offset_y_percent, a.offset_y_percent_sigma


def lobed(peak: float = 50_000) -> Array:
    """A worn aperture, 1.1 % (rms) out of round in three to five lobes, and a round beam."""
    aperture = disc(330.0, 310.0, 240.0, 0.8, {3: 2.8, 4: 1.6, 5: 2.0})
    beam = disc(345.0, 300.0, 130.0, 1.5)
    return counted(0.01 + aperture * (0.08 + 0.9 * beam), peak)


def test_a_lobed_aperture_is_read():
    x, sx, y, sy = offset(lobed())
    assert x == pytest.approx(100 * 15 / 240, abs=4 * sx)
    assert y == pytest.approx(100 * -10 / 240, abs=4 * sy)
    assert max(sx, sy) < 1.0


def test_it_is_read_for_its_lobes_alone(monkeypatch):
    monkeypatch.setattr(readings, "without_lobes", lambda pair, noise, contrast: pair)
    assert judge(as_frame(lobed())).assessment.offset_x_percent is None


def test_a_ragged_edge_is_none():
    """Five percent out of round is a torn hole."""
    aperture = disc(330.0, 310.0, 220.0, 1.2, {3: 9.0, 4: 8.0, 5: 7.0})
    pixels = counted(0.01 + aperture * (0.08 + 0.9 * disc(345.0, 300.0, 130.0, 1.5)), 20_000)
    assert judge(as_frame(pixels)).assessment.offset_x_percent is None


def lens(peak: float = 20_000) -> Array:
    """A beam cut by the aperture to a quarter of its edge; its edge has a Lorentzian's tails, its light a bright core."""
    beam = tailed(400.0, 270.0, 250.0, 3.0)
    u, v = np.arange(SIDE)[None, :] - 400.0, np.arange(SIDE)[:, None] - 270.0
    core = 0.7 + 0.5 * np.exp(-0.5 * (u**2 + v**2) / 90.0**2)
    return counted(0.01 + disc(310.0, 330.0, 200.0, 2.0) * (0.06 + 0.8 * beam * core), peak)


def test_a_short_arc_is_as_round_as_the_long_one(monkeypatch):
    frame = as_frame(lens())
    x, sx, y, sy = offset(frame)
    assert np.hypot(x - 45.0, y + 30.0) < 1.0
    assert 1.0 < max(sx, sy) < 8.0  # how round it may be is in the doubt
    a = judge(frame).assessment
    assert a.clipped_fraction is None  # nobody knows its light where it is hidden
    assert a.score is None
    monkeypatch.setattr(readings, "held_round", lambda *_, **__: None)
    x, _, y, _ = offset(frame)
    assert np.hypot(x - 45.0, y + 30.0) > 3.0


def test_a_beams_own_bright_core_is_no_other_light():
    u, v = np.arange(SIDE)[None, :] - 352.0, np.arange(SIDE)[:, None] - 300.0
    core = 0.5 + 0.5 * np.exp(-0.5 * (u**2 + v**2) / 14.0**2)
    light = 0.01 + disc(330.0, 310.0, 240.0, 1.2) * (0.05 + disc(352.0, 300.0, 55.0, 1.5) * core)
    x, sx, y, sy = offset(counted(light, 20_000))
    assert x == pytest.approx(100 * 22 / 240, abs=4 * sx)
    assert y == pytest.approx(100 * -10 / 240, abs=4 * sy)


def small_beam() -> Array:
    """A beam of a quarter of the aperture's radius, 0 to 1."""
    return 0.01 + disc(330.0, 280.0, 200.0, 1.2) * (0.06 + 0.85 * disc(352.0, 270.0, 50.0, 1.5))


def test_text_and_a_scale_bar_beside_a_small_beam_are_no_other_light():
    from PIL import Image, ImageDraw, ImageFont

    drawn = Image.new("L", (SIDE, SIDE), 0)
    pen = ImageDraw.Draw(drawn)
    pen.text((20, 590), "HT 200 kV  F +0.31", fill=180, font=ImageFont.load_default(size=18))
    pen.rectangle((480, 605, 610, 611), fill=180)
    marks = np.asarray(drawn)
    pixels = np.rint(255 * small_beam() + np.random.default_rng(4).normal(0, 1.5, (SIDE, SIDE)))
    pixels = np.clip(np.where(marks > 90, marks, pixels), 0, 255).astype(np.uint8)
    a = judge(as_frame(pixels)).assessment
    assert a.offset_x_percent == pytest.approx(11.0, abs=4 * a.offset_x_percent_sigma)
    assert a.offset_y_percent == pytest.approx(-5.0, abs=4 * a.offset_y_percent_sigma)
    assert "overlay" in a.flags


def test_a_second_spot_beside_a_small_beam_is_other_light():
    light = small_beam() + 0.8 * disc(560.0, 570.0, 20.0, 1.5)
    assert judge(as_frame(counted(light, 5_000))).assessment.offset_x_percent is None


def test_what_is_drawn_is_thin_and_straight():
    blocks = np.zeros((16, 16), dtype=bool)
    blocks[3:6, 2:13] = True
    strokes, spot = np.zeros((128, 128)), np.zeros((128, 128))
    for k in range(18, 100, 6):
        strokes[26:44, k : k + 2] = 200.0
    spot[24:48, 20:44] = 200.0
    assert is_drawn(strokes, blocks, 8, 9.0)
    assert not is_drawn(spot, blocks, 8, 9.0)
    strokes[26:44, 18:36] = 200.0  # a spot among them
    assert not is_drawn(strokes, blocks, 8, 9.0)
    assert not is_drawn(np.zeros((128, 128)), blocks, 8, 9.0)


@pytest.mark.parametrize("periods", [9, 24])
def test_hum_is_taken_off_and_told_from_light(periods):
    rows = np.sin(2 * np.pi * periods * np.arange(SIDE) / SIDE)
    light = 200.0 * small_beam() + 4.0 * rows[:, None]
    pixels = np.clip(np.rint(20 + light + np.random.default_rng(5).normal(0, 2, (SIDE, SIDE))), 0, 255).astype(np.uint8)
    found = line_offsets(pixels, 180.0)
    assert found is not None
    assert found - found.mean() == pytest.approx(4.0 * rows, abs=1.5)
    x, sx, y, sy = offset(pixels)
    assert x == pytest.approx(11.0, abs=4 * sx)
    assert y == pytest.approx(-5.0, abs=4 * sy)


def test_a_slope_or_one_swell_of_the_background_is_no_hum():
    noise = np.random.default_rng(6).normal(0, 2, (SIDE, SIDE))
    for swell in (np.linspace(0, 6, SIDE), 6.0 * np.sin(2 * np.pi * np.arange(SIDE) / SIDE)):
        pixels = np.clip(np.rint(20 + 200 * small_beam() + swell[:, None] + noise), 0, 255).astype(np.uint8)
        assert line_offsets(pixels, 180.0) is None


def test_a_halo_that_fades_is_no_third_edge():
    """A power law from the beam outward: steep beside it, level farther out."""
    u, v = np.arange(SIDE)[None, :] - 352.0, np.arange(SIDE)[:, None] - 300.0
    beyond = np.maximum(np.hypot(u, v) / 60.0, 1.0)
    light = 0.01 + disc(330.0, 310.0, 240.0, 1.2) * (0.02 + 0.10 * beyond**-1.5 + 0.8 * disc(352.0, 300.0, 60.0, 1.0))
    x, sx, y, sy = offset(counted(light, 20_000))
    assert x == pytest.approx(100 * 22 / 240, abs=4 * sx)
    assert y == pytest.approx(100 * -10 / 240, abs=4 * sy)


def photographed(light: Array, seed: int = 8) -> Frame:
    """8 bits with a camera's gamma, as a photograph that was compressed."""
    from io import BytesIO

    from PIL import Image

    shown = 255 * np.clip(light + np.random.default_rng(seed).normal(0, 0.002, light.shape), 0, 1) ** (1 / 2.2)
    file = BytesIO()
    Image.fromarray(np.rint(shown).astype(np.uint8)).save(file, "JPEG", quality=85)
    file.seek(0)
    return replace(as_frame(np.asarray(Image.open(file))), lossy=True)


def screen() -> Array:
    """A screen's face with its bright rim, in a lit room."""
    u, v = np.arange(SIDE)[None, :] - 318.0, np.arange(SIDE)[:, None] - 322.0
    r = np.hypot(u, v)
    return np.asarray(0.012 + 0.03 * ndtr((285.0 - r) / 1.5) + 0.02 * np.exp(-0.5 * ((r - 283.0) / 4.0) ** 2))


def test_a_lens_on_a_photographed_screen_is_no_beam_within_the_rim():
    lens = disc(330.0, 310.0, 110.0, 1.5) * (0.10 + 0.8 * disc(385.0, 270.0, 95.0, 1.5))
    a = judge(photographed(screen() + lens)).assessment
    assert a.scene == "clipped"
    assert a.aperture_radius_px == pytest.approx(110.0, abs=2.0)
    assert a.offset_x_percent == pytest.approx(50.0, abs=4 * a.offset_x_percent_sigma)
    assert a.offset_y_percent == pytest.approx(-100 * 40 / 110, abs=4 * a.offset_y_percent_sigma)


def test_a_lamps_reflection_on_the_screen_is_no_other_disc():
    u, v = np.arange(SIDE)[None, :] - 480.0, np.arange(SIDE)[:, None] - 470.0
    glow = 0.16 * np.exp(-0.5 * (u**2 + v**2) / 30.0**2)
    both = disc(330.0, 310.0, 110.0, 1.5) * (0.10 + 0.8 * disc(340.0, 305.0, 60.0, 1.5))
    a = judge(photographed(screen() + glow + both)).assessment
    assert a.offset_x_percent == pytest.approx(100 * 10 / 110, abs=4 * a.offset_x_percent_sigma)
    assert a.offset_y_percent == pytest.approx(-100 * 5 / 110, abs=4 * a.offset_y_percent_sigma)


@pytest.mark.parametrize("number", [16, 39, 99])
def test_a_rim_that_explains_the_photograph_well_is_no_aperture(number):
    """Drawings of the benchmark in which a screen's rim was taken for the aperture: a lens on the screen, two with a gap."""
    rng = children(21, 120)[number]
    case = worn.one(worn.GROUPS[number % len(worn.GROUPS)], str(number), rng)
    a = judge(case.frame()).assessment
    assert a.offset_x_percent == pytest.approx(case.truth["offset_x_percent"], abs=4 * a.offset_x_percent_sigma)
    assert a.offset_y_percent == pytest.approx(case.truth["offset_y_percent"], abs=4 * a.offset_y_percent_sigma)
