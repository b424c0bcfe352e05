"""The overlay: marks where the edges are, words that fit, on small, large, odd and hopeless pictures."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageColor

from apertrue.advice import Advice
from apertrue.assessment import Assessment
from apertrue.frame import Frame
from apertrue.overlay import draw_marked, draw_overlay, overlay_name, save_overlay
from apertrue.overlay.arrow import LEAST, move_arrow
from apertrue.overlay.colors import APERTURE, BEAM, MOVE, UNKNOWN, VERDICTS
from apertrue.overlay.display import LARGEST, SMALLEST, displayed
from apertrue.overlay.marks import draw_marks
from apertrue.overlay.panel import _spelled, _wrapped
from apertrue.pipeline import Result
from apertrue.registry import SceneKind, Verdict
from apertrue.scene import Edge, Scene


def discs(shape: tuple[int, int], aperture: Edge, beam: Edge, halo: float = 0.02) -> np.ndarray:
    y, x = np.mgrid[: shape[0], : shape[1]]
    inside_a = np.hypot(x - aperture.x, y - aperture.y) < aperture.radius
    inside_b = np.hypot(x - beam.x, y - beam.y) < beam.radius
    return (100 + 20000 * inside_a * (halo + inside_b)).astype(np.uint16)


def result(
    shape: tuple[int, int] = (400, 400),
    offset: tuple[float, float] = (20.0, 0.0),
    radius: float = 150.0,
    **more: object,
) -> Result:
    aperture = Edge(shape[1] / 2, shape[0] / 2, radius)
    beam = Edge(aperture.x + offset[0], aperture.y + offset[1], 0.8 * radius)
    scene = Scene(
        SceneKind.BOTH_EDGES, 0.9, shape, aperture=aperture, beam=beam, halo_mean=400.0, background=100.0, core=20500.0
    )
    assessment = Assessment(
        file="a.tif",
        page=0,
        scene="both-edges",
        verdict="nudge",
        flags=(),
        offset_percent=13.3,
        offset_percent_sigma=0.2,
        offset_direction_deg=0.0,
        move_direction_deg=180.0,
    )
    advice = Advice(Verdict.NUDGE, (), sentences=("Move it a little.",))
    return replace(Result(Frame(discs(shape, aperture, beam)), scene, assessment, advice), **more)


def near(image: Image.Image, color: str, tolerance: int = 60) -> np.ndarray:
    """(rows, columns) where the picture has about this color."""
    rgb = np.asarray(image.convert("RGB")).astype(int)
    return np.abs(rgb - np.array(ImageColor.getrgb(color))).max(axis=2) < tolerance


def test_edges_are_drawn_where_they_lie() -> None:
    image = draw_marked(result())
    scale = image.width / 400
    for color, x, radius in ((APERTURE, 200.0, 150.0), (BEAM, 220.0, 120.0)):
        rows, columns = np.nonzero(near(image, color))
        distance = np.hypot((columns + 0.5) / scale - 0.5 - x, (rows + 0.5) / scale - 0.5 - 200.0)
        on_edge = np.abs(distance - radius) < 2.5
        assert on_edge.sum() > 300
        # What else has the color is the center's cross.
        assert (on_edge | (distance < 15)).mean() > 0.97


def test_the_aperture_is_dashed_and_the_beam_is_not() -> None:
    image = draw_marked(result())
    scale = image.width / 400

    def covered(color: str, x: float, radius: float) -> float:
        rows, columns = np.nonzero(near(image, color, 90))
        angle = np.degrees(np.arctan2((rows + 0.5) / scale - 0.5 - 200, (columns + 0.5) / scale - 0.5 - x)) % 360
        distance = np.hypot((columns + 0.5) / scale - 0.5 - x, (rows + 0.5) / scale - 0.5 - 200)
        return len(np.unique(angle[np.abs(distance - radius) < 3].astype(int))) / 360

    assert covered(BEAM, 220.0, 120.0) > 0.95
    assert 0.4 < covered(APERTURE, 200.0, 150.0) < 0.85


def test_the_arrow_points_where_the_beam_has_to_go() -> None:
    image = draw_marked(result(offset=(40.0, 0.0)))
    rows, columns = np.nonzero(near(image, MOVE))
    scale = image.width / 400
    assert columns.min() / scale == pytest.approx(200, abs=4)
    assert columns.max() / scale == pytest.approx(240, abs=4)
    # The head is at the left end: there the arrow is tallest.
    shaft = columns[columns < 230 * scale]
    heights = {int(c): np.ptp(rows[columns == c]) for c in np.unique(shaft)}
    assert max(heights, key=lambda c: heights[c]) / scale < 215


def test_without_a_known_direction_there_is_no_arrow() -> None:
    plain = result()
    image = draw_marked(replace(plain, assessment=replace(plain.assessment, move_direction_deg=None)))
    assert not near(image, MOVE, 40).any()


@pytest.mark.parametrize(
    ("shape", "radius"),
    [((64, 64), 20.0), ((1500, 2500), 600.0), ((2000, 300), 120.0), ((500, 500), 40.0)],
)
def test_any_size_becomes_a_readable_size(shape: tuple[int, int], radius: float) -> None:
    image = draw_overlay(result(shape, (3.0, 2.0), radius))
    assert image.width >= 300
    assert max(draw_marked(result(shape, (3.0, 2.0), radius)).size) in (SMALLEST, LARGEST) or max(shape) <= LARGEST
    assert image.height > 150


def test_a_faint_surround_shows_beside_the_core() -> None:
    shown = displayed(result().frame, result().scene, (0, 0, 400, 400), 1.0)
    dark, surround, core = int(shown[10, 10]), int(shown[200, 60]), int(shown[200, 220])
    assert dark < 10
    assert 40 < surround < 130
    assert core > 220


@pytest.mark.parametrize(
    "pixels",
    [
        np.zeros((50, 60)),
        np.full((50, 60), np.nan),
        np.full((50, 60), 7, np.int32) * -1,
        np.where(np.arange(3000).reshape(50, 60) % 7 == 0, np.inf, 1.0),
        np.random.default_rng(1).normal(0, 1e-30, (50, 60)),
        np.random.default_rng(1).normal(0, 1e30, (50, 60)),
    ],
    ids=["zero", "nan", "negative", "infinite", "tiny", "huge"],
)
def test_hopeless_pictures_are_drawn_all_the_same(pixels: np.ndarray) -> None:
    scene = Scene(SceneKind.DARK, 0.9, pixels.shape)
    assessment = Assessment(file="x.tif", page=0, scene="dark", verdict="retake", flags=())
    image = draw_overlay(Result(Frame(pixels), scene, assessment, Advice(Verdict.RETAKE, ())))
    assert image.mode == "RGB"


def test_an_edge_of_unknown_owner_has_a_color_of_its_own() -> None:
    plain = result()
    scene = Scene(SceneKind.ONE_EDGE, 0.8, (400, 400), edge=plain.scene.aperture)
    image = draw_marked(replace(plain, scene=scene))
    assert near(image, UNKNOWN).sum() > 300
    assert not near(image, APERTURE, 40).any()


def test_an_edge_far_outside_the_frame_does_no_harm() -> None:
    plain = result()
    far = replace(plain.scene, beam=Edge(-5000.0, 9000.0, 30.0), aperture=Edge(1e6, -1e6, 5e5))
    assert draw_overlay(replace(plain, scene=far)).width >= 460


def test_colors_are_told_apart_by_color_blind_eyes() -> None:
    """Lightness alone (as in full color blindness) separates what lies on one ground; hues are Okabe and Ito's."""

    def lightness(color: str) -> float:
        r, g, b = (c / 255 for c in ImageColor.getrgb(color))
        return 0.2126 * r**2.2 + 0.7152 * g**2.2 + 0.0722 * b**2.2

    assert lightness(MOVE) - lightness(BEAM) > 0.25
    assert set(VERDICTS) == set(Verdict)


@pytest.mark.parametrize(
    ("text", "drawn"),
    [("5 − 3 × µ σ → ≤ —", "5 - 3 x u sigma to <= -"), ("Zürich é", "Zurich e"), ("名", "?"), ("± ° · …", "± ° · ...")],
)
def test_words_are_spelled_in_letters_that_the_font_has(text: str, drawn: str) -> None:
    assert _spelled(text).replace("…", "...") == drawn


def test_long_words_are_cut_and_lines_fit() -> None:
    from PIL import ImageFont

    font = ImageFont.load_default(15)
    lines = _wrapped("a fairly long sentence with one " + "x" * 300 + " in it", font, 200)
    assert all(font.getlength(line) <= 200 for line in lines)
    assert "".join(lines).count("x") == 300


def test_names_of_overlays_never_collide() -> None:
    taken: set[str] = set()
    names = [
        overlay_name(f, p, taken)
        for f, p in (("a/x.tif", 0), ("b/x.tif", 0), ("b/X.TIF", 0), ("x.tif", 2), (None, None))
    ]
    assert len({n.casefold() for n in names}) == 5
    assert all(n.endswith(".overlay.png") for n in names)
    assert overlay_name('we:ird?"<.tif', 0, set()) == "we_ird___.tif.overlay.png"


def test_saving_makes_the_folder(tmp_path: Path) -> None:
    path = save_overlay(result(), tmp_path / "new" / "folder", set())
    with Image.open(path) as image:
        assert image.format == "PNG"


@pytest.mark.parametrize("far", [0.5, 4.0, 40.0])
def test_the_arrow_never_passes_its_target(far: float) -> None:
    """An arrow beyond the aperture's center would tell to move too far; a short one is drawn longer behind the beam."""
    arrow = move_arrow((100.0 + 0.6 * far, 50.0 - 0.8 * far), (100.0, 50.0), 150.0)
    assert arrow is not None
    assert arrow.tip == (100.0, 50.0)
    length = np.hypot(arrow.tail[0] - 100.0, arrow.tail[1] - 50.0)
    assert length == pytest.approx(max(far, LEAST * 150.0))
    assert arrow.lengthened is (far < LEAST * 150.0)
    assert ("longer" in arrow.words) is arrow.lengthened
    # Tail, beam and tip lie on one line, the beam between or at the tail.
    assert (arrow.tail[0] - 100.0) / length == pytest.approx(0.6)
    assert move_arrow((1.0, 2.0), (1.0, 2.0), 10.0) is None


@pytest.mark.parametrize("offset", [(40.0, 0.0), (4.0, 0.0)])
def test_the_arrow_drawn_ends_at_the_apertures_center(offset: tuple[float, float]) -> None:
    image = draw_marked(result(offset=offset))
    _, columns = np.nonzero(near(image, MOVE))
    assert columns.min() / (image.width / 400) == pytest.approx(200, abs=2.5)


def test_on_white_the_arrow_has_a_dark_rim() -> None:
    one = result(offset=(40.0, 0.0))
    white = Image.new("RGB", (640, 640), "white")
    drawn, _ = draw_marks(white, one.scene, one.assessment, 1.6)
    rows, columns = np.nonzero(near(drawn, MOVE))
    middle = int(np.median(columns))
    edge = rows[columns == middle].min()
    assert np.asarray(drawn)[edge - 3 : edge, middle].min() < 60
