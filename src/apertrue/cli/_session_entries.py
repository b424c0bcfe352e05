"""``apertrue session add``, ``note`` and ``undo``: making entries."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ._output import note, print_json, print_sentence, print_text
from ._session_common import (
    AtOption,
    InstrumentOption,
    JsonOption,
    LogOption,
    WhoOption,
    event_dict,
    moment_of,
    open_session_log,
    set_up,
    standing_dict,
    standing_now,
)

if TYPE_CHECKING:
    from ..calibration import Calibration
    from ..frame import Frame
    from ..instrument import Instrument
    from ..session import Logged, SessionEvent
    from ..store import Store


def add(
    what: Annotated[
        list[str],
        typer.Argument(
            metavar="PICTURE... | KIND [FIELD=VALUE...]",
            help="Pictures to judge and add, or one of: nudge, routine-start, routine-end, recall, state, service, "
            "note, current.",
        ),
    ],
    log: LogOption = None,
    instrument: InstrumentOption = None,
    at: AtOption = None,
    who: WhoOption = None,
    outcome: Annotated[
        str | None, typer.Option("--outcome", metavar="WORD", help="Of a routine run: done, hung, failed or stopped.")
    ] = None,
    changed: Annotated[
        list[str] | None,
        typer.Option(
            "--changed", metavar="WORD", help="What changed beside fields: emission, monochromator. May be repeated."
        ),
    ] = None,
    as_taken: Annotated[
        bool, typer.Option("--as-taken", help="Judge each picture as of when it was taken: none is called stale.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Judge pictures and add them, or add what was done. Adding the same picture again does nothing.

    \b
    Examples:
      apertrue session add snapshots/*.tif
      apertrue session add nudge nudge_x=1.2 nudge_y=-0.4
      apertrue session add recall setting="70 um, STEM"
      apertrue session add state kv=200 --changed emission
      apertrue session add current current_pa=35 gun_focus=40 --at 14:20
    """
    from ..session import EventKind

    found, calibrations = set_up(instrument)
    if what[0] in set(EventKind) - {EventKind.PICTURE, EventKind.RETRACTION}:
        values = _fields(what[1:])
        with open_session_log(log) as store:
            entry = _add(store, found, what[0], at, who, outcome, changed or [], values)
        _said(entry, json)
        return
    if outcome or changed:
        raise typer.BadParameter(
            "--outcome and --changed belong to entries such as routine-end and state, not pictures"
        )
    if any("=" in w and not Path(w).exists() for w in what):
        raise typer.BadParameter(_unknown_word(what[0]))
    if _no_picture(what[0]):
        raise typer.BadParameter(_unknown_word(what[0]))
    with open_session_log(log) as store:
        bad = _add_pictures(store, what, found, calibrations, at, who, as_taken, json)
    if bad:
        raise typer.Exit(1)


def note_(
    text: Annotated[list[str], typer.Argument(metavar="TEXT...", help="The note.")],
    log: LogOption = None,
    instrument: InstrumentOption = None,
    at: AtOption = None,
    who: WhoOption = None,
    json: JsonOption = False,
) -> None:
    """Add a note.

    Example: apertrue session note "beam flickers when the pump starts"
    """
    found, _ = set_up(instrument)
    with open_session_log(log) as store:
        entry = _add(store, found, "note", at, who, None, [], {"note": " ".join(text)})
    _said(entry, json)


def undo(
    number: Annotated[int, typer.Argument(metavar="NUMBER", help="The entry's number as 'show' prints it.")],
    why: Annotated[str | None, typer.Option("--why", metavar="TEXT", help="A word on why.")] = None,
    log: LogOption = None,
    who: WhoOption = None,
    json: JsonOption = False,
) -> None:
    """Take an entry back. It stays in the file; taking the retraction back restores it.

    Example: apertrue session undo 12 --why "typed the wrong axis"
    """
    from ..session import SessionError, retract

    with open_session_log(log) as store:
        try:
            entry = retract(store, number, why=why, who=who)
        except SessionError as error:
            raise typer.BadParameter(str(error)) from error
    if json:
        print_json(event_dict(entry))
    else:
        print_text(f"Entry {number} is taken back (by entry {entry.id}; undo {entry.id} restores it).")


def _add(
    store: "Store",
    found: "Instrument",
    kind: str,
    at: str | None,
    who: str | None,
    outcome: str | None,
    changed: list[str],
    values: dict[str, Any],
) -> "SessionEvent":
    from ..session import SessionError, TimeError, add_event

    try:
        return add_event(
            store,
            kind,
            moment_of(at, found),
            who=who,
            outcome=outcome,
            changed=changed,
            values=values,
            origin="session",
        )
    except (SessionError, TimeError) as error:
        raise typer.BadParameter(str(error)) from error


def _add_pictures(
    store: "Store",
    names: list[str],
    found: "Instrument",
    calibrations: "tuple[Calibration, ...]",
    at: str | None,
    who: str | None,
    as_taken: bool,
    json: bool,
) -> int:
    from ..errors import StoreError, reason_of, told_of
    from ..readers import BadPage, ReadOptions, expand, read_pages
    from ..session.clock import now as present
    from ..session.clock import zone_of

    zone = zone_of(found)
    when = moment_of(at, found)
    options = ReadOptions(timezone=found.timezone)
    bad = 0
    for file in expand(names):
        for page in read_pages(file, options=options):
            try:
                if isinstance(page, BadPage):
                    raise page.error
                done = _judged(store, page, found, calibrations, when, present(zone), who, as_taken)
            except StoreError:  # the log's trouble, not this picture's
                raise
            except Exception as error:
                bad += 1
                message = told_of(file, page.page, reason_of(error))
                note(message)
                if json:
                    print_json({"file": str(file), "page": page.page, "error": message})
                continue
            _tell(done, json)
    here = standing_now(store, found, present(zone), calibrations)
    if json:
        print_json(standing_dict(here))
    else:
        for sentence in here.sentences:
            print_sentence(sentence)
    return bad


def _judged(
    store: "Store",
    frame: "Frame",
    found: "Instrument",
    calibrations: "tuple[Calibration, ...]",
    when: datetime | None,
    moment: datetime,
    who: str | None,
    as_taken: bool,
) -> "Logged":
    from dataclasses import replace

    from ..session import judge_in_session

    if when is not None:
        frame, moment = replace(frame, taken_at=when, taken_at_source="option"), when
    if as_taken and frame.taken_at is not None:
        moment = frame.taken_at
    return judge_in_session(
        store, frame, found, moment, calibrations=calibrations, who=who, origin="session", as_taken=as_taken
    )


def _tell(done: "Logged", json: bool) -> None:
    if json:
        print_json({**event_dict(done.event), "added": done.added})
        return
    from ..session.describe import describe

    file = Path(done.event.get("file") or "picture").name
    known = "" if done.added else " (was in the log already)"
    print_text(f"{file}: {describe(done.event, old='stale' in done.event.flags)}{known}")
    if done.added:
        for sentence in done.result.advice.sentences[:3]:
            print_sentence(f"  {sentence}")


def _said(entry: "SessionEvent", json: bool) -> None:
    from ..session.describe import describe

    if json:
        print_json(event_dict(entry))
    else:
        print_text(f"Entry {entry.id}, {entry.at:%H:%M}: {describe(entry)}.")


def _fields(texts: list[str]) -> dict[str, Any]:
    from ..registry import FIELDS
    from ..registry.format import number_typed

    kinds = {f.name: f.kind for f in FIELDS}
    out: dict[str, Any] = {}
    for text in texts:
        name, equals, raw = text.partition("=")
        if not equals or name not in kinds:
            raise typer.BadParameter(f"{text!r}: write FIELD=VALUE; 'apertrue session columns' lists the fields")
        if kinds[name] in ("real", "whole"):
            number = number_typed(raw)
            if number is None:
                raise typer.BadParameter(f"{name}: {raw!r} is no number")
            out[name] = number
        else:
            out[name] = raw
    return out


def _no_picture(word: str) -> bool:
    """Whether a word can only be a kind of entry typed wrongly: no file, no pattern, no address, no ending."""
    return not Path(word).exists() and not any(c in word for c in "./\\*?[:")


def _unknown_word(word: str) -> str:
    from difflib import get_close_matches

    near = get_close_matches(word, _kinds(), 1)
    meant = f" Did you mean {near[0]}?" if near else ""
    return f"{word!r} is no kind of entry and no picture.{meant} Kinds: {', '.join(_kinds())}"


def _kinds() -> list[str]:
    from ..session import EventKind

    return [str(k) for k in EventKind if k not in (EventKind.PICTURE, EventKind.RETRACTION)]
