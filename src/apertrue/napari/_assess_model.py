"""Behind the assess widget: what the user drew, and which pictures are judged where. No Qt."""

import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from ..errors import ApertrueError
from ..pipeline import Result
from ..readers import ReadOptions, read_sheet
from ..scene import Edge, Scene
from ._judge_one import Drawn, Region, Setup, judge_one, load_setup
from ._second_process import SecondProcess
from ._target import Aim, AimError

#: A picture that comes sooner than this after the last one of the same view is followed from it, s.
FOLLOW_S = 1.0
#: After so many that did, the view counts as live, and a second process judges it.
LIVE_AFTER = 3
#: That process ends when no picture came for so long, s.
IDLE_S = 60.0
Whose = Literal["aperture", "beam"]


class AssessModel:
    """State of one assess widget.

    Args:
        setup: instrument and calibrations; found as the commands find them when ``None``.
    """

    def __init__(self, setup: Setup | None = None) -> None:
        self.setup = setup or load_setup()
        self.drawn = Drawn()
        self._before: list[Drawn] = []
        self._last: _Last | None = None
        self._in_a_row = 0
        self.second = SecondProcess()

    # --- what the user draws -------------------------------------------------------------------------------------------
    def correct(self, whose: Whose, edge: Edge) -> None:
        """Take a drawn edge as the fit's start."""
        drawn = replace(self.drawn, aperture=edge) if whose == "aperture" else replace(self.drawn, beam=edge)
        self._change(drawn)

    def restrict(self, region: Region | None) -> bool:
        """Search only there; ``None`` = the whole picture. Returns whether that is a change."""
        if region == self.drawn.region:
            return False
        self._change(replace(self.drawn, region=region))
        return True

    def undo(self) -> bool:
        """Take back the last thing drawn; returns whether there was one."""
        if not self._before:
            return False
        self.drawn = self._before.pop()
        return True

    def clear(self) -> bool:
        """Forget all that was drawn (which can be undone); returns whether there was anything."""
        if not self.drawn.anything:
            return False
        self._change(Drawn())
        return True

    def start_over(self) -> None:
        """For another picture: nothing is drawn on it yet, and nothing can be undone."""
        self.drawn, self._before = Drawn(), []

    @property
    def can_undo(self) -> bool:
        """Whether :meth:`undo` would do something."""
        return bool(self._before)

    def _change(self, drawn: Drawn) -> None:
        self._before.append(self.drawn)
        self.drawn = drawn

    # --- readings and log ---------------------------------------------------------------------------------------------
    def use_sheet(self, path: Path | None) -> str:
        """Take readings from a session sheet, or from none any more; returns what to say.

        Raises:
            ReadError: the sheet is wrong; names line and column.
        """
        if path is None:
            self.setup = replace(self.setup, sheet=())
            return ""
        rows = read_sheet(path, options=ReadOptions(timezone=self.setup.instrument.timezone))
        self.setup = replace(self.setup, sheet=rows)
        return f"Readings from {path.name} ({len(rows)} lines)."

    def add_to_log(self, aim: Aim, result: Result) -> str:
        """Write a judged picture into the session log, the same as the commands'; returns what to say. May be slow.

        Raises:
            StoreError: the log can't be written.
        """
        from ..session import add_result, open_log
        from ..session.clock import now as present
        from ..session.clock import zone_of

        if aim.origin is not None and aim.origin.simulated:
            return "This picture is simulated: it is not written into the session log."
        instrument = self.setup.instrument
        with open_log() as store:
            entry, added = add_result(store, result, present(zone_of(instrument)), instrument, origin="window")
        if not added:
            return f"It is in the session log already (entry {entry.id})."
        return f"In the session log as entry {entry.id}, {entry.at:%H:%M}. To take it back: apertrue session undo {entry.id}"

    # --- the work ------------------------------------------------------------------------------------------------------
    def work(self, aim: Aim, now: datetime | None = None) -> Result:
        """Judge the picture that ``aim`` means. Slow: call it in a worker.

        Raises:
            AimError, ReadError: the picture can't be had.
        """
        frame = aim.frame(marked=False)
        view = (aim.name, aim.index, frame.shape)
        last = self._last
        if last is None or last.view != view or time.monotonic() - last.at > FOLLOW_S:
            last = None
        self._in_a_row = 0 if last is None else self._in_a_row + 1
        asked = self.setup, self.drawn, now or datetime.now(UTC), None if last is None else last.judged
        result = self.second.judge(frame, *asked) if self.live and self.second.ready else None
        if result is None:
            result = judge_one(frame, *asked)
        self._last = _Last(view, (result.frame.digest, result.scene), time.monotonic())
        return result

    @property
    def live(self) -> bool:
        """Whether pictures of one view come so quickly that a second process pays."""
        return self._in_a_row >= LIVE_AFTER

    @property
    def flowing(self) -> bool:
        """Whether it is live at this moment: its last picture is not long ago."""
        return self.live and self._last is not None and time.monotonic() - self._last.at <= FOLLOW_S

    def stop(self) -> None:
        """End the second process, in the middle of a picture, too."""
        self._in_a_row = 0
        self.second.stop()

    def rest(self) -> None:
        """End it when no picture has come for a while. To be called now and then."""
        if self._last is not None and time.monotonic() - self._last.at > IDLE_S:
            self.stop()

    def close(self) -> None:
        """End it for good."""
        self.second.close()


@dataclass(frozen=True, slots=True, eq=False)
class _Last:
    """The last picture: which view it was, its fingerprint and scene, and when it was judged."""

    view: tuple[str, tuple[int, ...], tuple[int, int]]
    judged: tuple[str | None, Scene]
    at: float


def told(error: BaseException) -> str:
    """An error in words for the panel."""
    if isinstance(error, ApertrueError | AimError):
        return str(error)
    if isinstance(error, MemoryError):
        return "Not enough memory for this picture. Crop it or open it smaller."
    return f"Unexpected {type(error).__name__}: {error}. This is a fault of apertrue; please report it."
