"""The verdicts: limits, every ``never`` rule, retake, reasons; on scenes of closed-form truth."""

from dataclasses import replace

import pytest
from _advise_cases import FRESH, case
from hypothesis import given
from hypothesis import strategies as st

from apertrue.advice import Context, Nudge
from apertrue.advise import advise
from apertrue.advise.cautions import CAUTIONS
from apertrue.advise.limits import ALWAYS_RETAKE
from apertrue.instrument import Camera, Costs, Instrument, Limits
from apertrue.registry import FLAGS, REASONS, SceneKind, Verdict

I = Instrument()
MOVE = Nudge(3.2, -1.1, 0.2, 0.2, score_after=99.4, score_after_sigma=0.2, offset_after_percent=1.0)


def judged(offset, context=FRESH, instrument=I, **about):
    return advise(*case(offset, **about), instrument, context)


# The table of design.md


def test_centered_is_left():
    made = judged(1.0)
    assert made.verdict is Verdict.LEAVE
    assert made.reasons[0] == "within-limits"
    assert [o.verdict for o in made.options] == [Verdict.LEAVE, Verdict.NUDGE, Verdict.AUTO]
    assert all(o.allowed for o in made.options)


@pytest.mark.parametrize("offset", [5.5, 8.0, 12.0, 20.0])
def test_between_the_limits_a_calibrated_nudge(offset):
    made = judged(offset, replace(FRESH, nudge=MOVE))
    assert made.verdict is Verdict.NUDGE
    assert made.nudge == MOVE
    assert "offset-over-leave" in made.reasons


def test_far_off_is_for_the_routine():
    made = judged(30.0, replace(FRESH, nudge=MOVE))
    assert made.verdict is Verdict.AUTO
    assert "offset-over-nudge" in made.reasons
    assert made.options[1].barred_by[0] == "offset-over-nudge"


def test_without_a_calibration_the_routine_can_win():
    assert judged(8.0, replace(FRESH, nudge=MOVE)).verdict is Verdict.NUDGE
    made = judged(20.0)
    assert made.verdict is Verdict.AUTO
    assert made.options[1].allowed  # not barred: the minutes decided
    assert {"cheapest", "direction-unknown"} <= set(made.reasons)
    assert any(s.startswith("No shift calibration holds. With one,") for s in made.sentences)
    doubtful = judged(8.0, offset_direction_deg_sigma=60.0)
    assert doubtful.verdict is Verdict.AUTO
    assert doubtful.options[1].terms["moves"] > judged(8.0).options[1].terms["moves"]


#: Work would have to stop for the routine.
AWAY = replace(I, costs=replace(I.costs, in_alignment_view=False))


def test_stopping_work_for_the_routine_makes_the_hand_win():
    assert judged(20.0, instrument=AWAY).verdict is Verdict.NUDGE


def test_long_work_with_a_calibration_is_worth_a_nudge_within_the_limits():
    long = replace(I, costs=replace(I.costs, planned_min=400.0))
    made = judged(4.0, replace(FRESH, nudge=MOVE, drift_percent_per_h=(0.1, 0.1)), long)
    assert made.verdict is Verdict.NUDGE
    assert made.options[0].allowed
    short = replace(I, costs=replace(I.costs, planned_min=20.0))
    assert judged(4.0, replace(FRESH, nudge=MOVE), short).verdict is Verdict.LEAVE


def test_the_gap_counts_only_for_a_beam_near_the_aperture():
    near = judged(4.0, ratio=0.94)
    assert near.verdict is not Verdict.LEAVE
    assert "gap-under-limit" in near.reasons
    for ratio in (0.97, 0.8):
        assert "gap-under-limit" not in judged(4.0, ratio=ratio, gap_percent=1.0).reasons


def test_half_cut_is_for_the_routine():
    made = judged(20.0, replace(FRESH, nudge=MOVE), clipped_fraction=0.55)
    assert made.verdict is Verdict.AUTO
    assert "half-cut" in made.reasons


def test_half_cut_is_seen_without_a_clipped_share():
    made = judged(90.0, clipped_fraction=None, clipped_fraction_sigma=None, ratio=1.0)
    assert "half-cut" in made.options[1].barred_by


@pytest.mark.parametrize(("score", "leave", "nudge"), [(98.0, True, True), (96.0, False, True), (84.0, False, False)])
def test_score_limits(score, leave, nudge):
    made = judged(3.0, working_score=score)
    assert (made.options[0].allowed, made.options[1].allowed) == (leave, nudge)


# Never leave


@pytest.mark.parametrize(
    ("reason", "about", "context"),
    [
        ("picture-stale", {}, {"age_min": 31.0}),
        ("picture-stale", {"flags": ("stale",)}, {}),
        ("picture-frozen", {}, {"frozen": True}),
        ("picture-frozen", {"flags": ("frozen",)}, {}),
        ("aperture-unconfirmed", {}, {"aperture_confirmed": False}),
        ("aperture-unconfirmed", {"why": ("aperture-unconfirmed",)}, {}),
        ("state-changed", {}, {"state_changed": ("kv",)}),
        ("state-changed", {"flags": ("state-changed",)}, {}),
        ("afterglow-seen", {"flags": ("afterglow",)}, {}),
        ("crosses-within-work", {}, {"minutes_to_limit": (20.0, 60.0, 200.0)}),
        ("straddles-limit", {"sigma": 2.1}, {}),
        ("straddles-limit", {"score_sigma": 1.2}, {}),
        ("current-down", {"current_pa": 80.0}, {"current_expected_pa": (100.0, 3.0)}),
        ("current-down", {"current_pa": 80.0, "score": None}, {"current_expected_pa": (100.0, 3.0)}),
        ("no-reference", {"kind": SceneKind.BEAM_ONLY}, {}),
    ],
)
def test_never_left(reason, about, context):
    assert judged(1.0).verdict is Verdict.LEAVE
    for calibrated in (None, MOVE):
        made = judged(1.0, replace(FRESH, nudge=calibrated, **context), **about)
        assert made.verdict in (Verdict.NUDGE, Verdict.AUTO)
        assert reason in made.reasons
        assert reason in made.options[0].barred_by
        assert not made.options[0].allowed


def test_a_limit_crossed_after_the_work_is_no_bar():
    assert judged(1.0, replace(FRESH, minutes_to_limit=(100.0, 130.0, 300.0))).verdict is Verdict.LEAVE


def test_clipping_explains_a_low_current():
    far = replace(FRESH, current_expected_pa=(100.0, 3.0))
    about = {"ratio": 1.0, "current_pa": 87.0}
    assert "current-down" not in judged(20.0, far, **about).reasons  # a score of 87.3 explains 87 pA
    assert "current-down" in judged(20.0, far, ratio=1.0, current_pa=70.0).reasons


def test_state_change_voids_the_calibration():
    made = judged(10.0, replace(FRESH, nudge=MOVE, state_changed=("focus_side",)))
    assert made.nudge is None
    assert any("focus_side" in s for s in made.sentences)


# Never auto


@pytest.mark.parametrize(
    ("reason", "about", "context"),
    [("no-auto-in-the-way", {"flags": ("in-the-way",)}, {}), ("no-auto-hung-twice", {}, {"hangs_today": 2})],
)
def test_never_auto(reason, about, context):
    for offset in (1.0, 12.0, 24.0, 40.0):
        made = judged(offset, replace(FRESH, **context), **about)
        assert made.verdict is not Verdict.AUTO
        assert made.options[2].barred_by == (reason,)
    assert made.verdict is Verdict.NUDGE  # 40 % off: nothing but the hand remains
    assert {"hand-anyway", reason, "offset-over-nudge"} <= set(made.reasons)


def test_one_hang_is_no_ban():
    assert judged(40.0, replace(FRESH, hangs_today=1)).verdict is Verdict.AUTO


def test_two_failed_nudges_bar_the_third():
    made = judged(8.0, replace(FRESH, nudge=MOVE, nudges_failed=2))
    assert made.verdict is Verdict.AUTO
    assert "nudges-failed" in made.reasons
    assert judged(8.0, replace(FRESH, nudge=MOVE, nudges_failed=1)).verdict is Verdict.NUDGE


def test_no_direction_is_for_the_routine():
    made = judged(8.0, offset_direction_deg=None, offset_direction_deg_sigma=None, move_direction_deg=None)
    assert made.verdict is Verdict.AUTO
    assert "no-direction" in made.reasons


# Retake


@pytest.mark.parametrize(("kind", "reason"), ALWAYS_RETAKE.items())
def test_always_retake(kind, reason):
    made = judged(1.0, kind=kind)
    assert made.verdict is Verdict.RETAKE
    assert made.reasons[0] == reason
    assert made.options == ()
    assert made.nudge is None


@pytest.mark.parametrize("kind", [SceneKind.BOTH_EDGES, SceneKind.CLIPPED, SceneKind.BEAM_ONLY])
def test_retake_exactly_without_an_offset(kind):
    made = judged(1.0, kind=kind, offset_percent=None, offset_percent_sigma=None)
    assert made.verdict is Verdict.RETAKE
    assert made.reasons[0] == ("no-reference" if kind is SceneKind.BEAM_ONLY else "not-measured")
    assert judged(1.0, kind=kind).verdict is not Verdict.RETAKE
    told = judged(1.0, kind=SceneKind.CLIPPED, offset_percent=None, why=("sides-ambiguous",))
    assert told.reasons[0] == "sides-ambiguous"


def test_beam_only_with_a_remembered_aperture_may_be_left():
    assessment, scene = case(1.0, kind=SceneKind.BEAM_ONLY)
    assert advise(assessment, replace(scene, aperture_remembered=True), I, FRESH).verdict is Verdict.LEAVE


# Over everything

contexts = st.builds(
    Context,
    age_min=st.one_of(st.none(), st.floats(0, 90)),
    frozen=st.booleans(),
    state_changed=st.sampled_from([(), ("kv",)]),
    nudge=st.sampled_from([None, MOVE, replace(MOVE, centered=True)]),
    nudges_failed=st.integers(0, 3),
    hangs_today=st.integers(0, 3),
    drift_percent_per_h=st.sampled_from([None, (0.0, 0.0), (4.0, 2.0)]),
    minutes_to_limit=st.sampled_from([None, (10.0, 50.0, 90.0), (200.0, 300.0, 400.0)]),
    current_expected_pa=st.sampled_from([None, (100.0, 5.0)]),
    aperture_confirmed=st.booleans(),
    working_ratio=st.sampled_from([None, 0.7, 1.2]),
)
costs = st.builds(
    Costs,
    planned_min=st.floats(1, 600),
    nudge_min=st.floats(0.1, 10),
    auto_min=st.floats(0.5, 20),
    hang_probability=st.floats(0, 1),
    dose=st.sampled_from(["counts", "current"]),
    in_alignment_view=st.booleans(),
)
TRUST = {
    "picture-stale",
    "picture-frozen",
    "afterglow-seen",
    "state-changed",
    "aperture-unconfirmed",
    "no-reference",
    "current-down",
}


@given(
    offset=st.floats(0, 120),
    sigma=st.floats(0.001, 8),
    ratio=st.floats(0.3, 1.4),
    flags=st.lists(st.sampled_from(["in-the-way", "afterglow", "stale", "nonlinear", "elliptical"]), unique=True),
    kind=st.sampled_from(list(SceneKind)),
    current=st.sampled_from([None, 50.0, 100.0]),
    scored=st.booleans(),
    context=contexts,
    minutes=costs,
)
def test_rules_hold_whatever_comes(offset, sigma, ratio, flags, kind, current, scored, context, minutes):
    about = {} if scored else dict.fromkeys(("score", "working_score", "clipped_fraction", "working_score_sigma"))
    made = judged(
        offset,
        context,
        replace(I, costs=minutes),
        sigma=sigma,
        ratio=ratio,
        flags=tuple(flags),
        kind=kind,
        current_pa=current,
        **about,
    )
    assert set(made.reasons) <= set(REASONS)
    assert made.reasons
    assert len(set(made.reasons)) == len(made.reasons)
    assert made.sentences
    assert all("None" not in s and "nan" not in s for s in made.sentences)
    assert (made.verdict is Verdict.RETAKE) == (kind in ALWAYS_RETAKE)
    if made.verdict is Verdict.RETAKE:
        assert made.options == ()
        return
    if made.verdict is Verdict.LEAVE:
        assert not TRUST & set(made.reasons)
        assert offset <= I.limits.offset_leave - 2 * sigma
    if made.verdict is Verdict.AUTO:
        assert "in-the-way" not in flags
        assert context.hangs_today < 2
    chosen = next(o for o in made.options if o.verdict is made.verdict)
    cheaper = [o for o in made.options if o.allowed and o.minutes < chosen.minutes - 1e-6]
    assert "hand-anyway" in made.reasons or (chosen.allowed and not cheaper)


@given(st.floats(0, 40), st.floats(0, 40))
def test_more_offset_never_returns_to_leave(a, b):
    low, high = sorted((a, b))
    if judged(high).verdict is Verdict.LEAVE:
        assert judged(low).verdict is Verdict.LEAVE


def test_limits_come_from_the_instrument_file():
    strict = replace(I, limits=Limits(offset_leave=0.5))
    assert judged(1.0, instrument=strict).verdict is not Verdict.LEAVE


def test_unlinear_pictures_are_judged_by_their_edges():
    none = dict.fromkeys(("score", "score_sigma", "working_score", "working_score_sigma", "clipped_fraction"))
    made = judged(12.0, instrument=AWAY, flags=("nonlinear",), **none)
    assert made.verdict is Verdict.NUDGE
    assert "light-assumed-even" in made.reasons
    told = made.sentences.index(REASONS["light-assumed-even"].sentence)
    assert made.sentences[told - 1].startswith("The sums:")
    assert any("linear" in s for s in made.sentences)


# Words


@pytest.mark.parametrize("offset", [1.0, 12.0])
def test_with_the_apertures_diameter_the_offset_is_also_told_in_um(offset):
    far = {"offset_um": 0.35 * offset, "offset_um_sigma": 0.04}
    assert f"of the aperture radius ({0.35 * offset:.2f} ± 0.04 µm)" in judged(offset, **far).sentences[0]
    assert "µm" not in judged(offset).sentences[0]


def test_headline_says_where_and_how_far():
    said = judged(23.0, replace(FRESH, nudge=MOVE), sigma=0.3).sentences
    assert said[0] == (
        "The beam lies toward 40° (up and right, 2 o'clock); move it 23.0 ± 0.3 % of the aperture radius "
        "toward 220° (down and left, 8 o'clock)."
    ) or said[0].startswith("The automatic routine")
    nudge = judged(12.0, replace(FRESH, nudge=MOVE)).sentences
    assert "Change gun shift X by +3.20 ± 0.20 and change gun shift Y by −1.10 ± 0.20, console units." in " ".join(
        nudge
    )
    told = judged(12.0, replace(FRESH, nudge=MOVE), gun_shift_x=10.0, gun_shift_y=-4.0).sentences
    assert "gun shift X by +3.20 ± 0.20 (to 13.2) and change gun shift Y by −1.10 ± 0.20 (to −5.1)" in " ".join(told)
    assert "Working score to expect: 99.40 ± 0.20" in " ".join(nudge)


@pytest.mark.parametrize(
    ("degrees", "words"),
    [
        (0, "right, 3"),
        (90, "up, 12"),
        (180, "left, 9"),
        (270, "down, 6"),
        (359.7, "right, 3"),
        (135, "up and left, 10"),
    ],
)
def test_directions_in_words(degrees, words):
    assert f"({words} o'clock)" in judged(12.0, direction=degrees).sentences[0]


def test_a_move_brings_its_cautions():
    lab = Instrument(
        default_camera="screen",
        cameras={"screen": Camera(max_current_pa=500.0, caution="Close the shutter first.")},
        costs=AWAY.costs,
    )
    said = " ".join(judged(12.0, instrument=lab, current_pa=900.0).sentences)
    assert "STOP: screen may take 500 pA" in said
    assert "Close the shutter first." in said
    for name in ("specimen", "trial", "beam-lost", "way-back", "defer"):
        assert CAUTIONS[name] in said
    fine = " ".join(judged(12.0, replace(FRESH, nudge=MOVE), lab, current_pa=90.0).sentences)
    assert "STOP" not in fine
    assert CAUTIONS["small-steps"] in fine
    assert CAUTIONS["detector-ask"] in " ".join(judged(12.0).sentences)
    routine = " ".join(judged(40.0).sentences)
    assert CAUTIONS["auto-hang"] in routine
    assert CAUTIONS["auto-clear"] in routine


def test_no_cautions_for_what_needs_no_move():
    assert not set(CAUTIONS.values()) & set(judged(1.0).sentences)


def test_remedies_that_raise_the_load_ask_first():
    for reason in REASONS.values():
        if reason.raises_load:
            assert "First check which detector is in" in reason.remedy
    said = " ".join(judged(1.0, kind=SceneKind.OVERFILLED).sentences)
    assert said.index("which detector") < said.index("spread the beam less")


def test_where_the_routine_leaves_the_beam_is_no_fault():
    there = replace(FRESH, nudge=MOVE, learned_offset_percent=(5.3, -4.5), auto_residual_percent=7.2)
    made = judged(7.0, there)  # toward 40°: (5.36, −4.50)
    assert "learned-difference" in made.reasons
    assert any("intensity center and edge center differ by a constant" in s for s in made.sentences)
    # The routine would leave it here: what it costs is no less than to leave it.
    auto, leave = made.options[2], made.options[0]
    assert auto.terms["lost current"] == pytest.approx(leave.terms["lost current"], rel=0.15)
    assert made.verdict is Verdict.NUDGE
    elsewhere = replace(there, learned_offset_percent=(-5.3, 4.5))
    assert "learned-difference" not in judged(7.0, elsewhere).reasons
    assert "learned-difference" not in judged(0.05, there).reasons


def test_what_to_mind_of_the_calibration_is_said():
    old = "The shift calibration is 20 h old: confirm it with one small move of each axis before you rely on it."
    said = judged(12.0, replace(FRESH, nudge=MOVE, nudge_notes=(old,))).sentences
    assert said.index(old) == next(i for i, s in enumerate(said) if s.startswith("Change gun shift")) + 1
    void = "The shift calibration does not hold: the high tension changed since. Calibrate in this state."
    said = judged(12.0, replace(FRESH, nudge_notes=(void,)), AWAY).sentences
    assert any(s.startswith(void) and "Make one small move" in s for s in said)


def test_every_sum_is_printed():
    made = judged(12.0, replace(FRESH, nudge=MOVE))
    said = next(s for s in made.sentences if s.startswith("The sums: "))
    assert [part.split(" = ")[0] for part in said.removeprefix("The sums: ").split("; ")] == [
        "by hand",
        "leave",
        "automatic routine",
    ]
    for option in made.options:
        assert all(how in said for how in option.how.values())


def test_old_pictures_ask_for_a_new_one_before_a_move():
    said = judged(12.0, replace(FRESH, age_min=50.0, nudge=MOVE)).sentences
    assert said[0].startswith(
        "The picture is too old to act on. Take a new picture. In this one: the beam lies toward 40°"
    )


def test_centered_but_not_to_be_left_says_so():
    said = judged(0.05, replace(FRESH, minutes_to_limit=(10.0, 60.0, 90.0))).sentences
    assert said[0].startswith("No offset stands out of the measurement's doubt")
    assert any("60 min" in s for s in said)


def test_a_full_camera_is_relieved_before_anything_else():
    """A frame at its top level all over is called dark too: the words must be safe with the flag and without."""
    for flags in ((), ("saturated",)):
        said = " ".join(judged(1.0, kind=SceneKind.DARK, flags=flags).sentences)
        assert said.index("blank the beam") < said.index("which detector") < said.index("lower magnification")
    told = judged(1.0, kind=SceneKind.DARK, flags=("saturated",)).sentences
    assert FLAGS["saturated"].remedy in told[1]
    assert sum(FLAGS["saturated"].remedy in s for s in told) == 1
