"""From sheets and logs to pairs: each column's place, doubts worked out by hand, whole sentences of what is refused."""

from datetime import UTC, datetime, timedelta
from math import sqrt

import pytest

from apertrue.current.pairs import GunState, RadiusReading, pairs_from_records, records_from_log
from apertrue.current.table import read_records
from apertrue.errors import ReadError

T0 = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


# --- pairs ------------------------------------------------------------------------------------------------------------
def one(**more):
    return pairs_from_records([{"gun_focus": 40.0, "current_pa": 80.0, **more}])


def test_a_pairs_doubt_and_what_it_takes_along():
    plain = one().pairs[0]
    assert plain.log_sigma == pytest.approx(sqrt(0.02**2 + 0.03**2))
    assert (plain.corrected, plain.ratio, plain.at, plain.session, plain.source) == (False, None, None, "", "record 1")
    assert one(current_pa_sigma=4.0, score=80.0).pairs[0].log_sigma == pytest.approx(0.05)
    assert one(current_pa_sigma=0.0, score=80.0).pairs[0].log_sigma == pytest.approx(1e-4)
    assert one(score=50.0).pairs[0].centered_pa == pytest.approx(160.0)
    assert one(score=49.6).aside[0].why == (
        "score 50: more than half of the beam is cut off, correcting it would be a guess"
    )
    assert one(score=80.0, halo_fraction=1.7).pairs[0].centered_pa == pytest.approx(80.0)
    assert one(score=80.0, halo_fraction=-1.0).pairs[0].centered_pa == pytest.approx(100.0)
    assert one(spot="").pairs[0].state.spot is None
    assert one(score=float("nan")).pairs[0].corrected is False
    got = one(beam_radius_px=60.0, aperture_radius_px=80.0, beam_radius_px_sigma=0.6, aperture_radius_px_sigma=1.6)
    assert got.pairs[0].ratio == pytest.approx((0.75, 0.75 * sqrt(0.01**2 + 0.02**2)))
    assert one(beam_radius_px=60.0, aperture_radius_px=80.0).radii[0].sigma == 0.002
    for bad in ({"beam_radius_px": 0.0}, {"aperture_radius_px": 0.0}, {"beam_radius_px": None}):
        assert one(**{"beam_radius_px": 60.0, "aperture_radius_px": 80.0, **bad}).radii == ()
    spot = one(scene="crossover", focus_side="positive")
    assert spot.radii == (RadiusReading(40.0, 0.0, 0.1, None, "", True),)
    assert spot.pairs[0].ratio is None
    assert one(taken_at="2026-01-05T08:00:00+00:00").pairs[0].at == T0
    assert one(at=T0, taken_at="2026-02-05T08:00:00+00:00").pairs[0].at == T0
    assert [one(focus_side=s).pairs[0].side for s in ("positive", "negative", "", None)] == [
        "positive", "negative", None, None
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"gun_focus": None}, "a current without the reading of the gun-lens focus"),
        ({"current_pa": 0.0}, "a current of 0 pA says nothing on a logarithmic scale"),
        ({"focus_side": "left"}, "focus_side is 'left'; allowed: positive, negative"),
    ],
)
def test_what_is_set_aside_says_why(more, why):
    assert [(a.source, a.why) for a in one(source="line 7", **more).aside] == [("line 7", why)]


def test_sessions_are_parted_by_more_than_three_hours():
    rows = [{"gun_focus": 40, "current_pa": 24, "taken_at": T0 + timedelta(hours=h)} for h in (3.0, 0.0, 6.1)]
    names = [p.session for p in pairs_from_records([*rows, {"gun_focus": 40, "current_pa": 24}]).pairs]
    assert names == ["2026-01-05T08:00+00:00", "2026-01-05T08:00+00:00", "2026-01-05T14:06+00:00", ""]
    stated = [{**rows[0], "session": "monday"}, rows[2]]
    assert [p.session for p in pairs_from_records(stated).pairs] == ["monday", "2026-01-05T14:06+00:00"]


def entry(kind, minutes, **values):
    return {"kind": kind, "at": T0 + timedelta(minutes=minutes), **values}


def test_a_log_hands_state_and_score_on_to_the_currents():
    seen = entry(
        "picture", 5, score=90.0, score_sigma=0.4, halo_fraction=0.1, halo_fraction_sigma=0.01, scene="both-edges"
    )
    state = entry("state", 0, gun_focus=40.0, focus_side="positive", kv=200.0, spot="3", aperture_um=70.0)
    picture, current = records_from_log([state, seen, entry("current", 20, current_pa=27.0)])
    assert {k: picture[k] for k in ("gun_focus", "focus_side", "kv", "spot", "aperture_um", "scene")} == {
        "gun_focus": 40.0, "focus_side": "positive", "kv": 200.0, "spot": "3", "aperture_um": 70.0, "scene": "both-edges"
    }  # fmt: skip
    assert {k: current[k] for k in ("score", "score_sigma", "halo_fraction", "halo_fraction_sigma", "spot")} == {
        "score": 90.0, "score_sigma": 0.4, "halo_fraction": 0.1, "halo_fraction_sigma": 0.01, "spot": "3"
    }  # fmt: skip
    assert "scene" not in current
    # Its own score counts before the picture's, and a new focus without its side leaves the old side behind.
    own = entry("current", 6, current_pa=27.0, score=80.0, kv=None)
    own, moved = records_from_log([state, seen, own, entry("current", 7, gun_focus=-9.0, current_pa=5.0)])[1:]
    assert (own["score"], own["kv"]) == (80.0, 200.0)
    assert "focus_side" not in moved
    assert "score" not in moved


@pytest.mark.parametrize(
    ("between", "kept"),
    [
        (entry("state", 6, gun_focus=40.0), True),
        (entry("state", 6, gun_focus=41.0), False),
        (entry("state", 6, focus_side="negative"), False),
        (entry("state", 6, kv=80.0), False),
        (entry("state", 6, spot="9"), False),
        (entry("state", 6, aperture_um=50.0), False),
        (entry("note", 6), True),
        (entry("nudge", 6), False),
        (entry("recall", 6), False),
        (entry("routine-start", 6), False),
        (entry("routine-end", 6), False),
        (entry("service", 6), False),
    ],
)
def test_a_score_holds_until_something_moves(between, kept):
    state = entry("state", 0, gun_focus=40.0, focus_side="positive", kv=200.0, spot="3", aperture_um=70.0)
    records = records_from_log([state, entry("picture", 5, score=90.0), between, entry("current", 8, current_pa=27.0)])
    assert ("score" in records[-1]) is kept


def test_a_score_holds_for_a_quarter_of_an_hour_and_a_state_for_a_session():
    for minutes, kept in ((20, True), (20.1, False)):
        records = records_from_log([entry("picture", 5, score=90.0), entry("current", minutes, current_pa=27.0)])
        assert ("score" in records[-1]) is kept
    for minutes, kept in ((180, True), (181, False)):
        records = records_from_log([entry("state", 0, kv=200.0), entry("current", minutes, current_pa=27.0)])
        assert ("kv" in records[-1]) is kept


def test_a_state_is_named_by_what_is_stated():
    assert GunState(200.0, "3", 70.0).label == "200 kV, spot 3, 70 µm aperture"
    assert GunState(None, None, 70.0).label == "70 µm aperture"
    assert GunState().label == "state not stated"


# --- sheets -----------------------------------------------------------------------------------------------------------
def sheet(folder, content):
    path = folder / "s.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def test_a_sheet_is_read_by_names_and_everyday_spellings(tmp_path):
    text = (
        "# noted by hand\n\nGun_Lens  Focus;CURRENT (PA);Side;High Tension (kV);Aperture (µm);Date;changed;current_pa_sigma;x\n"
        "40,5;24,1;positive;200;70;2026-03-09T14:30:00+01:00;kv;\n-40;1500;;;;;;2,5;y\n"
    )
    first, second = read_records(sheet(tmp_path, text))
    assert first == {
        "source": f"{tmp_path / 's.csv'}, line 4", "gun_focus": 40.5, "current_pa": 24.1, "focus_side": "positive",
        "kv": 200.0, "aperture_um": 70.0, "taken_at": datetime.fromisoformat("2026-03-09T14:30:00+01:00"), "changed": ("kv",),
    }  # fmt: skip
    assert second == {
        "source": f"{tmp_path / 's.csv'}, line 5", "gun_focus": -40.0, "current_pa": 1500.0, "current_pa_sigma": 2.5
    }  # fmt: skip
    commas = read_records(sheet(tmp_path, 'gun_focus,current_pa,at,changed\n1.5,2,2026-03-09T14:30,"kv;spot"\n'))
    assert commas[0]["changed"] == ("kv", "spot")
    assert commas[0]["at"] == datetime(2026, 3, 9, 14, 30).astimezone()
    assert read_records(sheet(tmp_path, "focus\tcurrent\n1,5\t2\n"))[0]["gun_focus"] == 1.5
    assert len(read_records(sheet(tmp_path, "focus,current\n1,2,\n"))) == 1  # an empty cell too many is none


@pytest.mark.parametrize(
    ("content", "reason", "remedy"),
    [
        ("", "the sheet is empty",
         "Its first line names the columns, for instance gun_focus,current_pa,focus_side,kv,aperture_um,score"),
        ("gun_focus,score\n", "it has no column current_pa",
         "Name the columns, for instance gun_focus,current_pa,focus_side,kv,aperture_um,score"),
        ("current_pa\n", "it has no column gun_focus",
         "Name the columns, for instance gun_focus,current_pa,focus_side,kv,aperture_um,score"),
        ("gun_focus,focus,current\n", "two columns are named gun_focus", "Keep one of them"),
        ("focus,current\n40,abc\n", "line 2: current_pa is 'abc'", "Write a plain number, such as 38.5"),
        ("focus,current\n40,inf\n", "line 2: current_pa is 'inf'", "Write a plain number, such as 38.5"),
        ('focus,current\n40,"2,5"\n', "line 2: current_pa is '2,5'", "Write a plain number, such as 38.5"),
        ("focus,current\n40,24,7\n", "line 2 has more cells than there are columns", "Check for stray commas"),
        ("focus,current,time\n40,24,noon\n", "line 2: taken_at is 'noon'", "Write times as 2026-03-09T14:30 (ISO 8601)"),
        (b"\xff\xfe\x00", "it is no UTF-8 text", "Save the sheet as CSV in UTF-8"),
        ("focus\x00", "it is no text", "Name a CSV sheet"),
        ('focus,current\n"40,24\n', "line 2 is no CSV (unexpected end of data)", "Check its quotation marks"),
    ],
)  # fmt: skip
def test_a_wrong_sheet_says_where_and_what_to_do(tmp_path, content, reason, remedy):
    path = sheet(tmp_path, content)
    with pytest.raises(ReadError) as caught:
        read_records(path)
    assert (caught.value.file, caught.value.reason, caught.value.remedy) == (str(path), reason, remedy)


def test_a_sheet_that_is_none_is_refused(tmp_path):
    with pytest.raises(ReadError) as caught:
        read_records(tmp_path / "none.csv")
    assert (caught.value.reason, caught.value.remedy) == (
        "No such file or directory", "Name a CSV sheet that can be read"
    )  # fmt: skip
    path = tmp_path / "s.csv"
    with path.open("wb") as out:
        out.truncate(64 * 2**20 + 1)
    with pytest.raises(ReadError) as caught:
        read_records(path)
    assert (caught.value.reason, caught.value.remedy) == ("it is larger than 64 MiB", "Split the sheet")
