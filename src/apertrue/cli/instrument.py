"""``apertrue instrument``: write, check or show the instrument file."""

from pathlib import Path
from typing import Annotated

import typer

from ._output import note, print_json, print_text, report_error

app = typer.Typer()


@app.command()
def instrument(
    file: Annotated[
        Path | None, typer.Argument(metavar="FILE.toml", help="Where to write; your settings folder when left out.")
    ] = None,
    check: Annotated[
        Path | None, typer.Option("--check", metavar="FILE", help="Check this file and say all that is wrong.")
    ] = None,
    show: Annotated[bool, typer.Option("--show", help="Show the values in use and where they come from.")] = False,
    json: Annotated[bool, typer.Option("--json", help="With --show or --check: one JSON object.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Overwrite an existing file.")] = False,
) -> None:
    """Write a commented instrument file, check one, or show what is in use.

    The file holds what apertrue can't see in a picture: aperture diameters, cameras and what they may take, limits,
    costs, the working illumination. Without one, starting values of common practice hold.

    \b
    Examples:
      apertrue instrument                       write it to your settings folder
      apertrue instrument my-room.toml          write it here
      apertrue instrument --check lab.toml
      apertrue instrument --show
    """
    from ..errors import InstrumentError
    from ..instrument import default_instrument_path, dumps_instrument, find_instrument, load_instrument
    from ..whole_file import folder_for_output, write_whole

    if check is not None:
        try:
            found = load_instrument(check)
        except InstrumentError as error:
            if json:
                print_json({"file": check, "valid": False, "problems": str(error).splitlines()})
            report_error(error)
            raise typer.Exit(1) from None
        if json:
            print_json({"file": check, "valid": True, "problems": []})
        else:
            print_text(f"{check}: valid ({found.name}).")
        return
    if show:
        found, source = find_instrument(file)
        if json:
            print_json({"file": source, **_plain(found)})
        else:
            print_text(f"# in use: {source or 'starting values (no instrument file found)'}")
            print_text(dumps_instrument(found).rstrip())
        return
    place = file or default_instrument_path()
    if place.exists() and not force:
        note(f"{place} exists already. Give another name, or --force to overwrite it.")
        raise typer.Exit(2)
    folder_for_output(place.parent)
    write_whole(place, dumps_instrument())
    print_text(f"Wrote {place}. Open it in an editor, make it yours, then: apertrue instrument --check {place}")
    if file is not None:
        print_text(f"Use it with --instrument {place}, or set APERTRUE_INSTRUMENT to its full path.")


def _plain(instrument: object) -> dict[str, object]:
    """The settings as nested plain values."""
    from collections.abc import Mapping
    from dataclasses import fields, is_dataclass

    def plain(value: object) -> object:
        if is_dataclass(value) and not isinstance(value, type):
            return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
        if isinstance(value, Mapping):
            return {k: plain(v) for k, v in value.items()}
        return value

    return {f.name: plain(getattr(instrument, f.name)) for f in fields(instrument)}  # type: ignore[arg-type]
