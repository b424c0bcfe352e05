"""Pictures with more about the aperture than the dark: a window's panels, a screen's rim in a lit room, a bright halo."""

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.scenes.drawn import one
from scipy.ndimage import rotate
from scipy.special import ndtr

from apertrue.frame import as_frame
from apertrue.locate.elsewhere import light_elsewhere, others_elsewhere
from apertrue.locate.marks import drawn_strokes, outshine
from apertrue.locate.reduce import reduce_picture
from apertrue.locate.solution import Solution
from apertrue.locate.solve import fine
from apertrue.locate.support import plainly, shows
from apertrue.locate.viewport import viewport
from apertrue.pipeline import judge
from apertrue.registry import SceneKind
from apertrue.scene import Edge, Noise, Scene

APERTURE, BEAM = (200.0, 190.0, 90.0), (178.0, 179.0, 58.0)
CLIPPED = (150.0, 150.0, 62.0)


def disc(shape: tuple[int, int], x: float, y: float, radius: float, blur: float = 1.0) -> np.ndarray:
    """1 inside, 0 outside, with a blurred edge."""
    r = np.hypot(np.arange(shape[1])[None, :] - x, np.arange(shape[0])[:, None] - y)
    return np.asarray(ndtr((radius - r) / blur))


def view(
    halo: float = 0.12,
    beam: tuple[float, float, float] = BEAM,
    shape: tuple[int, int] = (380, 400),
    background: float = 0.02,
    seed: int = 3,
) -> np.ndarray:
    """A camera's picture, 0 to about 1, with the noise of 400 counts."""
    lit = disc(shape, *APERTURE)
    light = background + halo * lit + (1 - halo - background) * disc(shape, *beam) * lit
    return np.random.default_rng(seed).poisson(400 * light) / 400


def shown(light: np.ndarray, gamma: float = 1.0) -> np.ndarray:
    """As a display shows it, 8 bits."""
    return np.rint(255 * np.clip(light, 0, 1) ** gamma).astype(np.uint8)


def window(inside: np.ndarray, plain: int, left: int, top: int, right: int, bottom: int) -> np.ndarray:
    """A screenshot: the picture with panels of one level about it, and buttons in the left one."""
    rows, columns = inside.shape
    out = np.full((rows + top + bottom, columns + left + right), plain, np.uint8)
    out[top : top + rows, left : left + columns] = inside
    for k in range(4):
        y, x = top + 20 + 40 * k, 15
        out[y : y + 24, x : x + left - 30] = 255 - plain // 2
        out[y + 2 : y + 22, x + 2 : x + left - 32] = plain
    return out


def told(pixels: np.ndarray, origin: tuple[int, int], beam: tuple[float, float, float], kind: SceneKind) -> None:
    """Both discs are where they were drawn, to four sigmas or to 1 % of the aperture."""
    result = judge(as_frame(pixels))
    assert result.scene.kind is kind
    a = result.assessment
    offset = [100 * (b - c) / APERTURE[2] for b, c in zip(beam[:2], APERTURE[:2], strict=True)]
    for value, sigma, true, scale in (
        (a.aperture_x_px, a.aperture_x_px_sigma, APERTURE[0] + origin[0], 0.9),
        (a.aperture_y_px, a.aperture_y_px_sigma, APERTURE[1] + origin[1], 0.9),
        (a.beam_x_px, a.beam_x_px_sigma, beam[0] + origin[0], 0.9),
        (a.beam_y_px, a.beam_y_px_sigma, beam[1] + origin[1], 0.9),
        (a.offset_x_percent, a.offset_x_percent_sigma, offset[0], 1.0),
        (a.offset_y_percent, a.offset_y_percent_sigma, offset[1], 1.0),
    ):
        assert value == pytest.approx(true, abs=max(4 * sigma, 0.3 * scale))


# --- a window's panels ---------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("plain", [245, 110, 48])
def test_a_picture_between_wide_panels_is_read(plain: int) -> None:
    pixels = window(shown(view()), plain, 330, 40, 70, 25)
    told(pixels, (330, 40), BEAM, SceneKind.BOTH_EDGES)


def test_the_viewport_is_found_to_the_blended_lines() -> None:
    left, top, right, bottom = viewport(window(shown(view()), 200, 300, 40, 60, 30)) or (0, 0, 0, 0)
    assert (left, top, right, bottom) == (302, 42, 698, 418)


def test_so_it_is_in_a_compressed_screenshot() -> None:
    import io

    import imageio.v3 as iio

    drawn = window(shown(view()), 90, 300, 40, 60, 30)
    file = io.BytesIO()
    iio.imwrite(file, drawn, extension=".jpg", quality=75)
    found = viewport(iio.imread(file.getvalue(), extension=".jpg"), lossy=True)
    assert found is not None
    assert np.abs(np.array(found) - (302, 42, 698, 418)).max() <= 4  # the compression's fringes


@pytest.mark.parametrize("level", [0, 40])
def test_a_disc_on_a_plain_dark_level_is_no_viewport(level: int) -> None:
    pixels = np.maximum(shown(view(background=0.0)), level).astype(np.uint8)
    assert viewport(pixels) is None


def test_nor_is_a_picture_of_noise_or_one_level() -> None:
    assert viewport(np.random.default_rng(0).integers(0, 255, (300, 300)).astype(np.uint8)) is None
    assert viewport(np.full((64, 64), 7, np.uint8)) is None
    assert viewport(np.full((64, 64), np.nan)) is None
    assert viewport(np.zeros((12, 12), np.uint8)) is None


def test_nor_a_slanted_rectangle() -> None:
    y, x = np.mgrid[0:300, 0:400]
    inside = (np.abs((x - 200) + 0.2 * (y - 150)) < 90) & (np.abs((y - 150) - 0.2 * (x - 200)) < 80)
    pixels = np.where(inside, np.random.default_rng(1).integers(0, 90, (300, 400)), 128).astype(np.uint8)
    assert viewport(pixels) is None


def test_a_dark_view_in_a_light_window_is_found_though_its_own_dark_is_the_commonest_level() -> None:
    inside = shown(view())
    inside[inside < 14] = 5
    pixels = window(inside, 240, 70, 40, 30, 25)
    assert np.median(pixels) < 40
    assert viewport(pixels) == (72, 42, 468, 418)
    told(pixels, (70, 40), BEAM, SceneKind.BOTH_EDGES)


# --- a bright halo -------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("beam", "kind"), [(BEAM, SceneKind.BOTH_EDGES), (CLIPPED, SceneKind.CLIPPED)])
@pytest.mark.parametrize("halo", [0.2, 0.3])
def test_a_beam_in_a_halo_more_than_half_as_bright_on_the_screen(
    halo: float, beam: tuple[float, float, float], kind: SceneKind
) -> None:
    """A display's gamma lifts a halo of a fifth to half of the beam."""
    told(shown(view(halo, beam), 1 / 2.2), (0, 0), beam, kind)


# --- a rim about it ------------------------------------------------------------------------------------------------------
def photo(reach: float = 0.0, rim: float = 0.35, others: tuple[tuple[float, float, float], ...] = ()) -> np.ndarray:
    """The view in a larger dark plate with a bright ring about it, its own or other discs beside it."""
    shape = (760, 800)
    light = np.full(shape, 0.02)
    light[190:570, 200:600] = view(0.25, CLIPPED)
    if reach:
        light += rim * (disc(shape, 400.0, 380.0, reach + 40) - disc(shape, 400.0, 380.0, reach))
    for other in others:
        light += 0.8 * disc(shape, *other)
    return shown(light + np.random.default_rng(4).normal(0, 0.01, shape), 1 / 2.2)


@pytest.mark.parametrize("rim", [0.2, 0.35])
def test_the_rim_of_a_screen_in_a_lit_room_does_not_hide_the_aperture(rim: float) -> None:
    told(photo(300.0, rim), (200, 190), CLIPPED, SceneKind.CLIPPED)


def scene_of(pixels: np.ndarray) -> Scene:
    """The scene of :func:`photo` as it would be found around the aperture alone."""
    at = Edge(APERTURE[0] + 200, APERTURE[1] + 190, APERTURE[2])
    beam = Edge(CLIPPED[0] + 200, CLIPPED[1] + 190, CLIPPED[2])
    plain = Scene(SceneKind.CLIPPED, 1.0, pixels.shape, background=43.0, core=250.0)
    return replace(plain, aperture=at, beam=beam)


def test_discs_as_large_as_the_beam_speak_against_it_and_a_ring_does_not() -> None:
    ring, discs = photo(300.0), photo(others=((120.0, 120.0, 60.0), (650.0, 620.0, 60.0)))
    assert light_elsewhere(scene_of(ring), ring)
    assert not others_elsewhere(scene_of(ring), ring)
    assert light_elsewhere(scene_of(discs), discs)
    assert others_elsewhere(scene_of(discs), discs)
    alone = photo()
    assert not light_elsewhere(scene_of(alone), alone)
    assert not others_elsewhere(scene_of(alone), alone)
    assert not others_elsewhere(replace(scene_of(discs), beam=None), discs)
    assert not light_elsewhere(replace(scene_of(discs), aperture=None), discs)


@pytest.mark.parametrize("size", [(12, 300), (30, 30)])
def test_neither_do_bars_and_letters(size: tuple[int, int]) -> None:
    pixels = photo()
    pixels[40 : 40 + size[0], 60 : 60 + size[1]] = 255
    assert not others_elsewhere(scene_of(pixels), pixels)


# --- a second disc -------------------------------------------------------------------------------------------------------
def test_a_second_disc_as_large_as_the_beam_is_no_alignment_view() -> None:
    counts = np.random.default_rng(5).poisson(20.0, (760, 800)).astype(float)
    counts[190:570, 200:600] = 1000 * view(0.1)
    told((counts + 100).astype(np.uint16), (200, 190), BEAM, SceneKind.BOTH_EDGES)
    counts += 900 * disc(counts.shape, 620.0, 600.0, 50.0)
    result = judge(as_frame((counts + 100).astype(np.uint16)))
    assert result.scene.kind is SceneKind.OTHER_VIEW
    assert result.assessment.offset_percent is None


@pytest.mark.parametrize("size", [(12, 240), (12, 12), (40, 90)])
def test_bright_rectangles_beside_the_view_do_no_harm(size: tuple[int, int]) -> None:
    counts = np.random.default_rng(5).poisson(20.0, (760, 800)).astype(float)
    counts[190:570, 200:600] = 1000 * view(0.1)
    counts[30 : 30 + size[0], 40 : 40 + size[1]] = 900
    told((counts + 100).astype(np.uint16), (200, 190), BEAM, SceneKind.BOTH_EDGES)


# --- a monitor, a screen's haze, a turned picture -----------------------------------------------------------------------------
@pytest.mark.parametrize(("group", "k"), [("monitor", 0), ("monitor", 4), ("haze", 1), ("light-window", 4)])
def test_what_a_photograph_or_a_window_puts_about_the_view(group: str, k: int) -> None:
    """Drawings of the benchmark that were refused once: a monitor's frame and the room, a screen's haze, light panels."""
    case = one(group, f"{group}-{k}", np.random.default_rng([77, k]))
    a = judge(case.frame()).assessment
    assert a.scene == "both-edges"
    for name in ("offset_x_percent", "offset_y_percent"):
        assert getattr(a, name) == pytest.approx(case.truth[name], abs=max(4 * getattr(a, f"{name}_sigma"), 0.3))


def test_a_picture_turned_in_its_file_keeps_its_black_corners_to_itself() -> None:
    counts = (1000 * view(0.12) + 300).astype(np.float32)
    turned = rotate(counts, 20.0, reshape=True, order=1).astype(np.uint16)
    a = judge(as_frame(turned)).assessment
    assert a.scene == "both-edges"
    true = 100 * np.hypot(BEAM[0] - APERTURE[0], BEAM[1] - APERTURE[1]) / APERTURE[2]
    assert a.offset_percent == pytest.approx(true, abs=max(4 * a.offset_percent_sigma, 0.3))


def test_a_beams_sharp_bright_rim_is_no_drawn_stroke() -> None:
    shape = (510, 510)
    depth = 120.0 - np.hypot(np.arange(510)[None, :] - 245.0, np.arange(510)[:, None] - 250.0)
    beam = disc(shape, 245.0, 250.0, 120.0, 0.3) * (0.45 + 0.75 * np.exp(-depth.clip(0) / 2.5))
    light = 0.02 + disc(shape, 255.0, 250.0, 200.0, 0.8) * (0.15 + 0.85 * beam)
    pixels = shown(1.15 * (light + np.random.default_rng(7).normal(0, 0.004, shape)))
    strokes = drawn_strokes(pixels)
    assert strokes is not None
    assert outshine(pixels, strokes)
    a = judge(as_frame(pixels)).assessment
    assert a.scene == "both-edges"
    assert a.offset_x_percent == pytest.approx(-5.0, abs=max(4 * a.offset_x_percent_sigma, 0.1))
    assert a.offset_y_percent == pytest.approx(0.0, abs=max(4 * a.offset_y_percent_sigma, 0.1))


# --- what shows nowhere -------------------------------------------------------------------------------------------------------
def test_an_edge_that_shows_nowhere_is_told_from_a_faint_one() -> None:
    def fitted(halo: float) -> Solution:
        pixels = (1000 * view(halo)).astype(np.float64)
        reduced = reduce_picture(pixels)
        edges = [np.array([*e, 0.0, 0.0, 1.0]) for e in (APERTURE, BEAM)]
        pair = fine(pixels, reduced, Noise(0.0, 1.0, 2.5), edges[0], edges[1], 1000.0, placed=True)
        assert pair is not None
        return pair

    faint, bare = fitted(0.01), fitted(0.0)
    assert shows(faint.fit, faint.cells, (380, 400))
    assert not shows(bare.fit, bare.cells, (380, 400))
    clear = fitted(0.1)
    assert plainly(clear.fit, clear.cells, (380, 400))
    assert not plainly(bare.fit, bare.cells, (380, 400))
