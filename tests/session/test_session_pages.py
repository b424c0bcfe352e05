"""Handover and timeline: what is set, how it stands, what to do next; no names, nobody ranked."""

import re
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from apertrue.instrument import Instrument
from apertrue.session import add_event, add_picture, retract
from apertrue.session.handover import as_html, as_text, handover
from apertrue.session.timeline import timeline

INSTRUMENT = Instrument(name="room 12 <b>", timezone="Europe/Berlin")


def _pictures(log, start, make_assessment, offsets: dict[int, tuple[float, float]]) -> None:
    """A picture in the log for each minute after the start, with its offset in x and y, %."""
    for minute, (x, y) in offsets.items():
        at = start + timedelta(minutes=minute)
        add_picture(log, make_assessment(x, y, at=at, file=f"{minute}.tif"), at, digest=f"p{minute}")


def test_the_page_says_what_is_set_how_it_stands_and_what_to_do(log, day_filler):
    end = day_filler(log)
    page = handover(log, INSTRUMENT, end)
    settings = {what: text for what, text, _ in page.settings}
    assert settings["High tension"] == "200 kV"
    assert settings["Stored gun setting recalled"] == "STEM, 70 um"
    assert settings["Gun-lens focus"] == "40"
    text = as_text(page)
    assert "creeps" in text
    assert "check again" in text.lower()
    assert "hung once" in text
    assert "which detector is in" in text
    assert "not yet verified" in text
    assert max(map(len, text.splitlines())) <= 120


def test_the_page_says_how_many_entries_it_leaves_out(log, start, make_assessment):
    _pictures(log, start, make_assessment, dict.fromkeys(range(6), (4.0, 0.0)))
    page = handover(log, INSTRUMENT, start + timedelta(minutes=7))
    assert (len(page.day), page.day_left_out) == (2, 4)
    for text in (as_text(page), as_html(page)):
        assert "4 more of the log's entries are not listed" in text.replace("&#39;", "'")
    few = handover(log, INSTRUMENT, start + timedelta(minutes=1, seconds=30))
    assert (len(few.day), few.selection) == (2, "")


def test_a_night_shift_stays_together_across_midnight(log):
    midnight = datetime(2026, 3, 4, tzinfo=ZoneInfo("Europe/Berlin"))
    for minutes, kind, outcome in ((-400, "routine-start", None), (-390, "routine-end", "hung"), (-40, "routine-start", None),
                                   (-20, "routine-end", "hung")):  # fmt: skip
        add_event(log, kind, midnight + timedelta(minutes=minutes), outcome=outcome)
    add_event(log, "note", midnight + timedelta(minutes=10), values={"note": "quiet"})
    page = handover(log, INSTRUMENT, midnight + timedelta(minutes=20))
    assert (
        "The automatic routine ran once in this shift and hung once." in page.stands
    )  # the afternoon's is another shift


def test_no_names_in_text_or_html(log, day_filler, make_assessment):
    end = day_filler(log)
    add_picture(log, make_assessment(1, 1, file="/home/robin/x.tif", error=None, at=end), end, who="robin example")
    page = handover(log, INSTRUMENT, end + timedelta(minutes=1))
    for text in (as_text(page), as_html(page)):
        assert not re.search("robin|example", text, re.IGNORECASE)
        assert "[name] saw the screen flicker" in text


def test_html_is_escaped_and_self_contained(log, day_filler):
    end = day_filler(log)
    add_event(log, "note", end, values={"note": "<script>alert(1)</script>"})
    html = as_html(handover(log, INSTRUMENT, end + timedelta(minutes=1)), "<svg></svg>")
    assert "<script>" not in html
    assert "room 12 &lt;b&gt;" in html
    assert "http" not in html.replace("http://www.w3.org", "")
    assert "<svg></svg>" in html


def test_after_a_move_the_next_thing_is_a_picture(log, day_filler):
    end = day_filler(log)
    add_event(log, "nudge", end, values={"nudge_x": 1.0})
    page = handover(log, INSTRUMENT, end + timedelta(minutes=1))
    assert page.next_steps[0].startswith("Take a picture in the alignment view: the beam was moved")
    add_event(log, "routine-start", end + timedelta(minutes=2))
    page = handover(log, INSTRUMENT, end + timedelta(minutes=5))
    assert "no end is logged" in page.next_steps[0]


def test_a_fresh_picture_that_says_move_is_not_looked_at_again_first(log, start, make_assessment):
    _pictures(log, start, make_assessment, {0: (4.0, 0.5), 13: (4.8, 0.5), 24: (6.5, 0.5)})
    soon = handover(log, INSTRUMENT, start + timedelta(minutes=25)).next_steps
    assert soon[0].startswith("The last picture's advice, 1 min old: nudge")
    assert soon[-1].startswith("Then take another picture")
    assert not any("before anything else" in step for step in soon)
    late = handover(log, INSTRUMENT, start + timedelta(minutes=60)).next_steps
    assert "before anything else" in late[0]


def test_an_old_pictures_advice_is_not_repeated(log, start, make_assessment):
    _pictures(log, start, make_assessment, {0: (0.2, 0.1), 60: (0.3, 0.1), 120: (0.3, 0.1)})
    fresh = handover(log, INSTRUMENT, start + timedelta(minutes=149)).next_steps
    assert fresh[0].startswith("The last picture's advice, 29 min old: leave")
    old = handover(log, INSTRUMENT, start + timedelta(minutes=152)).next_steps
    assert old[0] == "The last picture, 32 min old, is too old to act on: take a new one in the alignment view."
    assert not any("advice" in step for step in old)
    # Where looking again is due anyway it is said once.
    due = handover(log, INSTRUMENT, start + timedelta(hours=9)).next_steps
    assert due[0].startswith("Check again now")
    assert not any("too old" in step or "advice" in step for step in due)


def test_an_empty_log_makes_a_page_too(log, start):
    page = handover(log, INSTRUMENT, start)
    assert "No picture with an offset" in as_text(page)
    assert page.next_steps[0].startswith("Take a picture")


def test_entries_taken_back_do_not_show(log, day_filler):
    end = day_filler(log)
    note = log.value("select id from log where kind = 'note'")
    retract(log, note, end)
    assert handover(log, INSTRUMENT, end).notes == ()


def test_the_timeline_holds_what_it_should(log, day_filler, start):
    end = day_filler(log)
    line = timeline(log, INSTRUMENT, start, start + timedelta(hours=12), now=end)
    n = log.value("select count(*) from log where kind = 'picture'")
    assert len(line.offset.at) == len(line.score.at) == len(line.current.at) == n
    assert line.offset.sigma == pytest.approx([0.1] * n)
    assert [str(k) for _, k, _ in line.marks] == ["state", "recall", "nudge"]
    assert [r.outcome for r in line.routine] == ["hung"]
    assert line.fan.offset.shape == (5, 49)
    assert (line.fan.score[:-1] <= line.fan.score[1:] + 1e-9).all()
    assert line.fan.at[0] == end


def test_after_a_move_of_unknown_effect_no_forecast_is_drawn(log, day_filler, start):
    end = day_filler(log)
    add_event(log, "nudge", end, values={"nudge_x": 1.0, "nudge_y": 0.0})
    line = timeline(log, INSTRUMENT, start, start + timedelta(hours=12), now=end + timedelta(minutes=1))
    assert line.standing.outlook.lost
    assert line.fan is None


def test_what_was_done_within_minutes_does_not_hide_one_another(log, day_filler, start):
    pyplot = pytest.importorskip("matplotlib.pyplot")
    from apertrue.session.plot import _figure

    end = day_filler(log)
    for kind, more in (("nudge", {"nudge_x": 1.0}), ("recall", {"setting": "S"}), ("service", {})):
        add_event(log, kind, end, values=more)
    figure = _figure(timeline(log, INSTRUMENT, start, start + timedelta(hours=12), now=end))
    levels = {line.get_label(): set(line.get_ydata()) for line in figure.axes[0].get_lines()}
    pyplot.close(figure)
    assert set(levels) == {"nudge", "setting recalled", "service", "state changed", "routine hung"}
    assert len(set.union(*levels.values())) == len(levels)


@pytest.mark.parametrize("ending", ["svg", "png"])
def test_the_timeline_is_drawn_and_the_same_each_time(log, day_filler, start, tmp_path, ending):
    pytest.importorskip("matplotlib")
    from apertrue.session.plot import draw

    end = day_filler(log)
    line = timeline(log, INSTRUMENT, start, start + timedelta(hours=12), now=end)
    files = [tmp_path / f"{k}.{ending}" for k in (0, 1)]
    for file in files:
        draw(line, file, dpi=60)
    assert files[0].read_bytes() == files[1].read_bytes()
    if ending == "svg":
        text = files[0].read_text(encoding="utf-8")
        for word in (
            "working score",
            "offset, % of the",
            "nudge",
            "setting recalled",
            "state changed",
            "routine hung",
            "forecast, 90 %",
            "current, pA",
            "limit 5 %",
        ):
            assert word in text, word
