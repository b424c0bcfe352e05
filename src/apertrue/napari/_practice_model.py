"""Behind the practice widget: one practice on the virtual microscope, in words. No Qt."""

from collections.abc import Callable

from ..instrument import Instrument
from ..practice.game import Look, Practice, Review
from ..practice.tasks import TASKS, Task

#: Side of the pictures, px.
SIZE = 512


class PracticeModel:
    """State of one practice widget.

    Args:
        instrument: limits, costs and console.
        size: side of the pictures, px.
    """

    def __init__(self, instrument: Instrument | None = None, size: int = SIZE) -> None:
        self._instrument, self._size = instrument or Instrument(), size
        self.practice: Practice | None = None
        self.said = ""

    @staticmethod
    def tasks() -> tuple[Task, ...]:
        """What there is to practice."""
        return tuple(TASKS.values())

    def begin(self, task: str, seed: int, advice: bool) -> Look:
        """Start anew and take the first picture."""
        self.practice = Practice(task, seed, advice=advice, instrument=self._instrument, size=self._size)
        self.said = f"{self.practice.task.story} {self.practice.task.goal}"
        return self.practice.picture()

    def set_shift(self, x: float, y: float) -> Look:
        """Set both gun shift readings, then take a picture."""
        before = self._on.scope.shift
        self._try(lambda: self._on.set_shift(x, y))
        now = self._on.scope.shift
        if now != before:
            moves = ((name, new - old) for name, new, old in zip("XY", now, before, strict=True))
            self.said = "Moved: " + ", ".join(f"{name} by {move:+g}" for name, move in moves if move) + "."
        return self._on.picture()

    def set_focus(self, focus: float) -> Look:
        """Set the gun-lens focus, then take a picture."""
        self.said = f"Gun-lens focus set to {focus:g}; what was learned of the axes ends with it."
        self._try(lambda: self._on.set_focus(focus))
        return self._on.picture()

    def picture(self) -> Look:
        """Take a picture."""
        self.said = "Picture taken."
        return self._on.picture()

    def current(self) -> None:
        """Read the current."""
        self.said = f"Current: {self._on.current():.4g} pA."

    def automatic(self) -> Look:
        """Run the automatic routine, then take a picture."""
        run = self._on.automatic()
        if run.outcome == "hung":
            self.said = f"The routine hung; it was stopped after {run.minutes:.0f} min. The readings may have changed."
        else:
            self.said = f"The routine ended after {run.minutes:.1f} min with {run.readings} current readings."
        return self._on.picture()

    def wait(self, minutes: float) -> Look:
        """Let time pass, then take a picture."""
        self._on.wait(minutes)
        self.said = f"{minutes:g} min went by."
        return self._on.picture()

    def advised(self, advice: bool) -> None:
        """Turn the advice on or off, from the next picture on."""
        if self.practice is not None:
            self.practice.advice = advice

    def review(self) -> Review:
        """How it went."""
        return self._on.review()

    def readings(self) -> tuple[float, float, float, float]:
        """Gun shift X and Y, gun-lens focus, and virtual minutes since the start."""
        p = self._on
        minutes = p.actions[-1].minutes if p.actions else 0.0
        return (*p.scope.shift, p.scope.focus, minutes)

    def suggestion(self, look: Look | None) -> tuple[float, float] | None:
        """The readings that the advice names; ``None`` when there are none."""
        if look is None or look.move is None or look.move.shift_x is None or look.move.shift_y is None:
            return None
        if look.move.kind == "centered":
            return None
        return look.move.shift_x, look.move.shift_y

    @property
    def _on(self) -> Practice:
        if self.practice is None:
            raise ValueError("No practice was started. Choose a task, then Start.")
        return self.practice

    def _try(self, deed: Callable[[], None]) -> None:
        """A reading outside the console's range is told, and nothing moves."""
        try:
            deed()
        except ValueError as error:
            self.said = f"{error}. Nothing was moved."


def look_words(look: Look) -> str:
    """What advice says of a picture; without advice nothing."""
    said = list(look.sentences)
    if look.cautions:
        said += ["", "Before you turn anything:", *(f"• {c}" for c in look.cautions)]
    return "\n".join(said)
