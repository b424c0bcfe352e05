"""Zones, daylight saving, cameras whose clock is off, clocks that jump."""

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from apertrue.frame import Frame, State, age_min
from apertrue.instrument import Camera, Instrument, completed
from apertrue.session import TimeError, add_event, context_for, read_time, standing, zone_of
from apertrue.session.clock import age_words, clock_words, fixed, in_zone, local_zone, now
from apertrue.session.judging import add_result

BERLIN = ZoneInfo("Europe/Berlin")


def test_times_from_people():
    noon = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
    assert read_time("14:20", BERLIN, noon).isoformat() == "2026-05-04T14:20:00+02:00"
    assert read_time("9:05", BERLIN, noon).isoformat() == "2026-05-04T09:05:00+02:00"
    assert read_time("2026-05-04 14:20", BERLIN).isoformat() == "2026-05-04T14:20:00+02:00"
    assert read_time("2026-05-04T14:20:00Z", BERLIN).isoformat() == "2026-05-04T14:20:00+00:00"
    assert read_time("2026-05-04T14:20-07:00", BERLIN).utcoffset() == timedelta(hours=-7)
    assert abs(read_time("now", BERLIN) - datetime.now(UTC)) < timedelta(minutes=1)
    with pytest.raises(TimeError, match="no time"):
        read_time("half past nine", BERLIN)


def test_hours_that_daylight_saving_skips_or_repeats_are_asked_for():
    with pytest.raises(TimeError, match="does not exist"):
        read_time("2026-03-29 02:30", BERLIN)
    with pytest.raises(TimeError, match=r"happens twice.*2026-10-25T02:30:00\+02:00 or 2026-10-25T02:30:00\+01:00"):
        read_time("2026-10-25 02:30", BERLIN)
    assert read_time("2026-10-25T02:30+01:00", BERLIN).astimezone(UTC).hour == 1


def test_the_night_when_the_clock_goes_back_keeps_the_order(log):
    first, second = (read_time(f"2026-10-25T02:30{z}", BERLIN) for z in ("+02:00", "+01:00"))
    add_event(log, "note", second, values={"note": "second"})
    add_event(log, "note", first, values={"note": "first"})
    assert [r["note"] for r in log.rows("select note from log_now")] == ["first", "second"]
    assert second - first == timedelta(hours=1)


def test_local_zone_gives_moments_like_the_system():
    moment = datetime(2026, 7, 1, 12, tzinfo=UTC)
    assert in_zone(moment, local_zone()) == moment
    assert now().utcoffset() is not None
    with pytest.raises(TimeError, match="needs its zone"):
        fixed(datetime(2026, 5, 4))


def test_unknown_zone_is_told():
    with pytest.raises(TimeError, match="Atlantis"):
        zone_of(Instrument(timezone="Europe/Atlantis"))


def test_words():
    assert [age_words(m) for m in (0.2, 12, 125, 3000, -3)] == ["12 s", "12 min", "2 h 5 min", "2 days", "3 min ahead"]
    noon = datetime(2026, 5, 4, 12, 0, tzinfo=timezone(timedelta(hours=2)))
    assert clock_words(datetime(2026, 5, 4, 9, 0, tzinfo=UTC), noon) == "11:00"
    assert clock_words(datetime(2026, 5, 3, 9, 0, tzinfo=UTC), noon) == "2026-05-03 11:00"


def _frame(taken_at, camera="side", source="file", file="a.tif", digest="d"):
    return Frame(
        np.zeros((16, 16)),
        file=file,
        taken_at=taken_at,
        taken_at_source=source,
        state=State(camera=camera),
        digest=digest,
    )


def test_a_camera_whose_clock_is_off_is_corrected_once(log, start, make_assessment):
    instrument = Instrument(cameras={"side": Camera(clock_correction_s=-3600.0)})
    frame = completed(_frame(start + timedelta(hours=1)), instrument)
    frame = completed(frame, instrument)
    assert age_min(frame, start + timedelta(minutes=5)) == pytest.approx(5.0)
    from types import SimpleNamespace

    result = SimpleNamespace(frame=frame, assessment=make_assessment(1, 1, file="a.tif"))
    event, added = add_result(log, result, start, instrument)
    assert added
    assert event.at == start
    assert log.value("select clock_correction_s from log") == -3600.0


def test_a_picture_from_the_future_has_no_age(start):
    assert age_min(_frame(start + timedelta(minutes=10)), start) is None
    assert age_min(_frame(start + timedelta(seconds=30)), start) == 0.0
    assert age_min(_frame(None), start) is None
    assert age_min(_frame(start, source="file time"), start) is None
    assert age_min(_frame(start, source="file time"), start, trust_file_time=True) == 0.0


def test_a_clock_that_jumps_back_does_no_harm(log, day_filler, start):
    end = day_filler(log)
    before = standing(log, Instrument(), end)
    back = standing(log, Instrument(), start + timedelta(hours=2))  # later entries are in the future: left out
    assert back.follower.pictures < before.follower.pictures
    context = context_for(log, _frame(start + timedelta(hours=2), file="new.tif", digest="new"), Instrument(), end)
    assert context.age_min == pytest.approx((end - start).total_seconds() / 60 - 120)
