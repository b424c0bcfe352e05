"""``apertrue audit``: go through an archive of old pictures."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ._output import VERDICT_STYLES, note, print_json, print_table, print_text
from ._pages import as_page

if TYPE_CHECKING:
    from ..audit import Audit, AuditSettings, Progress, SessionRule

app = typer.Typer()


@app.command()
def audit(
    sources: Annotated[
        list[str],
        typer.Argument(metavar="SOURCE...", help="Folders, patterns, session sheets (LIST.csv) or URLs."),
    ],
    store: Annotated[
        Path, typer.Option(metavar="FILE", help="Where results are kept; named again, the audit goes on from there.")
    ] = Path("apertrue-audit.sqlite"),
    csv: Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Write all rows as CSV.")] = None,
    json_lines: Annotated[
        Path | None, typer.Option("--json-lines", metavar="FILE", help="Write one JSON object a row.")
    ] = None,
    parquet: Annotated[
        Path | None, typer.Option("--parquet", metavar="FILE", help="Write Parquet (extra 'table').")
    ] = None,
    report: Annotated[
        Path | None,
        typer.Option("--report", metavar="FILE.html", callback=as_page, help="Write the report: one page, no network."),
    ] = None,
    compare: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Compare with an earlier audit (its CSV), for instance before a service."),
    ] = None,
    mask_names: Annotated[bool, typer.Option("--mask-names", help="Leave file names out of the report.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object a row, sorted by file.")] = False,
    instrument: Annotated[
        Path | None,
        typer.Option("--instrument", metavar="FILE.toml", help="Instrument file; see: apertrue instrument."),
    ] = None,
    sheet: Annotated[
        list[Path] | None,
        typer.Option("--sheet", metavar="FILE.csv", help="Readings for pictures: file, gun_shift_x, ..."),
    ] = None,
    timezone: Annotated[
        str | None, typer.Option(metavar="ZONE", help="Zone of times without one, such as Europe/Vienna.")
    ] = None,
    first_page: Annotated[bool, typer.Option("--first-page", help="Only the first page of each stack.")] = False,
    sessions: Annotated[str, typer.Option(metavar="BY", help="Tell sessions apart by: gap, sheet or folder.")] = "gap",
    gap: Annotated[float, typer.Option(metavar="HOURS", help="The pause that parts two sessions.")] = 3.0,
    workers: Annotated[
        int | None, typer.Option(metavar="N", min=0, help="Processes; all cores without it, 0 = this process alone.")
    ] = None,
    time_limit: Annotated[
        float, typer.Option(metavar="SECONDS", min=0.1, help="Limit for one picture's own time.")
    ] = 60.0,
    memory_limit: Annotated[float, typer.Option(metavar="MB", min=100.0, help="Limit for one worker.")] = 2000.0,
    scheduler: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Use a Dask cluster, such as tcp://host:8786 (extra 'dask').")
    ] = None,
    verify: Annotated[
        bool, typer.Option("--verify", help="Compare contents by hash instead of trusting size and time.")
    ] = False,
    retry: Annotated[bool, typer.Option("--retry", help="Read again what failed for want of time or memory.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress bar.")] = False,
) -> None:
    """Judge every picture of an archive, and tell how well past sessions were centered.

    \b
    Examples:
      apertrue audit /archive/2026 --csv audit.csv --report audit.html
      apertrue audit monday.csv tuesday.csv --sessions sheet --report week.html
      apertrue audit /archive/after --compare before.csv --report service.html

    It may be stopped at any moment; the same command goes on where it stopped. Files that did not change are not read
    again. A file that can't be read is a row with its reason; files in folders whose names say that they are no pictures
    (.txt, .csv, .json, …) are only counted.

    Exit status: 0 done, 1 some file could not be read (the others are done), 2 wrong usage, 130 stopped.
    """
    from ..audit import MIGRATIONS, Audit, AuditSettings, Limits, changed_since, run_audit
    from ..errors import MissingExtraError, ReadError
    from ..instrument import find_instrument
    from ..runner import RunnerError
    from ..store import open_store

    rule = _rule(sessions, gap)
    settings = AuditSettings(find_instrument(instrument)[0], timezone, first_page)
    limits = Limits(workers, time_limit, memory_limit, scheduler)
    outputs = [p for p in (csv, json_lines, parquet, report) if p is not None]
    for output in outputs:
        if not output.absolute().parent.is_dir():
            note(f"{output}: there is no folder {output.parent}. Make it first.")
            raise typer.Exit(2)
    if parquet:
        try:  # said before the work, not after it
            import pyarrow  # noqa: F401
        except ImportError as error:
            raise MissingExtraError("table", "Writing Parquet") from error
    with open_store(store, migrations=MIGRATIONS, durable=False) as opened:
        _tell_anew(changed_since(opened, sources, settings))
        try:
            with _progress(quiet) as on_progress:
                number = run_audit(
                    sources,
                    opened,
                    settings=settings,
                    sheets=[str(s) for s in sheet or ()],
                    rule=rule,
                    limits=limits,
                    verify=verify,
                    retry=retry,
                    skip={str(p.absolute()) for p in outputs} | ({str(compare.absolute())} if compare else set()),
                    on_progress=on_progress,
                )
        except KeyboardInterrupt:
            note(f"stopped. What was judged is kept in {store}; the same command goes on from there.")
            raise typer.Exit(130) from None
        except (ReadError, RunnerError) as error:
            note(str(error))
            raise typer.Exit(2) from None
        done = Audit(opened, number)
        if csv:
            done.write_csv(csv)
        if json_lines:
            done.write_json_lines(json_lines)
        if parquet:
            done.write_parquet(parquet)
        if json:
            for row in done.rows():
                print_json(row)
        if report:
            _write_report(report, done, sources, compare, mask_names, settings, instrument)
        failed = _tell(done, quiet=json)
        if not json:
            for output in outputs:
                print_text(f"Wrote {output.resolve()}")
        if compare and not json:
            _tell_comparison(done, compare)
    if failed:
        raise typer.Exit(1)


def _tell_anew(changed: tuple[str, ...]) -> None:
    """Say why all is judged anew although the store knows these sources."""
    words = {
        "apertrue": "this program",
        "engine": "this program",
        "fields": "this program",
        "instrument": "the instrument file",
        "timezone": "the time zone",
        "first_page_only": "--first-page",
        "max_pixels": "the largest page",
    }
    if changed:
        what = " and ".join(dict.fromkeys(words.get(name, name) for name in changed))
        note(
            f"{what} changed since the last audit of this; every picture is judged anew. The old rows stay in the store."
        )


def _rule(by: str, gap: float) -> "SessionRule":
    from ..audit import SessionRule

    try:
        return SessionRule(by, gap)  # type: ignore[arg-type]
    except ValueError as error:
        note(f"{error}.")
        raise typer.Exit(2) from None


@contextmanager
def _progress(quiet: bool) -> "Iterator[Callable[[Progress], None] | None]":
    """A progress bar on a terminal: files, rate, time left, failures. Nothing where nobody watches."""
    import sys

    if quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
        TextColumn("{task.fields[failed]}"),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("finding files", total=None, rate="", failed="")

        def show(p: "object") -> None:
            from ..audit import Progress as State

            assert isinstance(p, State)
            if p.phase == "find":
                bar.update(task, description=f"finding files: {p.found}")
                return
            bar.update(
                task,
                description="judging",
                total=p.total,
                completed=p.done,
                rate=f"{p.rate:.1f}/s" if p.rate else "",
                failed=f"{p.failed} failed" if p.failed else "",
            )

        yield show


def others_told(others: "dict[str, int]") -> str:
    """The files that were left out by their names, in words; empty for none."""
    if not others:
        return ""
    total, most = sum(others.values()), list(others.items())[:6]
    listed = ", ".join(f"{n} × {ending}" for ending, n in most) + (", …" if len(others) > len(most) else "")
    return f"Left out, no pictures by their names: {total} file{'s' if total != 1 else ''} ({listed})."


def _tell(done: "Audit", *, quiet: bool) -> int:
    """Print how many pictures got which verdict; returns how many files failed."""
    counts = done.counts()
    if not quiet:
        total = sum(counts.values())
        rows = [[word, str(n), f"{100 * n / total:.1f} %"] for word, n in counts.items() if n]
        if not total:
            print_text("No pictures found.")
        else:
            styles = {0: VERDICT_STYLES}
            print_table(["verdict", "pictures", "share"], rows, right=(1, 2), styles=styles)
    if others := others_told(done.others):
        (note if quiet else print_text)(others)
    return counts["error"]


def _write_report(
    path: Path,
    done: "Audit",
    sources: list[str],
    compare: Path | None,
    mask: bool,
    settings: "AuditSettings",
    instrument: Path | None,
) -> None:
    from ..audit.reporting import write_audit_report
    from ..calibration import calibration_path, load_calibrations
    from ..instrument import find_instrument

    kept = calibration_path(find_instrument(instrument)[1])
    write_audit_report(
        path,
        done,
        sources=sources,
        compare=compare,
        mask_names=mask,
        instrument=settings.instrument,
        calibrations=load_calibrations(kept) if kept.exists() else (),
    )


def _tell_comparison(done: "Audit", other: Path) -> None:
    from ..audit.reporting import compare_with

    for line in compare_with(done, other).sentences:
        print_text(line)
