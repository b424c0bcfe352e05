"""Before and after: what changed, whether current and edges agree, and what else fits."""

from dataclasses import replace

import numpy as np
import pytest
from _compare_cases import seen

from apertrue.compare.agreement import Point2
from apertrue.compare.before_after import compare
from apertrue.compare.changes import change
from apertrue.compare.difference import learn_difference
from apertrue.compare.light import light_map, uneven_light
from apertrue.registry import SceneKind
from apertrue.scene import BeamProfile, Edge, Scene


def ids(made):
    return [m.id for m in made.misfits]


def test_another_view_is_told_and_gives_no_movement_in_px():
    wide = replace(seen(3.0, 0.0), aperture_radius_px=178.0, aperture_radius_px_sigma=0.03, aperture_source="picture")
    narrow = replace(seen(1.0, 0.0), aperture_radius_px=118.0, aperture_radius_px_sigma=0.02, aperture_source="picture")
    made = compare(wide, narrow, same_view=True)
    assert made.view_differs
    assert made.change.aperture_moved is None
    said = "The views differ: the aperture's radius is 178.00 ± 0.03 px before and 118.000 ± 0.020 px after"
    assert any(s.startswith(said) for s in made.sentences)
    # The aperture stated to be as much smaller: the same view.
    changed = compare(replace(wide, aperture_um=70.0), replace(narrow, aperture_um=46.4), same_view=True)
    assert not changed.view_differs
    assert not compare(wide, replace(wide, aperture_radius_px=175.0), same_view=True).view_differs


def test_a_move_is_told_with_its_doubt():
    made = change(seen(12.0, -8.0), seen(1.0, 0.5))
    assert made.moved.x == pytest.approx(-11.0)
    assert made.moved.y == pytest.approx(8.5)
    assert made.moved_percent[0] == pytest.approx(np.hypot(11, 8.5))
    assert made.moved_percent[1] == pytest.approx(0.1 * np.sqrt(2))
    assert made.moved_direction_deg == pytest.approx(np.degrees(np.arctan2(-8.5, -11.0)) % 360)
    assert made.larger_than_doubt
    assert made.outcome == "better"


def test_within_the_doubt_nothing_moved():
    made = compare(seen(3.0, 0.0, sigma=0.5), seen(3.6, 0.3, sigma=0.5))
    assert made.change.larger_than_doubt is False
    assert made.change.outcome == "same"
    assert made.change.moved_direction_deg is None
    assert "did not move beyond the doubt" in " ".join(made.sentences)


def test_without_an_offset_it_says_which():
    none = dict.fromkeys(("offset_percent", "offset_x_percent", "offset_y_percent"))
    made = compare(seen(3.0, 0.0), replace(seen(0.0, 0.0), **none))
    assert made.change.moved is None
    assert made.change.outcome == "unknown"
    assert made.sentences[0] == "These pictures can't be compared: no offset was measured after."


def test_current_with_halo_as_the_meter_counts_it():
    a = seen(20.0, 0.0, score=80.0, score_sigma=0.2, halo_fraction=0.2, halo_fraction_sigma=0.01, current_pa=100.0)
    b = seen(0.5, 0.0, score=100.0, score_sigma=0.1)
    made = change(a, replace(b, current_pa=120.0))
    assert made.expected_percent[0] == pytest.approx(100 * 0.8 * 0.25)  # the halo's 20 % stay as they are
    assert made.current_agrees
    assert not change(a, replace(b, current_pa=104.0)).current_agrees
    assert change(a, b).current_agrees is None


@pytest.mark.parametrize(("after", "id_"), [(100.0, "current-down"), (150.0, "current-up")])
def test_current_that_edges_do_not_explain(after, id_):
    a = seen(20.0, 0.0, score=85.0, score_sigma=0.2, current_pa=100.0)
    made = compare(a, seen(0.5, 0.0, score=100.0, score_sigma=0.1, current_pa=after))
    assert ids(made) == [id_]


def test_wrong_knob_moves_both_edges():
    after = seen(3.05, 0.0, aperture_x_px=280.0)
    made = compare(seen(3.0, 0.0), after, same_view=True)
    assert made.change.together
    assert ids(made) == ["wrong-knob"]
    assert compare(seen(3.0, 0.0), after, same_view=False).misfits == ()


LOST = {"score": 95.0, "score_sigma": 0.2, "ratio": 1.0}


@pytest.mark.parametrize(
    ("id_", "about"),
    [
        ("in-the-way", {"flags": ("in-the-way",), **LOST}),
        ("flat-top", {"ratio": 0.6, "score": 100.0, "score_sigma": 0.01}),
        ("astigmatism", {"beam_ellipticity": 0.08, "beam_axis_deg": 30.0, "beam_ellipticity_sigma": 0.003, **LOST}),
        ("aperture-moved", {"aperture_x_px": 290.0, **LOST}),
        ("aperture-misplaced", LOST),
        ("afterglow", {"flags": ("afterglow",), **LOST}),
    ],
)
def test_why_the_routine_left_it_off(id_, about):
    before, after = seen(20.0, 0.0), seen(9.0, 0.0, **about)
    made = compare(before, after, same_view=True)
    assert ids(made)[0] == id_
    assert "still visibly off" in " ".join(made.sentences)


def test_a_hand_that_stops_early_is_no_fault():
    assert compare(seen(20.0, 0.0), seen(9.0, 0.0, **LOST), by_routine=False).misfits == ()
    assert compare(seen(20.0, 0.0), seen(2.0, 0.0, **LOST)).misfits == ()


def test_the_learned_difference_is_no_fault():
    rng = np.random.default_rng(1)
    runs = [Point2(*(np.array([8.0, 0.0]) + rng.normal(0, 0.5, 2)), 0.1, 0.1) for _ in range(20)]
    learned = learn_difference(runs)
    made = compare(seen(20.0, 0.0), seen(8.3, 0.2, **LOST), learned=learned)
    assert ids(made) == ["learned-difference"]
    assert not made.misfits[0].fault
    elsewhere = compare(seen(20.0, 0.0), seen(-8.0, 0.0, **LOST), learned=learned)
    assert ids(elsewhere) == ["aperture-misplaced"]


# Uneven light


def tilted(tilt_x, tilt_y, sigma=0.005, radial=()):
    covariance = np.eye(12 + 1 + len(radial) + 2 + 1) * sigma**2
    beam = Edge(100.0, 100.0, 60.0, width=1.0)
    return Scene(
        SceneKind.BOTH_EDGES,
        1.0,
        (200, 200),
        aperture=Edge(100.0, 100.0, 80.0, width=1.0),
        beam=beam,
        covariance=covariance,
        profile=BeamProfile(1000.0, radial, tilt_x, tilt_y),
        background=100.0,
    )


def picture(scene):
    y, x = np.mgrid[:200, :200].astype(float)
    xi, eta = (x - 100) / 60, (y - 100) / 60
    light = 1000 * (1 + scene.profile.tilt_x * xi + scene.profile.tilt_y * eta)
    return 100 + np.where(np.hypot(xi, eta) < 1, light, 0.0)


def test_spread_of_a_slope_is_half_of_it():
    """The mean of ξ² over a unit disc is ¼ (closed form): a slope t makes a spread of t/2."""
    scene = tilted(0.4, 0.0)
    p = picture(scene)
    y, x = np.mgrid[:200, :200]
    inside = p[np.hypot(x - 100, y - 100) < 60] - 100
    assert inside.std() / inside.mean() == pytest.approx(0.2, rel=0.01)


def test_tilt_that_fits():
    found = uneven_light(seen(1, 0, unevenness_percent=20.0, unevenness_percent_sigma=0.5), tilted(0.24, -0.32))
    assert found.tilt_fits
    assert found.slope_percent == pytest.approx(40.0)
    assert found.explained == pytest.approx(1.0)
    assert found.brighter_toward_deg == pytest.approx(np.degrees(np.arctan2(0.32, 0.24)))
    made = compare(
        seen(20, 0),
        seen(9, 0, unevenness_percent=20.0, unevenness_percent_sigma=0.5, **LOST),
        after_scene=tilted(0.24, -0.32),
    )
    assert ids(made)[0] == "tilt"


@pytest.mark.parametrize(("tilt", "spread", "sigma"), [(0.1, 25.0, 0.005), (0.4, 21.0, 0.5), (0.05, 3.0, 0.005)])
def test_tilt_that_does_not(tilt, spread, sigma):
    found = uneven_light(seen(1, 0, unevenness_percent=spread, unevenness_percent_sigma=0.5), tilted(tilt, 0.0, sigma))
    assert not found.tilt_fits


def test_no_light_no_finding():
    assert uneven_light(seen(1, 0), tilted(0.1, 0.0)) is None
    measured = seen(1, 0, unevenness_percent=10.0, unevenness_percent_sigma=0.5)
    assert uneven_light(measured, replace(tilted(0.1, 0.0), levels_linear=False)) is None


def test_map_of_the_light():
    scene = tilted(0.3, 0.0)
    found = light_map(picture(scene), scene, rings=3, sectors=12)
    assert found.light.shape == (3, 12)
    assert np.isfinite(found.light).all()
    outer = found.light[-1]
    assert int(np.argmax(outer)) in (0, 11)  # brightest to the right: sectors beside 0°
    assert int(np.argmin(outer)) in (5, 6)
    assert found.light.mean() == pytest.approx(1.0, abs=0.02)
    flat = light_map(picture(tilted(0.0, 0.0)), tilted(0.0, 0.0))
    np.testing.assert_allclose(flat.light, 1.0, atol=1e-9)
    up = light_map(picture(tilted(0.0, -0.3)), tilted(0.0, -0.3))
    assert int(np.argmax(up.light[-1])) in (2, 3)  # 90° is up


def test_map_leaves_out_what_the_aperture_cuts():
    scene = replace(tilted(0.0, 0.0), aperture=Edge(60.0, 100.0, 60.0))
    found = light_map(picture(scene), scene)
    assert np.isnan(found.light[-1, 0])
    assert np.isfinite(found.light[-1, 6])
    assert light_map(picture(scene), replace(scene, beam=None)) is None
