"""What the commands of ``apertrue current`` share: readings, the curves fitted to them, and words."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from ._output import note, print_text

if TYPE_CHECKING:
    from ..current.curve import CurrentModel
    from ..current.pairs import Pair, PairSet


def read_pairs(source: Path | None) -> "PairSet":
    """The pairs of a sheet or a log; ends the command, with the reason, when there are none."""
    from ..current.pairs import pairs_from_records, records_from_log
    from ..current.table import read_records

    if source is not None and not _is_log(source):
        rows = read_records(source)
        if any(r.get("kind") for r in rows):
            timed = [r for r in rows if r.get("at") is not None and r.get("kind")]
            rows = records_from_log(sorted(timed, key=lambda r: r["at"].timestamp()))
        found = pairs_from_records(rows)
        where = str(source)
    else:
        from ..current.entries import entry_of
        from ..session import default_log_path, events, open_log

        place = source or default_log_path()
        if not place.exists():
            note(
                f"{place}: there is no session log yet. Name a CSV sheet with --from, or start the log with "
                "'apertrue session add current current_pa=35 gun_focus=40'."
            )
            raise typer.Exit(1)
        with open_log(place, read_only=True) as store:
            found = pairs_from_records(records_from_log([entry_of(e) for e in events(store)]))
        where = str(place)
    if not found.pairs:
        note(f"{where}: no current with a reading of the gun-lens focus was found.")
        for aside in found.aside[:5]:
            note(f"set aside: {aside.source}: {aside.why}")
        raise typer.Exit(1)
    return found


def _is_log(source: Path) -> bool:
    try:
        with source.open("rb") as file:
            return file.read(16) == b"SQLite format 3\x00"
    except OSError:
        return False  # the sheet's reader says what is wrong


def wanted_states(found: "PairSet", kv: float | None, spot: str | None, aperture: float | None) -> list[Any]:
    """(state, its pairs) of the wanted states."""
    from ..current.curve import by_state

    states = by_state(found.pairs)
    wanted = [
        (state, pairs)
        for state, pairs in states.items()
        if (kv is None or state.kv == kv)
        and (spot is None or state.spot == spot)
        and (aperture is None or state.aperture_um == aperture)
    ]
    if not wanted:
        note(f"no readings in that state; there are: {'; '.join(s.label for s in states)}")
        raise typer.Exit(1)
    return wanted


def latest_session(pairs: "list[Pair]") -> str:
    """The name of the session that was last."""
    timed = [p for p in pairs if p.at is not None]
    if timed:
        return max(timed, key=lambda p: p.at.timestamp() if p.at else 0.0).session
    return max(p.session for p in pairs)


def fitted_models(
    source: Path | None, kv: float | None, spot: str | None, aperture: float | None, use_today: bool | None
) -> "list[CurrentModel]":
    """Fitted curves of the wanted states; the latest session counts as today's when it is under way."""
    from datetime import UTC, datetime, timedelta

    from ..registry import SESSION_GAP_H

    found = read_pairs(source)
    out, trouble = [], []
    for state, pairs in wanted_states(found, kv, spot, aperture):
        last = latest_session(pairs)
        times = [p.at for p in pairs if p.session == last and p.at is not None]
        running = bool(times) and datetime.now(UTC) - max(times) < timedelta(hours=SESSION_GAP_H)
        try:
            out.append(fitted(pairs, found, last if running and use_today is not False else None))
        except ValueError as problem:
            trouble.append(f"{state.label}: {problem}")
    for text in trouble:
        note(text)
    for aside in found.aside:
        note(f"set aside: {aside.source}: {aside.why}")
    if not out:
        raise typer.Exit(1)
    return out


def fitted(pairs: "list[Pair]", found: "PairSet", session: str | None) -> "CurrentModel":
    """The curve of these pairs."""
    import numpy as np

    from ..current.curve import fit_current

    # A fixed start: the same readings give the same numbers.
    return fit_current(pairs, found.radii, today=session, rng=np.random.default_rng(20))


def sides_of(side: str | None, model: "CurrentModel") -> list[str]:
    """The sides to tell of."""
    if side is None:
        return [*model.curves, *model.rising]
    if side not in ("positive", "negative"):
        raise typer.BadParameter("--side is positive or negative")
    return [side]


def check_plot(plot: Path | None) -> None:
    """Refuse what no plot is written as."""
    if plot is not None and plot.suffix.lower() not in (".svg", ".png", ".pdf"):
        raise typer.BadParameter(f"{plot}: a plot is written as .svg, .png or .pdf")


def rests_on(model: "CurrentModel") -> str:
    """What a curve rests on, in words."""
    sessions = len({p.session for p in model.pairs})
    crossover = model.crossover
    where = (
        f"crossover at {crossover.focus:.2f} ± {crossover.sigma:.2f}"
        + (f", wandering by {crossover.wander:.2f} from session to session" if crossover.wander > 0 else "")
        if crossover.measured
        else "crossover taken at reading 0 (no picture tells)"
    )
    whose = f"for session {model.today}" if model.today else "for a new session"
    return f"{len(model.pairs)} readings of {sessions} session{'s' if sessions != 1 else ''}; {where}; {whose}:"


def print_aside(model: "CurrentModel") -> None:
    """What was set aside, and why."""
    from ..current.answers import rising_words

    for name in model.rising:
        print_text(rising_words(model, name))
    for aside in model.aside:
        print_text(f"set aside: {aside.source}: {aside.why}")


def print_caution() -> None:
    """What to mind before turning the focus."""
    print_text(
        "Before you turn the focus: which detector is in, and what may it take? Toward crossover the spot gets small "
        "and bright: take sensitive detectors out before you go that way."
    )
