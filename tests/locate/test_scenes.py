"""Simulated truth in all kinds: what is found, how far off, and what must not be said."""

import numpy as np
import pytest

from apertrue.frame import as_frame
from apertrue.locate import locate
from apertrue.pipeline import judge
from apertrue.registry import SceneKind
from apertrue.scene import Edge, Hints
from apertrue.simulate import Recipe, random_recipe, simulate

POSITIONS = ("aperture_x_px", "aperture_y_px", "aperture_radius_px", "beam_x_px", "beam_y_px", "beam_radius_px")


def shot(seed: int = 0, **values: object):
    return simulate(
        Recipe(rows=256, columns=256, aperture_radius_px=90.0).with_values(**values), np.random.default_rng(seed)
    )


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("kind", ["both-edges", "clipped"])
def test_clean_scenes_are_found_within_their_doubt(kind: str, seed: int) -> None:
    rng = np.random.default_rng([seed, len(kind)])
    picture = simulate(random_recipe(rng, kind, size=256), rng)
    a = judge(picture.frame).assessment
    assert a.scene in {str(k) for k in picture.truth.allowed_kinds}
    if a.offset_percent is None:  # a refusal is allowed, a false number is not
        return
    truth = picture.truth.values()
    for name in (*POSITIONS, "offset_x_percent", "offset_y_percent", "gap_percent", "clipped_fraction", "score"):
        value, sigma = getattr(a, name), getattr(a, name + "_sigma")
        if value is None:
            continue
        limit = {"clipped_fraction": 0.005, "score": 0.5}.get(name, 1.0)
        if name.endswith("_px"):
            limit = 0.01 * truth["aperture_radius_px"]
        assert abs(value - truth[name]) < max(4 * sigma, limit), name


def test_readable_scenes_are_hardly_refused() -> None:
    refused = 0
    for seed in range(24):
        rng = np.random.default_rng(500 + seed)
        picture = simulate(random_recipe(rng, ("both-edges", "clipped")[seed % 2], size=256), rng, truth=False)
        refused += judge(picture.frame).assessment.offset_percent is None
    assert refused <= 2


@pytest.mark.parametrize(
    ("values", "kinds"),
    [
        ({"peak_electrons": 0.0}, {"dark"}),
        ({"beam_ratio": 1.5, "halo_level": 0.0, "offset_x_percent": 3.0}, {"overfilled", "one-edge"}),
        ({"halo_level": 0.0, "beam_ratio": 0.7}, {"one-edge"}),
        ({"beam_ratio": 0.1, "offset_x_percent": 20.0}, {"crossover"}),
    ],
)
def test_other_kinds_carry_no_centering_numbers(values: dict[str, object], kinds: set[str]) -> None:
    a = judge(shot(**values).frame).assessment
    assert a.scene in kinds
    assert a.verdict == "retake"
    for name in ("gap_percent", "clipped_fraction", "score", "working_score"):
        assert getattr(a, name) is None
    if a.scene != "crossover":
        assert a.offset_percent is None


def test_noise_text_and_lattice_are_no_aperture() -> None:
    rng = np.random.default_rng(4)
    x, y = np.meshgrid(np.arange(256.0), np.arange(256.0))
    lattice = 1000 + 400 * np.cos(x / 4) * np.cos(y / 5) + rng.normal(0, 20, x.shape)
    noise = rng.normal(100, 5, x.shape)
    for pixels in (lattice, noise, np.full((64, 64), 7.0), np.eye(128) * 100):
        a = judge(as_frame(pixels)).assessment
        assert a.scene in {"other-view", "dark"}
        assert a.offset_percent is None


def test_lens_without_halo_has_no_sign() -> None:
    a = judge(shot(halo_level=0.0, beam_ratio=1.0, offset_x_percent=30.0).frame).assessment
    assert a.offset_x_percent is None
    assert a.offset_direction_deg is None
    assert a.verdict == "retake"


def test_known_radius_gives_the_lens_its_sign() -> None:
    picture = shot(halo_level=0.0, beam_ratio=1.25, offset_x_percent=45.0, offset_y_percent=0.0)
    a = judge(picture.frame, hints=Hints(aperture_radius_px=90.0)).assessment
    assert a.offset_x_percent == pytest.approx(45.0, abs=1.0)


def test_a_radius_known_too_badly_leaves_the_lens_without_sign() -> None:
    """Both discs' radii lie within 2.5 σ of what is known."""
    picture = shot(halo_level=0.0, beam_ratio=1.25, offset_x_percent=45.0, offset_y_percent=0.0)
    a = judge(picture.frame, hints=Hints(aperture_radius_px=90.0, aperture_radius_sigma=0.1)).assessment
    assert a.offset_x_percent is None
    assert a.offset_direction_deg is None


def test_known_radius_tells_an_overfilled_aperture_and_a_lone_beam() -> None:
    over = shot(beam_ratio=1.6, halo_level=0.0, offset_x_percent=2.0)
    assert locate(over.frame, Hints(aperture_radius_px=90.0)).kind is SceneKind.OVERFILLED
    alone = shot(beam_ratio=0.6, halo_level=0.0)
    scene = locate(alone.frame, Hints(aperture_radius_px=90.0))
    assert scene.kind is SceneKind.BEAM_ONLY
    assert scene.aperture is None


def test_remembered_aperture_gives_a_lone_beam_its_offset() -> None:
    picture = shot(beam_ratio=0.6, halo_level=0.0, offset_x_percent=10.0, offset_y_percent=0.0)
    truth = picture.truth.values()
    center = picture.recipe.center
    hints = Hints(aperture=Edge(center[0], center[1], 90.0), aperture_sigma_px=0.3)
    a = judge(picture.frame, hints=hints).assessment
    assert a.scene == "beam-only"
    assert a.aperture_source == "remembered"
    assert a.offset_x_percent == pytest.approx(10.0, abs=4 * a.offset_x_percent_sigma)
    assert a.beam_radius_px == pytest.approx(truth["beam_radius_px"], abs=0.2)


def test_gain_and_bias_change_nothing() -> None:
    picture = shot(seed=2).frame.pixels.astype(float)
    a = judge(as_frame(picture)).assessment
    b = judge(as_frame(picture * 7.5 + 1234.0)).assessment
    for name in (*POSITIONS, "offset_percent", "score"):
        assert getattr(b, name) == pytest.approx(getattr(a, name), abs=0.2 * getattr(a, name + "_sigma") + 1e-4)


@pytest.mark.parametrize("turn", [1, 2, 3])
def test_a_turned_picture_turns_its_offset(turn: int) -> None:
    picture = shot(seed=3, offset_x_percent=12.0, offset_y_percent=5.0).frame.pixels
    a = judge(as_frame(picture)).assessment
    b = judge(as_frame(np.rot90(picture, turn).copy())).assessment
    expected = (a.offset_direction_deg + 90.0 * turn) % 360.0
    assert (b.offset_direction_deg - expected + 180) % 360 - 180 == pytest.approx(
        0.0, abs=2 * a.offset_direction_deg_sigma
    )
    assert b.offset_percent == pytest.approx(a.offset_percent, abs=2 * a.offset_percent_sigma)


def test_directions_are_those_of_the_screen() -> None:
    a = judge(shot(offset_x_percent=0.0, offset_y_percent=-15.0).frame).assessment  # y down: the beam lies above
    assert a.offset_direction_deg == pytest.approx(90.0, abs=1.0)
    assert a.move_direction_deg == pytest.approx(270.0, abs=1.0)


def test_tilted_view_is_made_round_first() -> None:
    picture = shot(view_tilt_deg=30.0, view_axis_deg=20.0, offset_x_percent=8.0, offset_y_percent=6.0, beam_ratio=0.8)
    a = judge(picture.frame).assessment
    assert "tilted-view" in (a.flags or ())
    assert "elliptical" not in (a.flags or ())
    assert a.offset_percent == pytest.approx(10.0, abs=0.3)


def test_inverted_picture_is_read_the_other_way_round() -> None:
    picture = shot(seed=5).frame.pixels
    a = judge(as_frame(picture)).assessment
    b = judge(as_frame(picture.max() - picture)).assessment
    assert b.scene == a.scene
    assert b.offset_percent == pytest.approx(a.offset_percent, abs=0.05)


def test_region_keeps_the_picture_s_coordinates() -> None:
    picture = shot(seed=6)
    x, y = picture.recipe.center
    region = (x - 110, y - 112, x + 112, y + 110)
    whole, part = locate(picture.frame), locate(picture.frame, Hints(region=region))
    assert whole.aperture is not None
    assert part.aperture is not None
    assert part.aperture.x == pytest.approx(whole.aperture.x, abs=0.2)
    assert part.aperture.y == pytest.approx(whole.aperture.y, abs=0.2)


def test_a_user_s_start_is_said() -> None:
    picture = shot(seed=7)
    truth = picture.truth.values()
    start = Edge(truth["aperture_x_px"] + 4, truth["aperture_y_px"] - 3, truth["aperture_radius_px"] * 1.03)
    beam = Edge(truth["beam_x_px"], truth["beam_y_px"], truth["beam_radius_px"] * 0.97)
    scene = locate(picture.frame, Hints(start_aperture=start, start_beam=beam))
    assert scene.guided
    assert scene.aperture is not None
    assert scene.aperture.radius == pytest.approx(truth["aperture_radius_px"], abs=0.3)


def test_same_picture_same_numbers() -> None:
    frame = shot(seed=8).frame
    assert judge(frame).assessment == judge(frame).assessment


def test_missing_pixels_are_left_out() -> None:
    pixels = shot(seed=9).frame.pixels.astype(float)
    a = judge(as_frame(pixels)).assessment
    holed = pixels.copy()
    holed[::17, ::13] = np.nan
    b = judge(as_frame(holed)).assessment
    assert b.offset_percent is not None
    assert b.offset_percent == pytest.approx(a.offset_percent, abs=0.3)


def test_a_bright_window_frame_is_no_inverted_picture() -> None:
    pixels = shot(seed=5).frame.pixels.astype(float)
    framed = pixels.copy()
    for side in (np.s_[:5], np.s_[-5:], np.s_[:, :5], np.s_[:, -5:]):
        framed[side] = pixels.max()
    a, b = judge(as_frame(pixels)).assessment, judge(as_frame(framed)).assessment
    assert b.scene == a.scene
    assert b.offset_percent == pytest.approx(a.offset_percent, abs=0.1)


def dim_under_marks(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """A picture, and the same in a window with a title bar and with text twenty times as bright as its beam."""
    light = shot(seed, rows=384, columns=384).frame.pixels.astype(float)
    marked = shot(seed, rows=384, columns=384, text="200 kV 14:05", scale_bar=True, border_px=5).frame.pixels
    return light, np.where(marked.astype(float) != light, 20.0 * light.max(), light)


def test_a_dim_beam_is_read_under_bright_text_and_a_title_bar() -> None:
    light, dim = dim_under_marks(5)
    a, b = judge(as_frame(light)).assessment, judge(as_frame(dim)).assessment
    assert b.scene == a.scene
    assert b.offset_percent == pytest.approx(a.offset_percent, abs=0.1)
    assert "overlay" in b.flags


def test_a_dim_beam_is_followed_under_bright_text() -> None:
    last = judge(as_frame(dim_under_marks(5)[1])).scene
    light, dim = dim_under_marks(6)
    a = judge(as_frame(light)).assessment
    b = judge(as_frame(dim), hints=Hints(previous=last)).assessment
    assert b.scene == a.scene
    assert b.offset_percent == pytest.approx(a.offset_percent, abs=0.1)
    assert "overlay" in b.flags


def test_a_small_disc_amid_rings_is_no_aperture() -> None:
    """Rings of a polycrystal around the direct beam: the innermost ring and the center are no aperture with a beam."""
    y, x = np.mgrid[0:192, 0:192]
    r = np.hypot(x - 67.0, y - 117.4)
    light = 3500 * np.exp(-0.5 * (r / 4.0) ** 2) + 700 * np.exp(-r / 25)
    for radius, level in ((25.0, 500.0), (19.0, 450.0), (83.0, 1200.0), (74.0, 900.0)):
        light += level * np.exp(-0.5 * ((r - radius) / 1.2) ** 2)
    for seed in range(4):
        rng = np.random.default_rng(seed)
        picture = rng.poisson(light / 8) * 8.0 + rng.normal(120, 10, r.shape)
        a = judge(as_frame(np.clip(picture, 0, 65535).astype(np.uint16))).assessment
        assert a.offset_percent is None, seed
        assert a.verdict == "retake"


def test_a_dim_lens_that_the_eye_sees_is_read() -> None:
    """Four gray levels of beam over one of noise, spread over a third of the picture."""
    recipe = Recipe(
        rows=192, columns=192, aperture_radius_px=74.0, beam_ratio=0.87, offset_x_percent=-70.0, offset_y_percent=12.0,
        peak_electrons=14.0, gain=1.05, read_noise=3.1, bias=39.0, halo_level=0.1,
    )  # fmt: skip
    for seed in range(3):
        scene = locate(simulate(recipe, np.random.default_rng(seed), truth=False).frame, Hints())
        assert scene.kind is SceneKind.CLIPPED, seed


def test_a_small_faint_beam_is_not_dark() -> None:
    recipe = Recipe(
        rows=192, columns=192, aperture_radius_px=40.0, beam_ratio=0.75, peak_electrons=13.0, gain=0.3, read_noise=0.85,
        bias=56.0, halo_level=0.02,
    )  # fmt: skip
    for seed in range(3):
        picture = simulate(recipe, np.random.default_rng(seed), truth=False).frame
        assert locate(picture, Hints()).kind is not SceneKind.DARK, seed
