"""``apertrue current``: which focus gives which current, whether today is as usual, and what a cut-off beam costs."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ._output import note, print_json, print_table, print_text

if TYPE_CHECKING:
    from ..current.curve import CurrentModel
    from ..current.pairs import Pair, PairSet

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None)

FromOption = Annotated[
    Path | None,
    typer.Option(
        "--from",
        metavar="FILE",
        help="A CSV sheet (columns gun_focus, current_pa, ...) or a session log; your session log when left out.",
    ),
]
KvOption = Annotated[float | None, typer.Option("--kv", help="Only this high tension, kV.")]
SpotOption = Annotated[str | None, typer.Option("--spot", help="Only this spot setting.")]
ApertureOption = Annotated[float | None, typer.Option("--aperture", metavar="UM", help="Only this aperture, µm.")]
SideOption = Annotated[str | None, typer.Option("--side", help="positive or negative; both when left out.")]
NewOption = Annotated[
    bool, typer.Option("--new-session", help="Answer for a new session, even when today's readings are in the data.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON, one object a line.")]


@app.callback()
def _about() -> None:
    """Current and gun-lens focus: from noted pairs to a curve a side, and back.

    Each side of the crossover has a curve of its own, in each state (high tension, spot, aperture). Currents of
    off-center pictures enter corrected by their score. All numbers are for a centered beam.

    \b
    Examples:
      apertrue current curve --from pairs.csv --plot curve.svg
      apertrue current focus 200 --side positive
      apertrue current at 38
      apertrue current today
      apertrue current cost 85 --current 180 --minutes 120
    """


@app.command()
def curve(
    source: FromOption = None,
    kv: KvOption = None,
    spot: SpotOption = None,
    aperture: ApertureOption = None,
    new_session: NewOption = False,
    plot: Annotated[
        Path | None, typer.Option("--plot", metavar="FILE", help="Draw it: .svg, .png or .pdf (extra: plot).")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Print current against focus, for each state and side.

    Example: apertrue current curve --from pairs.csv --plot curve.svg
    """
    from ..current.plot import curve_figure, save
    from ..current.summary import curve_records, model_record

    _check_plot(plot)
    models = _models(source, kv, spot, aperture, None if not new_session else False)
    for number, model in enumerate(models):
        if plot is not None:
            target = plot if number == 0 else plot.with_stem(f"{plot.stem}-{number + 1}")
            save(curve_figure(model), target)
            note(f"{target}: the curves of {model.state.label}")
        rows = curve_records(model)
        if json:
            print_json(model_record(model) | {"curve": rows})
            continue
        print_text(f"{model.state.label}, {_rests_on(model)}")
        print_table(
            ["side", "focus", "current", "68 %", "95 %"],
            [
                [
                    r["focus_side"],
                    f"{r['gun_focus']:.1f}",
                    _pa(r["current_pa"]),
                    f"{_pa(r['low_68_pa'])} – {_pa(r['high_68_pa'])}",
                    f"{_pa(r['low_95_pa'])} – {_pa(r['high_95_pa'])}",
                ]
                for r in rows
            ],
            right=(1, 2, 3, 4),
        )
        _print_aside(model)
        print_text()


@app.command()
def focus(
    current: Annotated[float, typer.Argument(metavar="PA", help="The current that the work needs, pA.")],
    source: FromOption = None,
    side: SideOption = None,
    kv: KvOption = None,
    spot: SpotOption = None,
    aperture: ApertureOption = None,
    new_session: NewOption = False,
    json: JsonOption = False,
) -> None:
    """Tell which focus gives this current.

    Example: apertrue current focus 200 --side positive
    """
    from ..current.answers import focus_for
    from ..current.summary import model_record

    if not current > 0:
        raise typer.BadParameter("the current must be positive, in pA")
    for model in _models(source, kv, spot, aperture, None if not new_session else False):
        for name in _sides(side, model):
            answer = focus_for(model, current, name)
            if json:
                record = {"kv": model.state.kv, "spot": model.state.spot, "aperture_um": model.state.aperture_um}
                print_json(
                    record
                    | {
                        "current_pa": current,
                        "focus_side": name,
                        "gun_focus": answer.focus,
                        "gun_focus_sigma": answer.sigma,
                        "interval_68": answer.interval_68,
                        "interval_95": answer.interval_95,
                        "extrapolated": answer.extrapolated,
                        "current_range_pa": answer.current_range_pa,
                        "sentences": list(answer.sentences),
                        "set_aside": model_record(model)["set_aside"],
                    }
                )
                continue
            if answer.focus is not None and answer.interval_95 is not None:
                low, high = answer.interval_95
                print_text(
                    f"{model.state.label}, {name} side: {_pa(current)} at focus {answer.focus:.1f} ± {answer.sigma:.1f}"
                    f" (95 %: {low:.1f} to {high:.1f})."
                )
            else:
                print_text(f"{model.state.label}, {name} side: no focus found.")
            for sentence in answer.sentences:
                print_text(f"  {sentence}")
    if not json:
        _caution()


@app.command()
def at(
    focus: Annotated[float, typer.Argument(metavar="FOCUS", help="A reading of the gun-lens focus.")],
    source: FromOption = None,
    side: SideOption = None,
    kv: KvOption = None,
    spot: SpotOption = None,
    aperture: ApertureOption = None,
    to_aperture: Annotated[
        float | None,
        typer.Option("--to-aperture", metavar="UM", help="Carry it over to another aperture, µm, where that holds."),
    ] = None,
    unevenness: Annotated[
        float | None, typer.Option("--unevenness", metavar="PERCENT", help="Unevenness of the light, for that; %.")
    ] = None,
    new_session: NewOption = False,
    json: JsonOption = False,
) -> None:
    """Tell which current this focus gives.

    A negative reading goes after two dashes.

    \b
    Examples:
      apertrue current at 38
      apertrue current at --side negative -- -40
      apertrue current at 60 --aperture 70 --to-aperture 50 --unevenness 4
    """
    from ..current.answers import current_at
    from ..current.costs import scale_to_aperture

    if to_aperture is not None and not to_aperture > 0:
        raise typer.BadParameter("--to-aperture must be positive, in µm")
    for model in _models(source, kv, spot, aperture, None if not new_session else False):
        name = _sides(side, model)[0] if side else None
        answer = current_at(model, focus, name)
        scaled = None
        if to_aperture is not None and answer.current_pa is not None:
            if model.state.aperture_um is None:
                note("not carried over: the readings do not state the aperture that was in (column aperture_um)")
            else:
                slope = model.crossover.slope.get(answer.side)
                ratio = None if slope is None else slope * abs(focus - model.crossover.focus)
                scaled = scale_to_aperture(
                    answer.current_pa,
                    answer.sigma_pa or 0.0,
                    model.state.aperture_um,
                    to_aperture,
                    ratio=ratio,
                    unevenness_percent=unevenness,
                )
        if json:
            print_json(
                {
                    "kv": model.state.kv,
                    "spot": model.state.spot,
                    "aperture_um": model.state.aperture_um,
                    "gun_focus": focus,
                    "focus_side": answer.side,
                    "current_pa": answer.current_pa,
                    "current_pa_sigma": answer.sigma_pa,
                    "interval_68_pa": answer.interval_68,
                    "interval_95_pa": answer.interval_95,
                    "extrapolated": answer.extrapolated,
                    "to_aperture_um": to_aperture,
                    "scaled_pa": None if scaled is None else scaled.current_pa,
                    "scaled_pa_sigma": None if scaled is None else scaled.sigma_pa,
                    "scaled_why": None if scaled is None else scaled.why,
                    "sentences": list(answer.sentences),
                }
            )
            continue
        if answer.current_pa is not None and answer.interval_95 is not None:
            low, high = answer.interval_95
            print_text(
                f"{model.state.label}, {answer.side} side, focus {focus:g}: {_pa(answer.current_pa)} "
                f"± {_pa(answer.sigma_pa or 0.0)} (95 %: {_pa(low)} to {_pa(high)})."
            )
        else:
            print_text(f"{model.state.label}, focus {focus:g}: no current known.")
        for sentence in answer.sentences:
            print_text(f"  {sentence}")
        if scaled is not None:
            value = "" if scaled.current_pa is None else f"{_pa(scaled.current_pa)} ± {_pa(scaled.sigma_pa or 0.0)}. "
            print_text(f"  With {to_aperture:g} µm: {value}{scaled.why}")


@app.command()
def today(
    source: FromOption = None,
    kv: KvOption = None,
    spot: SpotOption = None,
    aperture: ApertureOption = None,
    json: JsonOption = False,
) -> None:
    """Compare the latest session with the curve of the earlier ones.

    Example: apertrue current today
    """
    from ..current.answers import off_curve

    found = _pairs(source)
    for state, pairs in _states(found, kv, spot, aperture):
        last = _latest_session(pairs)
        now = [p for p in pairs if p.session == last]
        before = [p for p in pairs if p.session != last]
        label = {"kv": state.kv, "spot": state.spot, "aperture_um": state.aperture_um, "session": last}
        result = None
        why = "Only one session so far: nothing to compare with."
        if before:
            try:
                result = off_curve(_fit(before, found, None), now)
                why = "No earlier currents on this side near these foci."
            except ValueError as problem:
                why = f"The earlier sessions are no curve yet: {problem}."
        if json:
            print_json(
                label
                | {
                    "factor": None if result is None else result.factor,
                    "interval_95": None if result is None else result.interval_95,
                    "score_sigma": None if result is None else result.score,
                    "readings": len(now) if result is None else result.n,
                    "unusual": None if result is None else result.unusual,
                    "sentences": [why] if result is None else list(result.sentences),
                }
            )
            continue
        print_text(f"{state.label}, session {last or 'without a time'}, {len(now)} readings:")
        for sentence in (why,) if result is None else result.sentences:
            print_text(f"  {sentence}")


@app.command()
def cost(
    score: Annotated[float, typer.Argument(help="Working score, 0 to 100.")],
    score_sigma: Annotated[float | None, typer.Option("--score-sigma", help="Its 1σ.")] = None,
    current: Annotated[float | None, typer.Option("--current", metavar="PA", help="Current as read, pA.")] = None,
    halo: Annotated[float, typer.Option("--halo", help="Share of the light that is halo, 0 to 1.")] = 0.0,
    minutes: Annotated[float | None, typer.Option("--minutes", help="Planned minutes of work.")] = None,
    centering: Annotated[float, typer.Option("--centering", help="Minutes that centering takes.")] = 1.0,
    diameter: Annotated[
        float | None,
        typer.Option(
            "--diameter", metavar="NM", help="Lit disc on the specimen in the working illumination, nm: for the dose."
        ),
    ] = None,
    diameter_sigma: Annotated[float | None, typer.Option("--diameter-sigma", metavar="NM", help="Its 1σ.")] = None,
    kv: Annotated[float | None, typer.Option("--kv", help="High tension, kV: for the wavelength.")] = None,
    json: JsonOption = False,
) -> None:
    """Tell what a cut-off beam costs: current, time, dose.

    Example: apertrue current cost 85 --current 180 --minutes 120
    """
    from ..current.costs import cost_of
    from ..current.summary import cost_record

    try:
        found = cost_of(
            score,
            score_sigma,
            current_pa=current,
            halo_fraction=halo,
            minutes=minutes,
            centering_min=centering,
            diameter_nm=diameter,
            diameter_sigma_nm=diameter_sigma,
            kv=kv,
        )
    except ValueError as problem:
        raise typer.BadParameter(str(problem)) from problem
    if json:
        print_json(cost_record(found))
        return
    for sentence in found.sentences:
        print_text(sentence)
    if found.wavelength_pm is not None:
        print_text(f"Wavelength at {kv:g} kV: {found.wavelength_pm:.4f} pm (relativistic).")


# --- shared ----------------------------------------------------------------------------------------------------------


def _pairs(source: Path | None) -> "PairSet":
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
        from ..current.recall import entry_of
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


def _states(found: "PairSet", kv: float | None, spot: str | None, aperture: float | None) -> list[Any]:
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


def _latest_session(pairs: "list[Pair]") -> str:
    timed = [p for p in pairs if p.at is not None]
    if timed:
        return max(timed, key=lambda p: p.at.timestamp() if p.at else 0.0).session
    return max(p.session for p in pairs)


def _models(
    source: Path | None, kv: float | None, spot: str | None, aperture: float | None, use_today: bool | None
) -> "list[CurrentModel]":
    """Fitted curves of the wanted states; the latest session counts as today's when it is under way."""
    from datetime import UTC, datetime, timedelta

    from ..current.pairs import SESSION_GAP_H

    found = _pairs(source)
    out, trouble = [], []
    for state, pairs in _states(found, kv, spot, aperture):
        last = _latest_session(pairs)
        times = [p.at for p in pairs if p.session == last and p.at is not None]
        running = bool(times) and datetime.now(UTC) - max(times) < timedelta(hours=SESSION_GAP_H)
        try:
            out.append(_fit(pairs, found, last if running and use_today is not False else None))
        except ValueError as problem:
            trouble.append(f"{state.label}: {problem}")
    for text in trouble:
        note(text)
    for aside in found.aside:
        note(f"set aside: {aside.source}: {aside.why}")
    if not out:
        raise typer.Exit(1)
    return out


def _fit(pairs: "list[Pair]", found: "PairSet", session: str | None) -> "CurrentModel":
    import numpy as np

    from ..current.curve import fit_current

    # A fixed start: the same readings give the same numbers.
    return fit_current(pairs, found.radii, today=session, rng=np.random.default_rng(20))


def _sides(side: str | None, model: "CurrentModel") -> list[str]:
    if side is None:
        return list(model.curves)
    if side not in ("positive", "negative"):
        raise typer.BadParameter("--side is positive or negative")
    return [side]


def _check_plot(plot: Path | None) -> None:
    if plot is not None and plot.suffix.lower() not in (".svg", ".png", ".pdf"):
        raise typer.BadParameter(f"{plot}: a plot is written as .svg, .png or .pdf")


def _rests_on(model: "CurrentModel") -> str:
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


def _print_aside(model: "CurrentModel") -> None:
    for name in model.rising:
        print_text(f"The readings on the {name} side rise away from crossover, which no beam does: check them.")
    for aside in model.aside:
        print_text(f"set aside: {aside.source}: {aside.why}")


def _caution() -> None:
    print_text(
        "Before you turn the focus: which detector is in, and what may it take? Toward crossover the spot gets small "
        "and bright: take sensitive detectors out before you go that way."
    )


def _pa(value: float) -> str:
    return f"{value / 1000:.3g} nA" if abs(value) >= 1000 else f"{value:.3g} pA"
