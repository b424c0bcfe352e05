"""Behind the calibrate widget: points taken one by one, their quality, saving, and the nudge that follows. No Qt."""

from datetime import UTC, datetime
from pathlib import Path

from ..calibration import (
    Guide,
    Point,
    Quality,
    StateKey,
    add_calibration,
    calibration_path,
    choose,
    contradiction,
    from_estimate,
    load_calibrations,
    nudge_for,
    point_from,
)
from ..calibration.state_key import changed_words
from ..errors import CalibrationError
from ..pipeline import Result
from ..registry.format import format_number
from ._judge_one import Drawn, Setup, judge_one
from ._target import Aim


class CalibrateModel:
    """State of one calibrate widget: the same calibration file as the command's."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.guide = Guide(setup.instrument.console)
        self._state: StateKey | None = None
        self._newest: tuple[Point, StateKey] | None = None

    @property
    def place(self) -> Path:
        """The calibration file."""
        return calibration_path(self.setup.file)

    def judged(self, aim: Aim) -> Result:
        """The picture measured. Slow: call it in a worker."""
        return judge_one(aim.frame(), self.setup, Drawn(), datetime.now(UTC))

    def add(self, result: Result, x: float, y: float, label: str) -> None:
        """One more point: a measured picture with its readings typed in.

        Raises:
            CalibrationError: no offset in the picture, or the instrument's state differs from the other points'.
        """
        state = StateKey.of(result.frame.state).seen_in(result.assessment)
        if self._state is not None:
            changed = self._state.changed(state)
            if changed:
                what = changed_words(changed, self._state, state)
                raise CalibrationError(
                    f"{what} differs from the first picture's. A calibration holds for one state: start over, or take "
                    "all its pictures in the same one"
                )
        point = point_from(result.assessment, shift_x=x, shift_y=y, label=label)
        self.guide = self.guide.add(point)
        self._state = self._state or state
        self._newest = (point, state)

    def undo(self) -> None:
        """Without the last point."""
        self.guide = self.guide.undo()
        if not self.guide.points:
            self._state = None

    @property
    def asks(self) -> bool:
        """Whether readings are doubted and nobody has said yet that they are right."""
        return self.guide.open_question() is not None

    def accept(self) -> None:
        """The readings are right as they are."""
        self.guide = self.guide.accept()

    def unlike(self, x: float, y: float) -> str:
        """A doubt about readings far from those that were to be set; empty when there is none."""
        doubtful = self.guide.unlike_suggested(x, y)
        return "" if doubtful is None else doubtful.sentence

    def start_over(self) -> None:
        """Without any point."""
        self.guide, self._state = Guide(self.setup.instrument.console), None

    def quality(self) -> Quality | None:
        """How good it is; ``None`` while the points do not suffice."""
        return self.guide.quality()

    def save(self) -> str:
        """Add the calibration to the file; returns where, in words. ``CalibrationError`` when it is not fit for use."""
        made = from_estimate(self.guide.estimate(), self._state, datetime.now(UTC))
        odd = contradiction(load_calibrations(self.place), made)
        add_calibration(self.place, made)
        if odd is not None:
            return f"Saved in {self.place}. {' '.join(odd.sentences)}"
        return f"Saved in {self.place}. The assess widget and the commands use it from the next picture on."

    def nudge_words(self) -> str:
        """The nudge for the newest picture, from these points or else from a saved calibration."""
        if self._newest is None or self.asks:
            return ""
        point, state = self._newest
        try:
            calibration = from_estimate(self.guide.estimate(), state, datetime.now(UTC))
        except CalibrationError:
            try:
                saved = choose(load_calibrations(self.place), state)
            except CalibrationError as error:
                return str(error)
            if saved is None:
                return ""
            calibration = saved
        console = self.setup.instrument.console
        nudge = nudge_for(point, calibration, console)
        if nudge.centered:
            return "For the last picture: centered within the doubt, no move."
        moves = [
            f"{name} by {'' if value < 0 else '+'}{format_number(value, sigma)}"
            for name, value, sigma in (
                (console.name_x, nudge.x, nudge.x_sigma),
                (console.name_y, nudge.y, nudge.y_sigma),
            )
        ]
        return f"For the last picture: turn {moves[0]}, {moves[1]} (console units)."
