"""Calibrating step by step: what to do next, and how good it is so far. Driven by terminal and window alike."""

from dataclasses import dataclass, field, replace

from ..errors import CalibrationError
from ..instrument import Console
from .estimate import Estimate, estimate
from .learn import learner
from .nudge import trial_move
from .points import Point
from .quality import SAFE_OFFSET, Quality, next_point, quality
from .questions import Question, questions

#: Points after which a good calibration is finished: with four, two values are left to show a mistake.
ENOUGH = 5
#: Points after which even a fair one is not improved any further by one more.
MOST = 12


@dataclass(frozen=True, slots=True)
class Suggestion:
    """What to do next.

    Attributes:
        kind: ``first`` (a picture at the present readings), ``trial``, ``point`` or ``finished``.
        shift_x, shift_y: the readings to set; ``None`` for ``first`` and ``finished``.
        sentence: for people.
    """

    kind: str
    shift_x: float | None
    shift_y: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class Guide:
    """A calibration in progress.

    Attributes:
        console: step and range.
        points: so far, with their σ.
    """

    console: Console = field(default_factory=Console)
    points: tuple[Point, ...] = ()

    def add(self, point: Point) -> "Guide":
        """With one more point. ``CalibrationError`` when it has no σ."""
        if point.covariance is None:
            raise CalibrationError(f"{point.label or 'this point'}: its 1σ is not known")
        return replace(self, points=(*self.points, point))

    def undo(self) -> "Guide":
        """Without the last point."""
        return replace(self, points=self.points[:-1])

    def estimate(self) -> Estimate:
        """What the points say. ``CalibrationError`` while they do not suffice."""
        return estimate(self.points, step=self.console.shift_step)

    def quality(self) -> Quality | None:
        """How good it is; ``None`` while the points do not suffice."""
        try:
            result = self.estimate()
        except CalibrationError:
            return None
        return quality(result, shift_min=self.console.shift_min, shift_max=self.console.shift_max)

    def questions(self) -> tuple[Question, ...]:
        """Suspicions about typed readings."""
        return questions(self.points, step=self.console.shift_step)

    def suggestion(self) -> Suggestion:
        """What to do next."""
        if not self.points:
            return Suggestion(
                "first",
                None,
                None,
                "Take a picture at the present readings, with both edges in view, and note both gun shift readings.",
            )
        step = self.console.shift_step
        try:
            result = self.estimate()
        except CalibrationError:
            move = trial_move(learner(step=step, points=self.points), self.console)
            return Suggestion("trial", move.shift_x, move.shift_y, " ".join(move.sentences))
        judged = quality(result, shift_min=self.console.shift_min, shift_max=self.console.shift_max)
        n = len(self.points)
        if (judged.word == "good" and n >= ENOUGH) or n >= MOST:
            return Suggestion("finished", None, None, f"{n} points: the calibration is {judged.word}. It can be saved.")
        best = next_point(result, self.console.shift_min, self.console.shift_max, 0.6 * SAFE_OFFSET)
        if best is None:
            return Suggestion("finished", None, None, "No further point lies within the console's range.")
        return Suggestion(
            "point",
            best.shift_x,
            best.shift_y,
            f"Set X {best.shift_x:g}, Y {best.shift_y:g}, then take a picture (offset there about "
            f"{best.offset_percent:.0f} %; it divides the doubt by {best.sharper:.2f}).",
        )
