"""What an archive tells: numbers that can be checked by hand, and words for them."""

from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from audit_samples import START

from apertrue.audit import EXPORT_COLUMNS
from apertrue.audit.charting import picture_charts
from apertrue.audit.comparison import compare_audits, comparison_chart
from apertrue.audit.pictures import Picture, pictures_of
from apertrue.audit.reporting import masked
from apertrue.audit.summary import Summary, summarize
from apertrue.audit.wording import in_short, paragraphs
from apertrue.instrument import Limits


def row(file: str, **values: Any) -> dict[str, Any]:
    return dict.fromkeys(EXPORT_COLUMNS) | {"file": file, "flags": [], "reasons": []} | values


def measured(session: int, minutes: float, x: float, y: float, score: float, **more: Any) -> dict[str, Any]:
    when = START + timedelta(days=session, minutes=minutes)
    offset = float(np.hypot(x, y))
    return row(
        f"s{session}/{minutes:04.0f}.tif",
        page=0,
        taken_at=when.isoformat(),
        taken_at_source="sheet",
        scene="both-edges",
        verdict="leave" if offset <= 5 else "nudge",
        session=f"day {session}",
        offset_percent=offset,
        offset_percent_sigma=0.1,
        offset_x_percent=x,
        offset_x_percent_sigma=0.0,
        offset_y_percent=y,
        offset_y_percent_sigma=0.0,
        working_score=score,
        working_score_sigma=0.5,
        gun_shift_x=1.0,
        gun_shift_y=2.0,
        **more,
    )


def archive(sessions: int = 8, drift: float = 2.0, score: float = 96.0) -> list[Picture]:
    """Sessions of three pictures an hour apart, drifting to the right at ``drift`` % per hour."""
    rows = [
        measured(s, 60 * i, 1 + drift * i, 0.0, score - s % 2, setting="low") for s in range(sessions) for i in range(3)
    ]
    rows += [row("x.tif", page=0, scene="other-view", verdict="retake"), row("y.tif", error="y.tif: broken.")]
    return pictures_of(rows)


def summary(pictures: list[Picture]) -> Summary:
    return summarize(pictures, offset_limit=5.0, rng=np.random.default_rng(0))


def test_counts_losses_and_hours() -> None:
    s = summary(archive())
    assert s.counts == {"leave": 24, "nudge": 0, "auto": 0, "retake": 0, "aside": 1, "error": 1}
    assert s.lost is not None
    assert s.lost.value == pytest.approx(4.5)
    # Two kinds of sessions, 95 and 96: the cluster-robust σ by hand, sqrt(G/(G−1) Σ(3·0.5)²)/24.
    assert s.lost.sigma == pytest.approx(np.sqrt(8 / 7 * 8 * 1.5**2) / 24)
    assert s.session_hours == pytest.approx(16.0)
    assert s.hours_lost == pytest.approx(8 * (0.04 / 0.96 + 0.05 / 0.95))


def test_drift_and_when_to_look_again() -> None:
    s = summary(archive(drift=2.0))
    assert len(s.pairs) == 16
    assert s.drift is not None
    assert s.drift.value == pytest.approx(2.0)
    assert s.recheck_h == pytest.approx(2.5)
    assert [(low, high) for low, high, _ in s.drift_by_hour] == [(0.0, 1.0), (1.0, 2.0)]


def test_a_move_by_hand_is_no_drift() -> None:
    pictures = archive()
    moved = [Picture(p.number, p.kind, p.session, p.when, {**p.row, "gun_shift_x": float(p.number)}) for p in pictures]
    unknown = [Picture(p.number, p.kind, p.session, p.when, {**p.row, "gun_shift_x": None}) for p in pictures]
    for changed in (moved, unknown):
        s = summary(changed)
        assert s.pairs == ()
        assert (s.drift, s.recheck_h) == (None, None)
        assert any(
            "Not told" in p.text and "gun shift is known to have stayed" in p.text
            for p in paragraphs(s, offset_limit=5.0)
        )


def test_recalls_and_start_values() -> None:
    s = summary(archive())
    assert len(s.recalls) == 8
    assert s.recall_mean["low"][0].value == pytest.approx(1.0)
    assert [(v.setting, v.x, v.y, v.sessions) for v in s.starts] == [("low", 1.0, 2.0, 8)]


def test_trends_find_what_is_there() -> None:
    pictures = [p for half in (0, 1) for p in archive(24, drift=1.5)][: 24 * 3]
    later = [
        Picture(p.number, p.kind, p.session, p.when, {**p.row, "offset_x_percent": p.row["offset_x_percent"] * 2})
        if p.number >= 36
        else p
        for p in pictures
    ]
    drift = next(x for x in summary(later).series if x.name == "drift")
    assert drift.step is not None
    assert (drift.step.before, drift.step.after) == pytest.approx((1.5, 3.0))
    assert drift.step.early <= 12 <= drift.step.late
    assert drift.step.p_value < 0.01
    assert any(
        "The drift went from 1.5 to 3 % per hour between" in p
        for q in paragraphs(summary(later), offset_limit=5)
        for p in q.points
    )


def test_words_for_an_empty_archive() -> None:
    words = paragraphs(summary([]), offset_limit=5.0)
    assert words[0].text.startswith("0 pictures, 0 sessions")
    assert any("can't be told" in p.text for p in words)


def test_the_caution_is_said() -> None:
    text = " ".join(p.text for p in paragraphs(summary(archive()), offset_limit=5.0))
    assert "People take pictures when they are worried" in text
    assert "4.5 ± 0.19 %" in text or "4.50 ± 0.19 %" in text or "4.5 ± 0.2 %" in text


def test_comparison_counts_sessions_not_pictures() -> None:
    rng = np.random.default_rng(0)
    worse, same, few = archive(8, score=92.0), archive(8), archive(2)
    words = compare_audits(archive(8), worse, rng).sentences
    assert any(
        w.startswith("Working score: 95.50") and "a difference; this audit is the worse one." in w for w in words
    )
    assert all(
        w.endswith(("could show.", "are needed).")) for w in compare_audits(archive(8), same, rng).sentences[1:-1]
    )
    assert all("not enough sessions" in w for w in compare_audits(few, few, rng).sentences[1:-1])


def test_all_questions_together_cry_wolf_seldom() -> None:
    """Two audits of the same instrument, five questions at once: a difference is claimed in 5 % (99.9 %: up to 8 of 40).

    And with an instrument that is twice as far off, it is claimed.
    """
    rng = np.random.default_rng(12)

    def audit(scale: float) -> list[Picture]:
        rows = []
        for s in range(6):
            x, speed = scale * rng.normal(4, 2), scale * rng.normal(0, 1.5)
            for k in range(4):
                far = x + speed * k
                rows.append(measured(s, 60 * k, far, 0.0, 100 - abs(far) + rng.normal(0, 0.2), setting="low"))
        return pictures_of(rows)

    def claims(scale: float, times: int) -> int:
        found = [compare_audits(audit(1.0), audit(scale), rng).rows for _ in range(times)]
        return sum(any(r.finding in ("better", "worse") for r in rows) for rows in found)

    assert claims(1.0, 40) <= 8
    found = compare_audits(audit(1.0), audit(4.0), rng)
    assert {r.name: r.finding for r in found.rows}["offset"] == "worse"
    table = comparison_chart(found).table
    assert table is not None
    assert [r[0] for r in table.rows][:2] == ["Working score", "Offset"]
    assert table.rows[1][6] == "worse"


def test_drift_since_it_changed_tells_when_to_look_again() -> None:
    """Twelve sessions at 1 % per hour, twelve at 3 %: the interval is that of today's gun, the change is said."""
    early, late = archive(12, drift=1.0), archive(12, drift=3.0)
    moved = [
        Picture(p.number + 36, p.kind, f"late {p.session}", p.when + 30 * 86400 if p.when else None, p.row)
        for p in late
    ]
    s = summary([*early, *moved])
    assert s.drift is not None
    assert s.drift_before is not None
    assert (s.drift.value, s.drift_before.value) == pytest.approx((3.0, 1.0))
    assert s.recheck_h == pytest.approx(5 / 3)
    assert s.drift_since == pytest.approx((START + timedelta(days=30)).timestamp())
    told = in_short(s, offset_limit=5.0)
    assert any("Look again 100 min after centering" in t and "the drift changed about 2026-04-01" in t for t in told)
    words = next(p for p in paragraphs(s, offset_limit=5.0) if p.heading.startswith("Drift"))
    assert words.text.startswith("Since about 2026-04-01, with the gun shift untouched the beam moved 3.00")
    assert "Before, it was 1.00" in words.text


def test_masked_names_are_gone() -> None:
    pictures = pictures_of(
        [
            measured(0, 0, 1, 1, 99, setting="Anna's", note="Anna was here"),
            row("Anna/x.tif", error="Anna/x.tif: broken (Anna/x.tif)."),
        ]
    )
    clean = masked([*pictures])
    assert not any("Anna" in str(v) or "s0/" in str(v) or "day 0" in str(v) for p in clean for v in p.row.values())
    assert [p.row["file"] for p in clean] == ["picture 00001", "picture 00002"]
    assert clean[0].row["setting"] == "setting 1"


def test_pictures_with_one_edge_are_counted_apart() -> None:
    """One round edge may be that of a pattern or an eye: it is not said to be an aperture with a beam in it."""
    lone = [row(f"e{i}.tif", scene="one-edge", verdict="retake") for i in range(2)]
    spot = row("c.tif", scene="crossover", verdict="retake")
    s = summary(
        pictures_of([measured(0, 0, 1, 0, 99), *lone, spot, row("x.tif", scene="other-view", verdict="retake")])
    )
    assert s.one_edge == 2
    told = in_short(s, offset_limit=5.0)
    assert told[0] == (
        "2 of 5 pictures show a condenser aperture with a beam in it: 50 % of these were centered well enough and "
        "50 % could not tell."
    )
    assert told[1].startswith("In 2 of 5 pictures only one round edge shows")
    found = paragraphs(s, offset_limit=5.0)[0]
    assert found.text.endswith("Of all pictures:")
    assert "60 % that can't tell (3, 2 of them with only one round edge)" in found.points


def test_what_one_short_session_tells_is_said_as_that() -> None:
    """No σ from one session; no sum of zero minutes; one picture, one session; points beyond the rim are counted."""
    far = measured(0, 2, 60.0, 0.0, 40.0) | {"verdict": "auto"}
    near = [measured(0, 0.02 * i, 1.0 + 0.01 * i, 0.0, 99.0) for i in range(120)]
    pictures = pictures_of([*near[:1], far])
    s = summary(pictures)
    assert "30.5 % (one session: no σ)" in in_short(s, offset_limit=5.0)[1]
    quick = summary(pictures_of(near[:2]))
    assert "between first and last" not in next(
        p.text for p in paragraphs(quick, offset_limit=5.0) if p.heading.startswith("What off-center")
    )
    charts = {c.heading: c.caption for c in picture_charts(pictures_of([*near, far]), s, Limits(), None)}
    assert "1 beyond 32 % lies on the rim, with an arrowhead outward." in charts["Offsets in the aperture plane"]
    assert "in 1 session;" in charts["Timeline"]


def test_a_comparison_that_asked_nothing_corrects_nothing() -> None:
    found = compare_audits([], archive(2), np.random.default_rng(0))
    assert found.tests == 0
    assert not any("asked at once" in t for t in (*found.sentences, comparison_chart(found).caption))
