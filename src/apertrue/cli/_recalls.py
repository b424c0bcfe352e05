"""``apertrue session recalls``: stored gun settings, and whether switching sides disturbs the shift."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ._output import note, print_json, print_sentence, print_table, print_text
from ._session_common import InstrumentOption, JsonOption, LogOption, open_session_log, set_up

if TYPE_CHECKING:
    from ..calibration import Calibration
    from ..instrument import Instrument


def recalls(
    log: LogOption = None,
    instrument: InstrumentOption = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", metavar="FILE", help="Draw the offsets: .svg, .png or .pdf.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Show how far stored gun settings leave the beam off, and better start values.

    Example: apertrue session recalls
    """
    from ..session import events

    found, calibrations = set_up(instrument)
    with open_session_log(log, read_only=True) as store:
        entries = events(store)
    show_recalls(entries, found, calibrations, plot=plot, json=json)


def show_recalls(
    events: Sequence[Any],
    instrument: "Instrument",
    calibrations: "Sequence[Calibration]",
    *,
    plot: Path | None = None,
    json: bool = False,
) -> None:
    """Print the log's recalls and the switching test; ``events`` in the order of time."""
    import numpy as np

    from ..audit.history import calibrations_of
    from ..current.entries import entry_of
    from ..current.plot import recall_figure, save
    from ..current.recall import summarize_recalls
    from ..current.summary import recall_record, switching_record
    from ..current.switching import switching

    if plot is not None and plot.suffix.lower() not in (".svg", ".png", ".pdf"):
        raise typer.BadParameter("the file must end in .svg, .png or .pdf")

    entries = [entry_of(e) for e in events]
    calibration_for, learned = calibrations_of(entries, calibrations)
    summaries = summarize_recalls(
        entries, calibration_for=calibration_for, limits=instrument.limits, costs=instrument.costs
    )
    sides = switching(entries, rng=np.random.default_rng(20), calibration_for=calibration_for)
    if plot is not None and summaries:
        save(recall_figure(summaries, instrument.limits.offset_leave), plot)
        note(f"{plot}: offsets after recalls")
    if json:
        for summary in summaries:
            print_json(recall_record(summary))
        print_json({"switching": switching_record(sides), "calibration_from_moves": learned})
        return
    if not summaries:
        print_text(
            "No recall with a measured picture after it. Add recalls with: apertrue session add recall setting=NAME, "
            "and a picture before the first move."
        )
    else:
        print_table(
            [
                "setting",
                "side",
                "recalls",
                "offset rms %",
                "growth %/week",
                "start X",
                "start Y",
                "then %",
                "pays after",
            ],
            [_row(recall_record(s)) for s in summaries],
            right=(2, 3, 4, 5, 6, 7, 8),
        )
        for summary in summaries:
            print_text()
            for sentence in summary.sentences:
                print_sentence(sentence)
        if learned:
            told = " and ".join(f"{n} moves on the {side} side" for side, n in sorted(learned.items()))
            print_text()
            print_text(f"Which way the shift axes move the beam was learned from the log's own moves ({told}).")
    print_text()
    for sentence in sides.sentences:
        print_sentence(sentence)


def _row(record: dict[str, Any]) -> list[str]:
    def measured(name: str, digits: int) -> str:
        value, sigma = record[name], record[name + "_sigma"]
        return "" if value is None else f"{value:.{digits}f} ± {sigma:.{digits}f}"

    then, pays = record["start_expected_offset_percent"], record["pays_after_recalls"]
    return [
        record["setting"],
        record["focus_side"] or "",
        str(record["recalls"]),
        f"{record['offset_rms_percent']:.1f}",
        measured("growth_percent_per_week", 1),
        measured("start_gun_shift_x", 2),
        measured("start_gun_shift_y", 2),
        "" if then is None else f"{then:.1f}",
        "" if pays is None else f"{pays} recall{'s' if pays != 1 else ''}",
    ]
