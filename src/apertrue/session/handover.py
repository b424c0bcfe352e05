"""One page for the next operator and for the way back to work: what is set, how it stands, what to do next.

Names are left out; nothing counts or compares people.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from ..calibration import Calibration
from ..instrument import Instrument
from ..registry import REASONS, SESSION_GAP_H, VERDICT_WORDS, Verdict
from ..registry.format import format_number, format_value
from ..store import Store
from .clock import age_words, clock_words, in_zone, zone_of
from .describe import describe, value
from .entry import SessionEvent
from .history import running_since, runs
from .log import events
from .masking import Mask, mask_for
from .stand import REACH_H, Standing, standing, too_old
from .words import EventKind

#: Fields of the state, with their words, in the order of the page.
_SET = (
    ("kv", "High tension"),
    ("aperture_um", "Condenser aperture"),
    ("spot", "Spot"),
    ("setting", "Stored gun setting recalled"),
    ("gun_focus", "Gun-lens focus"),
    ("focus_side", "Focus side"),
    ("gun_shift_x", "Gun shift X"),
    ("gun_shift_y", "Gun shift Y"),
    ("magnification", "Magnification"),
    ("camera", "Camera or screen"),
    ("current_pa", "Beam current, last read"),
)

#: A picture not older than this tells where the beam is now, min.
FRESH_MIN = 10.0

#: Entries of the day on the page at most, the latest.
_MOST_OF_A_DAY = 40

#: From the alignment view back to work (common practice, no source).
WAY_BACK = (
    "Check which detector is in and what it may take, before anything that brightens or narrows the beam.",
    "Note the gun shift readings.",
    "Switch the last condenser lens on again and go back to the working spread.",
    "Normalize the lenses.",
    "Bring the specimen back; check that nothing sensitive lies in the beam.",
    "Read the current at the working focus and compare it with the last one noted.",
)

CAUTION = (
    "apertrue only advises and is not yet verified on an instrument. The maker's procedures, local rules and trained "
    "staff go first."
)


@dataclass(frozen=True, slots=True)
class Handover:
    """The page's content; times as texts.

    Attributes:
        instrument: its name.
        made_at: when the page was made.
        settings: (what, value, since when it was last read).
        stands: sentences on how it stands.
        next_steps: what to do next, first things first.
        way_back: from the alignment view to work.
        day: (time, what) of the day's entries other than pictures and notes, and of the main pictures.
        day_left_out: how many entries of the day ``day`` leaves out, for a sentence.
        notes: (time, note).
    """

    instrument: str
    made_at: str
    settings: tuple[tuple[str, str, str], ...]
    stands: tuple[str, ...]
    next_steps: tuple[str, ...]
    way_back: tuple[str, ...]
    day: tuple[tuple[str, str], ...]
    notes: tuple[tuple[str, str], ...]
    day_left_out: int = 0

    @property
    def selection(self) -> str:
        """What ``day`` holds, where it does not hold all; else empty."""
        if not self.day_left_out:
            return ""
        return (
            f"{self.day_left_out} more of the log's entries are not listed: pictures whose verdict is that of the one before"
            f"{' and what came first' if len(self.day) == _MOST_OF_A_DAY else ''}. All: apertrue session show."
        )


def handover(
    store: Store, instrument: Instrument, now: datetime, *, calibrations: Sequence[Calibration] = ()
) -> Handover:
    """The page as of ``now``."""
    zone = zone_of(instrument)
    now = in_zone(now, zone)
    here = standing(store, instrument, now, calibrations=calibrations)
    recent = events(store, since=now - timedelta(hours=REACH_H), until=now + timedelta(seconds=0.001))
    today = _of_the_shift(recent, now)
    mask = mask_for(store)
    main = _main_entries(today)
    return Handover(
        instrument.name,
        now.strftime("%Y-%m-%d %H:%M"),
        _settings(recent, now),
        _stands(here, today, now),
        _next(here, recent, now, instrument),
        WAY_BACK,
        tuple((clock_words(e.at, now), mask.text(describe(e))) for e in main),
        tuple((clock_words(e.at, now), mask.text(str(e.get("note")))) for e in today if e.kind is EventKind.NOTE),
        sum(e.kind is not EventKind.NOTE for e in today) - len(main),
    )


def _of_the_shift(recent: Sequence[SessionEvent], now: datetime) -> Sequence[SessionEvent]:
    """Today's entries, and those before midnight that run on into them without a pause; all recent ones if none is today's."""
    first = next((i for i, e in enumerate(recent) if e.at.astimezone(now.tzinfo).date() == now.date()), None)
    if first is None:
        return recent
    while first > 0 and recent[first].at - recent[first - 1].at <= timedelta(hours=SESSION_GAP_H):
        first -= 1
    return recent[first:]


def _settings(entries: Sequence[SessionEvent], now: datetime) -> tuple[tuple[str, str, str], ...]:
    out = []
    for name, words in _SET:
        entry = next((e for e in reversed(entries) if e.get(name) is not None), None)
        if entry is None:
            continue
        since = clock_words(entry.at, now)
        turned = ""
        if name in ("gun_shift_x", "gun_shift_y") and _turned_since(entries, entry):
            turned = " (turned since)"
        out.append((words, format_value(name, entry.get(name)) + turned, since))
    return tuple(out)


def _turned_since(entries: Sequence[SessionEvent], entry: SessionEvent) -> bool:
    moving = (EventKind.NUDGE, EventKind.ROUTINE_END, EventKind.RECALL)
    return any(e.kind in moving and (e.at, e.id) > (entry.at, entry.id) for e in entries)


def _stands(here: Standing, today: Sequence[SessionEvent], now: datetime) -> tuple[str, ...]:
    out: list[str] = []
    last = here.last
    if last is None:
        out.append("No picture with an offset in the log of this session.")
    else:
        direction = last.get("offset_direction_deg")
        toward = "" if direction is None else f" toward {direction:.0f}° (90° is up)"
        score = "" if last.get("working_score") is None else f"; working score {value(last, 'working_score')}"
        out.append(
            f"Last picture {clock_words(last.at, now)}, {_age(last, now)} old: offset {value(last, 'offset_percent')} of the "
            f"aperture radius{toward}{score}."
        )
    rate = here.outlook.rate
    if rate is not None:
        speed = format_number(rate.speed, rate.speed_sigma, unit="% of the aperture radius per hour")
        way = f" toward {rate.direction_deg:.0f}°" if rate.direction_deg is not None else ", direction within its doubt"
        out.append(f"The beam creeps {speed}{way}.")
    out += here.sentences
    done = runs(today)
    if done:
        hung = sum(r.outcome == "hung" for r in done)
        when = "today" if today[0].at.astimezone(now.tzinfo).date() == now.date() else "in this shift"
        out.append(
            f"The automatic routine ran {_times(len(done))} {when}" + (f" and hung {_times(hung)}." if hung else ".")
        )
    return tuple(out)


def _age(picture: SessionEvent, now: datetime) -> str:
    return age_words((now - picture.at).total_seconds() / 60.0)


def _times(n: int) -> str:
    return {1: "once", 2: "twice"}.get(n, f"{n} times")


def _next(here: Standing, entries: Sequence[SessionEvent], now: datetime, instrument: Instrument) -> tuple[str, ...]:
    out: list[str] = []
    old = ""
    since = running_since(entries, now)
    if since is not None:
        out.append(
            f"The automatic routine was started at {clock_words(since, now)} and no end is logged: look whether it "
            "still runs or hangs, and log its end."
        )
    last = here.last
    later = [] if last is None else [e for e in entries if (e.at, e.id) > (last.at, last.id)]
    moved = [e for e in later if e.kind in (EventKind.NUDGE, EventKind.ROUTINE_END, EventKind.RECALL)]
    changed = [e for e in later if e.kind in (EventKind.STATE, EventKind.SERVICE)]
    if last is None or here.outlook.basis == "none" or moved or changed:
        why = (
            "the beam was moved since the last picture"
            if moved
            else "the state changed since the last picture"
            if changed
            else "there is none that holds"
        )
        out.append(f"Take a picture in the alignment view: {why}.")
    elif too_old(last, instrument, now):
        old = f"The last picture, {_age(last, now)} old, is too old to act on: take a new one in the alignment view."
        out.append(old)
    elif last.get("verdict"):
        verdict = Verdict(last.get("verdict"))
        out.append(f"The last picture's advice, {_age(last, now)} old: {verdict}, {VERDICT_WORDS[verdict]}.")
        for reason in str(last.get("reasons") or "").split(";")[:2]:
            known = REASONS.get(reason)
            if known is not None and verdict is not Verdict.LEAVE:
                out.append(f"{known.sentence} {known.remedy}")
    check = here.check_at
    if check is not None and not moved and not changed:
        if check <= now + timedelta(minutes=1) and _says_move(last, now):
            out.append("Then take another picture in the alignment view.")
        elif check <= now + timedelta(minutes=1):
            # An old "leave it" beside "check now" would only confuse, and "too old" would say the same twice.
            out = [t for t in out if f"old: {Verdict.LEAVE}," not in t and t != old]
            out.insert(0, "Check again now, before anything else: take a picture in the alignment view.")
        else:
            out.append(f"Check again by {clock_words(check, now)}.")
    return tuple(out)


def _says_move(last: SessionEvent | None, now: datetime) -> bool:
    """Whether the last picture is fresh and says to move the beam: nothing is won by looking again before."""
    if last is None or now - last.at > timedelta(minutes=FRESH_MIN):
        return False
    return last.get("verdict") in (Verdict.NUDGE, Verdict.AUTO) and "stale" not in last.flags


def _main_entries(entries: Sequence[SessionEvent]) -> list[SessionEvent]:
    """What a person wants to read: all that was done, the first and last picture and those whose verdict changed."""
    out: list[SessionEvent] = []
    pictures = [e for e in entries if e.kind is EventKind.PICTURE]
    keep = {pictures[0].id, pictures[-1].id} if pictures else set()
    before = None
    for p in pictures:
        if p.get("verdict") != before:
            keep.add(p.id)
        before = p.get("verdict")
    for e in entries:
        if (e.kind is EventKind.PICTURE and e.id in keep) or e.kind not in (EventKind.PICTURE, EventKind.NOTE):
            out.append(e)
    return out[-_MOST_OF_A_DAY:]


def as_text(page: Handover) -> str:
    """The page as plain text, at most 100 columns where it can be."""
    import textwrap

    lines = [f"Handover  {page.instrument}  {page.made_at}", ""]

    def part(title: str) -> None:
        lines.extend([title, "-" * len(title)])

    def items(texts: Sequence[str], numbered: bool = False) -> None:
        for i, text in enumerate(texts, start=1):
            mark = f"{i}. " if numbered else "- "
            lines.extend(textwrap.wrap(text, 98, initial_indent=mark, subsequent_indent=" " * len(mark)))
        lines.append("")

    part("What to do next")
    items(page.next_steps or ("Nothing is due.",), numbered=True)
    part("How it stands")
    items(page.stands)
    part("What is set, as last read")
    width = max((len(w) for w, _, _ in page.settings), default=0)
    lines += [f"{words.ljust(width)}  {text}  (read {since})" for words, text, since in page.settings]
    lines.append("" if page.settings else "Nothing was noted.\n")
    part("Way back to work after an alignment")
    items(page.way_back, numbered=True)
    if page.notes:
        part("Notes")
        items([f"{t}  {n}" for t, n in page.notes])
    if page.day:
        part("The day")
        lines += [f"{t}  {w}" for t, w in page.day]
        lines += textwrap.wrap(page.selection, 98)
        lines.append("")
    lines += textwrap.wrap(CAUTION, 98)
    return "\n".join(lines) + "\n"


def as_html(page: Handover, timeline_svg: str | None = None) -> str:
    """The page as one self-contained HTML file for screen and print; texts are escaped."""
    from jinja2 import Environment
    from markupsafe import Markup

    text = (Path(__file__).parent / "templates" / "handover.html").read_text(encoding="utf-8")
    template = Environment(autoescape=True).from_string(text)
    return template.render(
        page=page,
        caution=CAUTION,
        timeline=None if timeline_svg is None else Markup(timeline_svg),  # noqa: S704 ours
    )


__all__ = ["CAUTION", "WAY_BACK", "Handover", "Mask", "as_html", "as_text", "handover"]
