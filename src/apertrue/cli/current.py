"""``apertrue current``: which focus gives which current, whether today is as usual, and what a cut-off beam costs."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..registry.format import as_current
from ._current_models import (
    check_plot,
    fitted,
    fitted_models,
    latest_session,
    print_aside,
    print_caution,
    read_pairs,
    rests_on,
    sides_of,
    wanted_states,
)
from ._numbers import WithNumbers, number
from ._output import note, print_json, print_sentence, print_table, print_text

if TYPE_CHECKING:
    pass

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None)

FromOption = Annotated[
    Path | None,
    typer.Option(
        "--from",
        metavar="FILE",
        help="A CSV sheet (columns gun_focus, current_pa, ...) or a session log; your session log when left out.",
    ),
]
KvOption = Annotated[float | None, typer.Option("--kv", metavar="KV", help="Only this high tension, kV.")]
SpotOption = Annotated[str | None, typer.Option("--spot", metavar="SPOT", help="Only this spot setting.")]
ApertureOption = Annotated[float | None, typer.Option("--aperture", metavar="UM", help="Only this aperture, µm.")]
SideOption = Annotated[
    str | None, typer.Option("--side", metavar="SIDE", help="positive or negative; both when left out.")
]
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

    check_plot(plot)
    models = fitted_models(source, kv, spot, aperture, None if not new_session else False)
    for n, model in enumerate(models):
        if plot is not None:
            target = plot if n == 0 else plot.with_stem(f"{plot.stem}-{n + 1}")
            save(curve_figure(model), target)
            note(f"{target}: the curves of {model.state.label}")
        rows = curve_records(model)
        if json:
            print_json(model_record(model) | {"curve": rows})
            continue
        print_sentence(f"{model.state.label}, {rests_on(model)}")
        if rows:
            print_table(
                ["side", "focus", "current", "68 %", "95 %"],
                [
                    [
                        r["focus_side"],
                        f"{r['gun_focus']:.1f}",
                        as_current(r["current_pa"]),
                        f"{as_current(r['low_68_pa'])} – {as_current(r['high_68_pa'])}",
                        f"{as_current(r['low_95_pa'])} – {as_current(r['high_95_pa'])}",
                    ]
                    for r in rows
                ],
                right=(1, 2, 3, 4),
            )
        print_aside(model)
        print_text()


@app.command(cls=WithNumbers)
def focus(
    current: Annotated[float, typer.Argument(metavar="PA", parser=number, help="The current that the work needs, pA.")],
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
    for model in fitted_models(source, kv, spot, aperture, None if not new_session else False):
        for name in sides_of(side, model):
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
                print_sentence(
                    f"{model.state.label}, {name} side: {as_current(current)} at focus {answer.focus:.1f} ± {answer.sigma:.1f}"
                    f" (95 %: {low:.1f} to {high:.1f})."
                )
            else:
                print_text(f"{model.state.label}, {name} side: no focus found.")
            for sentence in answer.sentences:
                print_sentence(f"  {sentence}")
    if not json:
        print_caution()


@app.command(cls=WithNumbers)
def at(
    focus: Annotated[float, typer.Argument(metavar="FOCUS", parser=number, help="A reading of the gun-lens focus.")],
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

    \b
    Examples:
      apertrue current at 38
      apertrue current at --side negative -40
      apertrue current at 60 --aperture 70 --to-aperture 50 --unevenness 4
    """
    from ..current.answers import current_at
    from ..current.costs import scale_to_aperture

    if to_aperture is not None and not to_aperture > 0:
        raise typer.BadParameter("--to-aperture must be positive, in µm")
    for model in fitted_models(source, kv, spot, aperture, None if not new_session else False):
        name = sides_of(side, model)[0] if side else None
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
            print_sentence(
                f"{model.state.label}, {answer.side} side, focus {focus:g}: {as_current(answer.current_pa)} "
                f"± {as_current(answer.sigma_pa or 0.0)} (95 %: {as_current(low)} to {as_current(high)})."
            )
        else:
            print_sentence(f"{model.state.label}, focus {focus:g}: no current known.")
        for sentence in answer.sentences:
            print_sentence(f"  {sentence}")
        if scaled is not None:
            value = (
                ""
                if scaled.current_pa is None
                else f"{as_current(scaled.current_pa)} ± {as_current(scaled.sigma_pa or 0.0)}. "
            )
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

    found = read_pairs(source)
    for state, pairs in wanted_states(found, kv, spot, aperture):
        last = latest_session(pairs)
        now = [p for p in pairs if p.session == last]
        before = [p for p in pairs if p.session != last]
        label = {"kv": state.kv, "spot": state.spot, "aperture_um": state.aperture_um, "session": last}
        result = None
        why = "Only one session so far: nothing to compare with."
        if before:
            try:
                result = off_curve(fitted(before, found, None), now)
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
            print_sentence(f"  {sentence}")


@app.command(cls=WithNumbers)
def cost(
    score: Annotated[float, typer.Argument(metavar="SCORE", parser=number, help="Working score, 0 to 100.")],
    score_sigma: Annotated[float | None, typer.Option("--score-sigma", metavar="VALUE", help="Its 1σ.")] = None,
    current: Annotated[float | None, typer.Option("--current", metavar="PA", help="Current as read, pA.")] = None,
    halo: Annotated[
        float, typer.Option("--halo", metavar="SHARE", help="Share of the light that is halo, 0 to 1.")
    ] = 0.0,
    minutes: Annotated[float | None, typer.Option("--minutes", metavar="MIN", help="Planned minutes of work.")] = None,
    centering: Annotated[float, typer.Option("--centering", metavar="MIN", help="Minutes that centering takes.")] = 1.0,
    diameter: Annotated[
        float | None,
        typer.Option(
            "--diameter", metavar="NM", help="Lit disc on the specimen in the working illumination, nm: for the dose."
        ),
    ] = None,
    diameter_sigma: Annotated[float | None, typer.Option("--diameter-sigma", metavar="NM", help="Its 1σ.")] = None,
    kv: Annotated[
        float | None, typer.Option("--kv", metavar="KV", help="High tension, kV: for the wavelength.")
    ] = None,
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
        print_sentence(sentence)
    if found.wavelength_pm is not None:
        print_text(f"Wavelength at {kv:g} kV: {found.wavelength_pm:.4f} pm (relativistic).")
