"""Calibrating step by step: what to do next, and how good it is so far. Driven by terminal and window alike."""

from dataclasses import dataclass, field, replace

from ..errors import CalibrationError
from ..instrument import Console
from .estimate import Estimate, estimate
from .learn import learner
from .nudge import trial_move
from .points import Point
from .quality import SAFE_OFFSET, Quality, next_point, quality
from .questions import Question, questions, unlike_suggested

#: Points after which a good calibration is finished: with four, two values are left to show a mistake.
ENOUGH = 5
#: Points after which even a fair one is not improved any further by one more.
MOST = 12


@dataclass(frozen=True, slots=True)
class Suggestion:
    """What to do next.

    Attributes:
        kind: ``first`` (a picture at the present readings), ``trial``, ``point``, ``question`` (a point's readings look
            wrong: no further move is built on them) or ``finished``.
        shift_x, shift_y: the readings to set; ``None`` for ``first``, ``question`` and ``finished``.
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
        accepted: the readings were confirmed as they are: questions no longer stand in the way.
    """

    console: Console = field(default_factory=Console)
    points: tuple[Point, ...] = ()
    accepted: bool = False

    def add(self, point: Point) -> "Guide":
        """With one more point. ``CalibrationError`` when it has no σ."""
        if point.covariance is None:
            raise CalibrationError(f"{point.label or 'this point'}: its 1σ is not known")
        return replace(self, points=(*self.points, point), accepted=False)

    def undo(self) -> "Guide":
        """Without the last point."""
        return replace(self, points=self.points[:-1], accepted=False)

    def accept(self) -> "Guide":
        """With the readings confirmed as they are."""
        return replace(self, accepted=True)

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

    def open_question(self) -> Question | None:
        """The first suspicion that nobody answered; odd gains alone are left to the next point, which decides them."""
        return None if self.accepted else next((q for q in self.questions() if q.kind != "gain"), None)

    def unlike_suggested(self, shift_x: float, shift_y: float) -> Question | None:
        """A suspicion about readings for the next point that are far from the suggested ones."""
        wish = self.suggestion()
        if wish.shift_x is None or wish.shift_y is None or not self.points:
            return None
        last = self.points[-1]
        return unlike_suggested(
            (shift_x, shift_y), (wish.shift_x, wish.shift_y), (last.shift_x, last.shift_y), len(self.points)
        )

    def suggestion(self) -> Suggestion:
        """What to do next."""
        if not self.points:
            return Suggestion(
                "first",
                None,
                None,
                "Take a picture at the present readings, with both edges in view, and note both gun shift readings.",
            )
        asked = self.open_question()
        if asked is not None:
            said = f"{asked.sentence} Undo the points from there and give them again; or accept them if they are right."
            return Suggestion("question", None, None, said)
        step = self.console.shift_step
        try:
            result = self.estimate()
        except CalibrationError:
            move = trial_move(learner(step=step, points=self.points), self.console)
            return Suggestion("trial", move.shift_x, move.shift_y, " ".join(move.sentences))
        word, n = quality(result).word, len(self.points)
        if (word == "good" and n >= ENOUGH) or n >= MOST:
            return Suggestion("finished", None, None, f"{n} points: the calibration is {word}. It can be saved.")
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
