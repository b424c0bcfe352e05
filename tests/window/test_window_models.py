"""What stands behind the assess widget, without a window: which picture, which marks, which words."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import hypot

import numpy as np
import pytest

from apertrue.errors import InstrumentError
from apertrue.napari._assess_model import AssessModel, told
from apertrue.napari._correct import dragged, grip, through
from apertrue.napari._judge_one import Drawn, Setup, judge_one, load_setup
from apertrue.napari._marks import SEGMENTS, drawn, edge_seen, marks
from apertrue.napari._panel_words import age_words, panel
from apertrue.pipeline import judge
from apertrue.scene import Edge
from apertrue.simulate import Recipe, simulate

NOW = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def result(shot):
    return judge(shot.frame)


def test_marks_lie_on_the_edges_in_rows_and_columns(result) -> None:
    found = marks(result.scene, result.assessment, 1.0)
    starts = found.vectors[:, 0]
    for edge in (result.scene.aperture, result.scene.beam):
        distance = np.hypot(starts[:, 1] - edge.x, starts[:, 0] - edge.y)
        assert np.count_nonzero(abs(distance - edge.radius) < 0.5) > SEGMENTS / 2
    assert len(found.colors) == len(found.vectors)
    assert found.arrow is not None


def test_the_arrow_goes_the_way_that_the_beam_has_to_go(result) -> None:
    yellow = marks(result.scene, result.assessment, 1.0)
    shaft = yellow.vectors[-3]
    row, column = shaft[1]
    scene = result.scene
    tip = shaft[0] + shaft[1]
    assert hypot(tip[1] - scene.aperture.x, tip[0] - scene.aperture.y) < 1e-6
    way = np.array([scene.aperture.y - scene.beam.y, scene.aperture.x - scene.beam.x])
    assert row * way[1] == pytest.approx(column * way[0])
    assert row * way[0] + column * way[1] > 0


def test_no_arrow_on_a_beam_that_is_left_and_nothing_without_a_scene(centered) -> None:
    r = judge(centered.frame)
    assert r.assessment.verdict == "leave"
    assert marks(r.scene, r.assessment).arrow is None
    assert len(marks(None, None).vectors) == 0


def test_stretches_that_the_fit_continues_are_fainter() -> None:
    edge = Edge(0.0, 0.0, 10.0, arcs=((350.0, 80.0),))
    # Up on the screen is toward smaller y.
    points = np.array([[10.0, 0.0], [7.07, -7.07], [0.0, 10.0], [-10.0, 0.0]])
    assert edge_seen(edge, points).tolist() == [True, True, False, False]


def test_through_three_points_and_not_through_a_line() -> None:
    edge = through([(110.0, 50.0), (50.0, 110.0), (-10.0, 50.0)])
    assert (edge.x, edge.y, edge.radius) == pytest.approx((50.0, 50.0, 60.0))
    with pytest.raises(ValueError, match="on a line"):
        through([(0.0, 0.0), (10.0, 10.0), (30.0, 30.0)])
    with pytest.raises(ValueError, match="close together"):
        through([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)])


def test_dragging_by_rim_and_by_center() -> None:
    edge = Edge(50.0, 50.0, 40.0, arcs=((0.0, 90.0),))
    assert grip(edge, 90.0, 52.0) == "rim"
    assert grip(edge, 51.0, 50.0) == "center"
    assert grip(edge, 70.0, 50.0) is None
    wider = dragged(edge, "rim", (90.0, 50.0), (95.0, 50.0))
    assert (wider.x, wider.y, wider.radius) == (50.0, 50.0, 45.0)
    moved = dragged(edge, "center", (50.0, 50.0), (53.0, 48.0))
    assert (moved.x, moved.y, moved.radius) == (53.0, 48.0, 40.0)
    assert dragged(edge, "rim", (90.0, 50.0), (50.0, 50.0)).radius > 0
    assert len(drawn(edge, "beam").vectors) == SEGMENTS


def test_undo_goes_back_step_by_step() -> None:
    model = AssessModel(Setup())
    first, second = Edge(1.0, 2.0, 30.0), Edge(3.0, 4.0, 20.0)
    assert not model.undo()
    model.correct("aperture", first)
    model.correct("beam", second)
    assert model.restrict((0.0, 0.0, 9.0, 9.0))
    assert not model.restrict((0.0, 0.0, 9.0, 9.0))
    assert model.clear()
    assert not model.clear()
    assert model.undo()
    assert model.drawn == Drawn(first, second, (0.0, 0.0, 9.0, 9.0))
    assert model.undo()
    assert model.drawn == Drawn(first, second)
    model.start_over()
    assert not model.can_undo
    assert model.drawn == Drawn()


def test_a_drawn_edge_starts_the_fit_and_is_said(shot) -> None:
    truth = shot.truth
    start = Edge(truth.beam_x_px + 2, truth.beam_y_px - 1, truth.beam_radius_px + 1)
    r = judge_one(shot.frame, Setup(), Drawn(beam=start), NOW)
    assert r.scene.guided
    assert any("Guided" in s for s in panel(r, None).sentences)


def test_the_region_keeps_a_second_disc_out() -> None:
    """Two views in one picture: the region decides which is judged."""

    def half(x: float, seed: int):
        recipe = Recipe(rows=200, columns=200, aperture_radius_px=70.0, offset_x_percent=x, offset_y_percent=0.0)
        return simulate(recipe, np.random.default_rng(seed)).frame

    left, right = half(12.0, 1), half(-12.0, 2)
    both = replace(left, pixels=np.hstack([left.pixels, right.pixels]))
    for region, toward in (((0.0, 0.0, 199.0, 199.0), 1), ((200.0, 0.0, 399.0, 199.0), -1)):
        a = judge_one(both, Setup(), Drawn(region=region), NOW).assessment
        assert a.offset_x_percent == pytest.approx(12.0 * toward, abs=0.5)
        assert region[0] < a.aperture_x_px < region[2]


def test_the_panel_says_what_the_command_line_says(result) -> None:
    arrow = marks(result.scene, result.assessment, 1.0).arrow
    assert arrow is not None
    shown = panel(result, arrow, ("X knob", "Y knob"))
    assert shown.verdict == result.assessment.verdict.upper()
    assert shown.sentences[0] == result.advice.sentences[0]
    labels = {label: text for label, text, _ in shown.numbers}
    assert labels["Offset"].endswith("%")
    assert "±" in labels["Offset"]
    assert "Turn X knob by" not in labels
    assert len(shown.budget) == len(result.advice.options)
    assert [c for c in shown.cautions if "detector" in c]
    assert ("move", arrow.words) in shown.legend


def test_a_picture_that_cannot_tell_shows_no_numbers() -> None:
    dark = judge(simulate(Recipe(rows=128, columns=128, peak_electrons=0.0), np.random.default_rng(1)).frame)
    shown = panel(dark, None)
    assert shown.verdict == "RETAKE"
    assert {text for _, text, _ in shown.numbers} == {"—"}
    assert shown.legend == ()


def test_ages_in_words(result) -> None:
    def at(**ago):
        return replace(result, frame=replace(result.frame, taken_at=NOW - timedelta(**ago), taken_at_source="file"))

    assert age_words(replace(result, frame=replace(result.frame, taken_at=None)), NOW).endswith("not known")
    assert age_words(at(seconds=20), NOW).endswith("under a minute")
    assert age_words(at(minutes=42), NOW).endswith("42 min")
    assert age_words(at(hours=5), NOW).endswith("5 h")
    assert age_words(at(days=9), NOW).endswith("9 days")


def test_an_old_picture_is_never_left(centered) -> None:
    old = replace(centered.frame, taken_at=NOW - timedelta(hours=3), taken_at_source="file")
    r = judge_one(old, Setup(), Drawn(), NOW)
    assert "picture-stale" in r.assessment.reasons
    assert r.assessment.verdict != "leave"


def test_an_age_that_is_not_known_is_said_with_the_verdict(shot) -> None:
    undated = judge_one(replace(shot.frame, taken_at=None, taken_at_source=None), Setup(), Drawn(), NOW)
    fresh = judge_one(replace(shot.frame, taken_at=NOW, taken_at_source="file"), Setup(), Drawn(), NOW)
    assert any(s.startswith("The picture's age is not known") for s in panel(undated, None).sentences)
    assert not any("age is not known" in s for s in panel(fresh, None).sentences)


def test_the_set_up_is_that_of_the_commands(tmp_path, monkeypatch) -> None:
    file = tmp_path / "scope.toml"
    file.write_text('name = "Training scope"\n', encoding="utf-8")
    monkeypatch.setenv("APERTRUE_INSTRUMENT", str(file))
    assert load_setup().instrument.name == "Training scope"
    assert load_setup().file == file
    file.write_text("name = 3\n", encoding="utf-8")
    wrong = load_setup()
    assert "scope.toml" in wrong.trouble
    assert "starting values" in wrong.trouble
    (tmp_path / "scope.calibrations.json").write_text("{", encoding="utf-8")
    file.write_text('name = "Training scope"\n', encoding="utf-8")
    assert "calibrat" in load_setup().trouble


def test_errors_in_words() -> None:
    assert told(InstrumentError("x.toml: wrong key")) == "x.toml: wrong key"
    assert "memory" in told(MemoryError())
    assert "report it" in told(ZeroDivisionError("by zero"))


def test_a_calibration_that_holds_gives_the_move(shot) -> None:
    from apertrue.calibration import Point, estimate, from_estimate

    points = [
        Point(0.0, 0.0, 4.0, 1.0, 0.1, 0.1), Point(2.0, 0.0, 10.0, 3.0, 0.1, 0.1), Point(0.0, 2.0, 2.0, 6.0, 0.1, 0.1)
    ]  # fmt: skip
    calibration = replace(from_estimate(estimate(points, step=0.1)), made_at=NOW)
    r = judge_one(shot.frame, Setup(calibrations=(calibration,)), Drawn(), NOW)
    assert r.assessment.nudge_x is not None
    labels = [label for label, *_ in panel(r, None).numbers]
    assert labels[-2:] == ["Turn gun shift X by", "Turn gun shift Y by"]


def test_the_ring_of_doubt_is_the_95_percent_ellipse(result) -> None:
    """Its size against the quantile of a χ² distribution from SciPy, its place and its axes against the covariance."""
    from scipy.stats import chi2

    from apertrue.napari._doubt import ENLARGED, doubt

    a = replace(result.assessment, offset_x_px_sigma=0.8, offset_y_px_sigma=0.5, offset_xy_correlation=0.6)
    cov = np.array([[0.64, 0.24], [0.24, 0.25]])
    ring = doubt(result.scene, a, 1.0)
    d = (ring.outline - (result.scene.beam.x, result.scene.beam.y)) / ENLARGED
    assert ring.enlarged == ENLARGED
    assert np.einsum("ni,ij,nj->n", d, np.linalg.inv(cov), d) == pytest.approx(chi2.ppf(0.95, 2))
    longer = np.sqrt(np.linalg.eigvalsh(cov)[-1] * chi2.ppf(0.95, 2))
    assert ring.percent == pytest.approx(100 * longer / result.scene.aperture.radius)
    # Seen from far away it is too small; a large doubt is drawn in its true size; without an offset there is none.
    assert doubt(result.scene, a, 50.0).enlarged == 0
    assert doubt(result.scene, replace(a, offset_x_px_sigma=9.0), 1.0).enlarged == 1
    assert doubt(result.scene, replace(a, offset_x_px_sigma=None), 1.0) is None


def test_the_legend_says_how_the_doubt_is_drawn(result) -> None:
    a = replace(result.assessment, offset_x_px_sigma=0.8, offset_y_px_sigma=0.5)
    found = marks(result.scene, a, 1.0)
    assert ("doubt", "doubt of the offset (95 %), drawn 10×") in panel(result, None, ring=found.doubt).legend
    far = marks(result.scene, a, 50.0)
    assert len(far.vectors) < len(found.vectors)
    assert "too small to draw" in panel(result, None, ring=far.doubt).legend[-1][1]


def test_an_audits_outlines_become_the_same_edges_again() -> None:
    from apertrue.napari._audit_model import edge_of, scene_of
    from apertrue.report.sketch import Sketch, outlines_of
    from apertrue.scene import Scene

    edge = Edge(120.0, 90.0, 60.0, e1=0.03, e2=-0.02)
    scene = Scene("both-edges", 1.0, (200, 240), aperture=edge, beam=Edge(118.0, 95.0, 50.0))
    (outline, _) = outlines_of(scene)
    again = edge_of(outline)
    assert (again.x, again.y, again.radius, again.e1, again.e2) == pytest.approx((120.0, 90.0, 60.0, 0.03, -0.02))
    lens = replace(scene, beam=Edge(118.0, 95.0, 50.0, arcs=((352.5, 375.0), (90.0, 142.5))))
    kept = scene_of(Sketch(240, 200, outlines_of(lens)).outlines_json(), "clipped", (200, 240))
    # Drawn faint where the fit only continues it, as right after judging: within the half degree that is kept.
    assert kept.beam.arcs == ((352, 375), (90, 142))
    assert 0 < (marks(kept, None).colors[:, 3] < 1).mean() < 1
    assert kept.aperture.arcs == ()
    round_ = replace(scene, beam=Edge(118.0, 95.0, 50.0, arcs=((0.0, 360.0),)))
    assert outlines_of(round_)[1].arcs == ()
    stored = Sketch(240, 200, outlines_of(scene)).outlines_json()
    assert "arcs" not in stored
    assert scene_of(stored, "both-edges", (200, 240)).beam.radius == pytest.approx(50.0)
    assert scene_of(None, "dark", (9, 9)).aperture is None


def test_progress_in_words() -> None:
    from apertrue.audit import Progress
    from apertrue.napari._audit_model import progress_words

    assert progress_words(Progress("find")) == "finding files…"
    assert progress_words(Progress("find", 40)) == "finding files: 40"
    going = Progress("judge", 100, 100, 30, 2, known=10, seconds=10.0)
    assert progress_words(going) == "30 of 100 files, 2.0 a second, 35 s left, 2 not read"
    assert progress_words(replace(going, phase="done", done=100, failed=0)) == "100 of 100 files"


def test_the_mailbox_keeps_the_newest_only() -> None:
    from apertrue.napari._watch_model import Mailbox

    mail = Mailbox()
    assert mail.take(0.01) is None
    mail.put("old")
    mail.put("new")
    assert mail.take(0.01) == "new"
    assert mail.take(0.01) is None


def test_keys_move_and_size_an_edge() -> None:
    from apertrue.napari._correct import keyed

    edge = keyed(Edge(50.0, 50.0, 40.0, arcs=((0.0, 90.0),)), 2.0, -3.0, 1.0)
    assert (edge.x, edge.y, edge.radius, edge.arcs) == (52.0, 47.0, 41.0, ())
    assert keyed(edge, 0.0, 0.0, -100.0).radius > 0


def test_only_a_live_views_next_picture_is_followed(monkeypatch, shot) -> None:
    """The same picture, another view or a drawn edge is looked at anew, so that numbers do not hang on history."""
    from apertrue.napari import _assess_model, _judge_one
    from apertrue.napari._target import Aim

    seen = []
    real = _judge_one.judge

    def spy(frame, *, hints, **more):
        seen.append(hints.previous is not None)
        return real(frame, hints=hints, **more)

    monkeypatch.setattr(_judge_one, "judge", spy)
    model = AssessModel(Setup())
    first = shot.frame.pixels
    later = np.roll(first, 1, axis=0)

    def work(pixels, name="live") -> None:
        model.work(Aim(pixels, (), False, name, None, None, np.eye(3)), NOW)

    for pixels, name in ((first, "live"), (later, "live"), (later, "live"), (first, "other")):
        work(pixels, name)
    model.correct("beam", Edge(100.0, 100.0, 50.0))
    work(later, "other")
    monkeypatch.setattr(_assess_model, "FOLLOW_S", 0.0)
    model.start_over()
    work(first, "other")
    assert seen == [False, True, False, False, False, False]
