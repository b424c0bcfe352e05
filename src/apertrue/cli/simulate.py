"""``apertrue simulate``: pictures with known truth."""

from pathlib import Path
from typing import Annotated

import typer

from ._output import note, print_json, print_table, print_text

app = typer.Typer()


@app.command()
def simulate(
    out: Annotated[Path, typer.Option("--out", "-o", metavar="DIR", help="Folder to write to.")] = Path("simulated"),
    kind: Annotated[
        str | None,
        typer.Option(
            "--kind",
            metavar="KIND",
            help="A random scene of this kind: both-edges, clipped, overfilled, one-edge, ..., any.",
        ),
    ] = None,
    nuisance: Annotated[
        list[str] | None, typer.Option("--with", metavar="NUISANCE", help="Add a nuisance (repeat; --list names them).")
    ] = None,
    setting: Annotated[
        list[str] | None, typer.Option("--set", metavar="NAME=VALUE", help="Set a parameter (repeat; --list).")
    ] = None,
    seed: Annotated[int, typer.Option("--seed", metavar="N", min=0, help="The same seed gives the same pictures.")] = 0,
    count: Annotated[int, typer.Option("--count", "-n", metavar="N", min=1, help="Number of pictures.")] = 1,
    file_format: Annotated[
        str, typer.Option("--format", metavar="TYPE", help="tif, png, jpg, npy, mrc, or auto: what suits the picture.")
    ] = "auto",
    list_all: Annotated[bool, typer.Option("--list", help="Show all parameters, nuisances and kinds.")] = False,
    json: Annotated[bool, typer.Option("--json", help="One JSON object a picture, with file and truth.")] = False,
) -> None:
    """Make pictures of a beam in a condenser aperture whose truth is known, to try and to test.

    Without --kind, a beam a little off center; each --set changes one thing about it. With --kind, scenes are drawn
    at random over the working range. Beside each picture stands NAME.truth.json.

    \b
    Examples:
      apertrue simulate --set offset_x_percent=12 --set halo_level=0.03
      apertrue simulate --kind clipped --with grain --with bad-pixels --count 20 --seed 7 --out trial
      apertrue simulate --list
    """
    import numpy as np

    from ..registry import SceneKind
    from ..simulate import NUISANCES, Recipe, random_recipe
    from ..simulate import simulate as make
    from ..simulate.files import SUFFIXES, natural_suffix, save
    from ..simulate.sampler import KINDS
    from ..simulate.values import meanings, parse_values
    from ..whole_file import folder_for_output

    if list_all:
        _print_list(meanings(), Recipe().to_dict(), NUISANCES, KINDS)
        return
    formats = ("auto", *(s[1:] for s in SUFFIXES))
    if file_format not in formats:
        note(f"--format must be one of {', '.join(formats)}, got {file_format!r}")
        raise typer.Exit(2)
    try:
        values = parse_values(setting or ())
        wanted = None if kind in (None, "any") else SceneKind(kind)
        random = kind is not None or bool(nuisance)
        if random:
            random_recipe(np.random.default_rng(0), wanted, tuple(nuisance or ())).with_values(**values)
        else:
            Recipe(**values)
    except ValueError as error:
        note(_plain_error(str(error)))
        raise typer.Exit(2) from None
    try:
        folder_for_output(out)
        for k, child in enumerate(np.random.SeedSequence(seed).spawn(count)):
            rng = np.random.default_rng(child)
            recipe = random_recipe(rng, wanted, tuple(nuisance or ())) if random else Recipe()
            shot = make(recipe.with_values(**values), rng)
            suffix = natural_suffix(shot) if file_format == "auto" else f".{file_format}"
            path = out / f"{shot.truth.kind}-{seed}-{k:04d}{suffix}"
            save(shot, path)
            if json:
                print_json({"file": path, **shot.truth.to_dict()})
            else:
                print_text(f"{path}  {_words(shot.truth.values())}")
    except ValueError as error:
        note(_plain_error(str(error)))
        raise typer.Exit(2) from None


def _plain_error(text: str) -> str:
    if "is not a valid SceneKind" in text:
        from ..simulate.sampler import KINDS

        return f"--kind: {text.split(' is not')[0]} is no scene kind; allowed: any, {', '.join(KINDS)}"
    return text


def _words(truth: dict[str, float]) -> str:
    if "offset_percent" not in truth:
        return "nothing to center"
    out = f"offset {truth['offset_percent']:.2f} % of the aperture radius, gap {truth['gap_percent']:.2f} %"
    return out + (f", score {truth['score']:.1f}" if "score" in truth else "")


def _print_list(
    meanings: dict[str, str], defaults: dict[str, object], nuisances: tuple[str, ...], kinds: tuple[str, ...]
) -> None:
    rows = [(name, "" if value is None else str(value), meanings.get(name, "")) for name, value in defaults.items()]
    print_table(("parameter", "default", "meaning"), rows)
    print_text("\nnuisances for --with: " + ", ".join(nuisances))
    print_text("kinds for --kind: any, " + ", ".join(kinds))
