"""``apertrue practice``: center a virtual microscope, by hand or with advice."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ._output import note, print_json, print_sentence, print_text, wants_color

if TYPE_CHECKING:
    from ..frame import Frame
    from ..pipeline import Result
    from ..practice.game import Look, Practice, Review

app = typer.Typer()

_HELP = """\
  x +1.5          turn gun shift X by +1.5        y -2       turn gun shift Y by -2
  move 1.5 -2     turn both                       set 10 -4  set both readings
  look            take a picture                  current    read the current
  focus 12        set the gun-lens focus          tilt 0 0   set the gun tilt
  do              make the advised move           auto       run the automatic routine (it may hang)
  wait 10         let ten minutes pass            cautions   show all cautions again
  done            finish and see the review       quit       leave without it"""


@app.command()
def practice(
    task: Annotated[
        str, typer.Option(metavar="NAME", help="creep, half-cut, overfilled, other-side or restless.")
    ] = "creep",
    seed: Annotated[
        int | None, typer.Option(metavar="N", min=0, help="The microscope; without it a new one each time.")
    ] = None,
    advice: Annotated[bool, typer.Option("--advice/--no-advice", help="Say after each picture what to do.")] = True,
    picture: Annotated[bool, typer.Option("--picture/--no-picture", help="Draw pictures in the terminal.")] = True,
    png: Annotated[Path | None, typer.Option("--png", metavar="DIR", help="Also write each picture as PNG.")] = None,
    animation: Annotated[
        Path | None, typer.Option(metavar="FILE.gif", help="At the end write all pictures with their edges as one GIF.")
    ] = None,
    width: Annotated[int, typer.Option(metavar="N", min=20, max=200, help="Width of drawn pictures, characters.")] = 60,
    instrument: Annotated[
        Path | None, typer.Option("--instrument", metavar="FILE.toml", help="Instrument file.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the review as one JSON object, nothing else.")] = False,
) -> None:
    """Practice centering on a virtual microscope; nothing real is moved.

    Type commands, one a line (or pipe them in); an empty line takes a picture. At the end a review compares you with
    what advice alone does on the same microscope.

    \b
    Examples:
      apertrue practice
      apertrue practice --task half-cut --seed 7 --no-advice
    """
    from ..instrument import find_instrument
    from ..practice.game import Practice
    from ..practice.tasks import TASKS

    if task not in TASKS:
        raise typer.BadParameter(f"there is no task {task!r}. Tasks: {', '.join(TASKS)}", param_hint="--task")
    if animation is not None and animation.suffix.lower() not in (".gif", ".webp"):
        raise typer.BadParameter(f"{animation}: write a name that ends in .gif or .webp", param_hint="--animation")
    if seed is None:
        import secrets

        seed = secrets.randbelow(100_000)
    found, _ = find_instrument(instrument)
    game = Practice(task, seed, advice=advice, instrument=found)
    desk = _Desk(game, quiet=json, draw=picture and not json, png=png, width=width)
    desk.keep = animation is not None
    to_the_end = desk.play()
    if animation is not None and desk.results:
        from ..overlay.animation import save_animation

        desk.say(f"Written: {save_animation(desk.results, animation)}")
    if to_the_end:
        review = game.review()
        if json:
            print_json(_as_dict(review))
        else:
            print_text()
            for sentence in review.sentences:
                print_sentence(sentence)
            print_text(f"The same microscope again: apertrue practice --task {task} --seed {seed}")


class _Desk:
    """Reads commands, turns the knobs, shows what comes of it."""

    def __init__(self, game: "Practice", *, quiet: bool, draw: bool, png: Path | None, width: int) -> None:
        self.game, self.quiet, self.draw, self.png, self.width = game, quiet, draw, png, width
        self.look: Look | None = None
        self.pictures = 0
        self.keep = False
        self.results: list[Result] = []
        self.cautioned = False

    def say(self, text: str = "") -> None:
        if not self.quiet:
            print_text(text)

    def tell(self, text: str) -> None:
        """A sentence with numbers."""
        if not self.quiet:
            print_sentence(text)

    def play(self) -> bool:
        """Until ``done`` or the end of the input (``True``), or ``quit`` (``False``)."""
        self.say(f"{self.game.task.title}. {self.game.task.story}")
        self.say(f"{self.game.task.goal} Commands: help, look, done, quit.")
        self.readings()
        while True:
            if not self.quiet and sys.stdin.isatty():
                sys.stdout.write("> ")
                sys.stdout.flush()
            line = sys.stdin.readline()
            words = line.split()
            if not line or words[:1] == ["done"]:
                return True
            if words[:1] in (["quit"], ["exit"]):
                return False
            try:
                self.run(words)
            except (ValueError, IndexError) as error:
                note(f"{line.strip()!r}: {error}. Type help for the commands.")

    def run(self, words: list[str]) -> None:
        game = self.game
        match words:
            case [] | ["look"]:
                self.take_picture()
            case ["help"]:
                self.say(_HELP)
            case ["x", dx]:
                game.move(_number(dx), 0.0)
                self.readings()
            case ["y", dy]:
                game.move(0.0, _number(dy))
                self.readings()
            case ["move", dx, dy]:
                game.move(_number(dx), _number(dy))
                self.readings()
            case ["set", x, y]:
                game.set_shift(_number(x), _number(y))
                self.readings()
            case ["do"]:
                if self.look is None or self.look.move is None or self.look.move.kind == "centered":
                    raise ValueError("no move is advised: look first, with advice on")
                game.set_shift(self.look.move.shift_x, self.look.move.shift_y)
                self.look = None
                self.readings()
            case ["focus", value]:
                game.set_focus(_number(value))
                self.readings()
            case ["tilt", x, y]:
                game.set_tilt(_number(x), _number(y))
                self.readings()
            case ["current"]:
                self.say(f"Current {game.current():.4g} pA")
            case ["auto"]:
                run = game.automatic()
                said = "hung and was stopped" if run.outcome == "hung" else "is done"
                self.say(f"The routine {said} after {run.minutes:.1f} min.")
                self.readings()
            case ["wait", minutes]:
                game.wait(_number(minutes))
                self.readings()
            case ["cautions"]:
                for sentence in self.look.cautions if self.look else ():
                    self.say(f"  ! {sentence}")
            case _:
                raise ValueError("no such command")

    def readings(self) -> None:
        scope = self.game.scope
        self.tell(
            f"{scope.now:%H:%M}  gun shift X {scope.shift[0]:g}, Y {scope.shift[1]:g}  focus {scope.focus:.2f}  "
            f"tilt {scope.tilt[0]:g}, {scope.tilt[1]:g}"
        )

    def take_picture(self) -> None:
        from ..practice.text_picture import as_half_blocks, as_text

        look = self.look = self.game.picture()
        self.pictures += 1
        frame = look.result.frame
        if self.keep:
            self.results.append(look.result)
        if self.png is not None:
            self.say(f"Written: {_write_png(frame, self.png, self.pictures)}")
        if self.draw:
            self.say((as_half_blocks if wants_color() else as_text)(frame.pixels, self.width))
        self.readings()
        for sentence in look.sentences:
            self.tell(sentence)
        if look.cautions and not self.cautioned:
            for sentence in look.cautions:
                self.say(f"  ! {sentence}")
            self.cautioned = True
        elif look.cautions:
            self.say(f"  ! {look.cautions[0]} All cautions again: cautions")
        if look.move is not None and look.move.kind != "centered":
            self.say("Type do to make this move.")
        elif look.move is not None:
            self.say("Type done for the review.")


def _number(text: str) -> float:
    from ..registry.format import number_typed

    value = number_typed(text)
    if value is None:
        raise ValueError(f"{text!r} is no number")
    return value


def _write_png(frame: "Frame", folder: Path, number: int) -> Path:
    import numpy as np
    from PIL import Image

    from ..whole_file import folder_for_output, whole_file

    data = frame.pixels.astype(float)
    low, high = float(np.percentile(data, 1)), float(data.max())
    unit = np.sqrt(np.clip((data - low) / max(high - low, 1e-9), 0.0, 1.0))
    place = folder_for_output(folder) / f"practice-{number:03d}.png"
    with whole_file(place) as part:
        Image.fromarray((255 * unit).astype(np.uint8)).save(part, format="PNG")
    return place


def _as_dict(review: "Review") -> dict[str, Any]:
    from dataclasses import asdict

    return {
        "task": review.task.id,
        "seed": review.seed,
        "goal_percent": review.task.goal_percent,
        "reached": review.reached,
        "start": asdict(review.start),
        "end": asdict(review.end),
        "moves": review.moves,
        "pictures": review.pictures,
        "readings": review.readings,
        "routine_runs": review.routine_runs,
        "minutes": review.minutes,
        "worse_moves": review.worse,
        "advised": {
            "moves": review.advised.moves,
            "pictures": review.advised.snapshots,
            "minutes": review.advised.minutes,
            "offset_percent": review.advised.offset_percent,
        },
        "sentences": list(review.sentences),
    }
