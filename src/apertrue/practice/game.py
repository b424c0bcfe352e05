"""Practice without an instrument: the operator's moves on a virtual microscope, the advice on request, the review.

No user interface: the terminal and the window both drive this.
"""

from dataclasses import dataclass, replace

from ..advice import Context
from ..advise.cautions import CAUTIONS, Occasion, cautions_for
from ..calibration import Learner, Move, learner, next_move, point_from
from ..errors import CalibrationError
from ..instrument import Instrument
from ..microscope import AutomaticRun, Position, VirtualMicroscope
from ..pipeline import Result, judge
from .advised import AdvisedRun, center
from .tasks import TASKS, Task, prepare

#: What the alignment view needs: above this beam radius ÷ aperture radius the beam's edge is hidden.
_HIDDEN_EDGE = 1.0


@dataclass(frozen=True, slots=True)
class Action:
    """One thing the operator did.

    Attributes:
        kind: ``move``, ``focus``, ``tilt``, ``picture``, ``current``, ``automatic``, ``advice`` or ``wait``.
        minutes: virtual time after it.
        shift: readings after it.
        focus: reading of the gun-lens focus after it.
        offset_percent: true offset after it (for the review; not shown while practicing).
        seen_percent: measured offset, for pictures.
        note: a few words.
    """

    kind: str
    minutes: float
    shift: tuple[float, float]
    focus: float
    offset_percent: float
    seen_percent: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Look:
    """A picture with what the engine says of it.

    Attributes:
        result: frame, scene, assessment, advice.
        move: what advice would do next; ``None`` when the picture can't tell or advice is off.
        sentences: the advice in words; empty when advice is off.
        cautions: what to mind with the move, the detector first; empty when advice is off or nothing is to be moved.
    """

    result: Result
    move: Move | None
    sentences: tuple[str, ...]
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Review:
    """The end of a practice.

    Attributes:
        task: what was practiced.
        seed: of the microscope.
        reached: whether the goal was reached.
        start, end: the truth then and now.
        moves, pictures, readings, routine_runs: how many.
        minutes: virtual minutes.
        worse: moves after which the offset was larger than before.
        advised: what advice alone does on the same microscope.
        sentences: the same for people.
    """

    task: Task
    seed: int
    reached: bool
    start: Position
    end: Position
    moves: int
    pictures: int
    readings: int
    routine_runs: int
    minutes: float
    worse: int
    advised: AdvisedRun
    sentences: tuple[str, ...]


class Practice:
    """One practice session.

    Args:
        task: an id of :data:`apertrue.practice.tasks.TASKS`.
        seed: the microscope.
        advice: whether :meth:`picture` says what to do.
        instrument: limits, costs and console.
        size: of the pictures, px.
    """

    def __init__(
        self,
        task: str = "creep",
        seed: int = 1,
        *,
        advice: bool = True,
        instrument: Instrument | None = None,
        size: int = 512,
    ) -> None:
        self.task, self.seed, self.advice, self.size = TASKS[task], seed, advice, size
        self.instrument = instrument or Instrument()
        self.scope: VirtualMicroscope = prepare(task, seed, size=size, console=self.instrument.console)
        self._began = self.scope.minutes
        self.start = self.scope.truth()
        self.actions: list[Action] = []
        self._known: Learner = self._fresh()

    # --- what the operator does ------------------------------------------------------------------------------------
    def picture(self) -> Look:
        """Take a picture and judge it; with advice on, say what to do."""
        result = judge(self.scope.snapshot(), instrument=self.instrument)
        move: Move | None = None
        said: tuple[str, ...] = ()
        try:
            self._known = self._known.observe(point_from(result.assessment))
            move = next_move(self._known, self.scope.console)
        except CalibrationError:
            move = None
        if self.advice:
            if move is not None and move.kind == "nudge":
                # Once more with the learned move: the verdict and its budget then know it.
                context = Context(nudge=move.nudge)
                result = judge(result.frame, instrument=self.instrument, context=context)
            said = self._words(result, move)
        self._note("picture", seen=result.assessment.offset_percent)
        shown = move if self.advice else None
        return Look(result, shown, said, self._cautions(result, shown))

    def move(self, dx: float, dy: float) -> None:
        """Change both gun shift readings. ``ValueError`` outside the console's range."""
        self.scope.move(dx, dy)
        self._note("move", f"{dx:+g}, {dy:+g}")

    def set_shift(self, x: float, y: float) -> None:
        """Set both gun shift readings. ``ValueError`` outside the console's range."""
        before = self.scope.shift
        self.scope.set_shift(x, y)
        self._note("move", f"{self.scope.shift[0] - before[0]:+g}, {self.scope.shift[1] - before[1]:+g}")

    def set_focus(self, focus: float) -> None:
        """Set the gun-lens focus; what was learned of the axes ends with it. ``ValueError`` out of range."""
        self.scope.set_focus(focus)
        self._known = self._fresh()
        self._note("focus", f"{focus:g}")

    def set_tilt(self, x: float, y: float) -> None:
        """Set the gun tilt. ``ValueError`` out of range."""
        self.scope.set_tilt(x, y)
        self._known = self._fresh()
        self._note("tilt", f"{x:g}, {y:g}")

    def current(self) -> float:
        """Read the current, pA."""
        value = self.scope.current_pa()
        self._note("current", f"{value:.4g} pA")
        return value

    def automatic(self) -> AutomaticRun:
        """Run the automatic routine, which may hang."""
        run = self.scope.run_automatic()
        self._note("automatic", run.outcome)
        return run

    def wait(self, minutes: float) -> None:
        """Let time pass. ``ValueError`` when negative."""
        self.scope.wait(minutes)
        self._note("wait", f"{minutes:g} min")

    # --- the end -----------------------------------------------------------------------------------------------------
    def review(self) -> Review:
        """How it went, and what advice alone does on the same microscope from the same start."""
        end = self.scope.truth()
        twin = prepare(self.task.id, self.seed, size=self.size, console=self.instrument.console)
        began = twin.minutes
        if twin.truth().beam_ratio > _HIDDEN_EDGE:
            # The advice's first step on an overfilled picture is to spread less until both edges show. How far is taken
            # from the truth: an operator sees it on the screen, and it costs one change of focus.
            side = twin.hidden.side("positive" if twin.focus >= 0 else "negative")
            twin.set_focus(side.focus + twin.hidden.crossover)
        advised = center(twin)
        advised = replace(advised, minutes=twin.minutes - began)
        moves = [a for a in self.actions if a.kind == "move"]
        worse, before = 0, self.start.offset_percent
        for action in self.actions:
            worse += action.kind == "move" and action.offset_percent > before + 0.5
            before = action.offset_percent
        review = Review(
            self.task,
            self.seed,
            end.offset_percent <= self.task.goal_percent,
            self.start,
            end,
            len(moves),
            sum(a.kind == "picture" for a in self.actions),
            sum(a.kind == "current" for a in self.actions),
            sum(a.kind == "automatic" for a in self.actions),
            self.scope.minutes - self._began,
            worse,
            advised,
            (),
        )
        return replace(review, sentences=_review_words(review, self.actions))

    # --- inside ------------------------------------------------------------------------------------------------------
    def _fresh(self) -> Learner:
        return learner(step=self.scope.console.shift_step)

    def _note(self, kind: str, note: str = "", seen: float | None = None) -> None:
        s = self.scope
        self.actions.append(
            Action(kind, s.minutes - self._began, s.shift, s.focus, s.truth().offset_percent, seen, note)
        )

    def _words(self, result: Result, move: Move | None) -> tuple[str, ...]:
        said = list(result.advice.sentences[:1])
        if move is None:
            said += [s for s in result.advice.sentences[1:] if s not in CAUTIONS.values()]
        elif move.kind == "centered":
            said += move.sentences
        else:
            first = move.sentences[0]
            if result.advice.verdict == "auto":
                first = f"By hand instead: {first[0].lower()}{first[1:]}"
            said += [first, *move.sentences[1:]]
        return tuple(dict.fromkeys(said))

    def _cautions(self, result: Result, move: Move | None) -> tuple[str, ...]:
        if move is None or move.kind == "centered":
            return ()
        name = result.frame.state.camera
        # Later trials are sized by what the first one taught, like a nudge.
        first = move.kind == "trial" and len(self._known.points) < 2
        occasion: Occasion = "trial" if first else "nudge"
        return cautions_for(occasion, self.instrument.camera(name), name, None)


def _many(count: int, what: str) -> str:
    """``1 move``, ``2 moves``."""
    return f"{count} {what}" + ("" if count == 1 else "s")


def _review_words(r: Review, actions: list[Action]) -> tuple[str, ...]:
    says = [
        f"{'Reached' if r.reached else 'Not reached'}: the beam stands {r.end.offset_percent:.1f} % of the aperture "
        f"radius off center (at the start {r.start.offset_percent:.1f} %, goal {r.task.goal_percent:g} %).",
        f"Working score {r.start.working_score:.1f} → {r.end.working_score:.1f}; beam current "
        f"{r.start.current_pa:.3g} → {r.end.current_pa:.3g} pA; clipped {100 * r.end.clipped_fraction:.1f} %.",
        f"You took {r.minutes:.1f} min: {_many(r.moves, 'move')}, {_many(r.pictures, 'picture')}"
        + (f", {_many(r.readings, 'current reading')}" if r.readings else "")
        + (f", {_many(r.routine_runs, 'run')} of the routine" if r.routine_runs else "")
        + ".",
        f"Advice alone, from the same start: {r.advised.minutes:.1f} min, {_many(r.advised.moves, 'move')}, "
        f"{_many(r.advised.snapshots, 'picture')}, {r.advised.offset_percent:.1f} % off at the end.",
    ]
    if r.worse >= 2 and 3 * r.worse > r.moves:
        says.append(
            f"{r.worse} of {r.moves} moves made it worse: one axis at a time, and a picture after each, shows which "
            "way it turns the beam."
        )
    if r.pictures < r.moves // 2:
        says.append("Several moves went without a picture in between: what a move did is then a guess.")
    if any(a.kind == "automatic" and a.note == "hung" for a in actions):
        says.append("The routine hung: it happens now and then, and costs more than several nudges.")
    if r.end.beam_ratio > _HIDDEN_EDGE:
        says.append("The beam still overfills the aperture: its own edge is hidden, so nobody can see the center.")
    if r.end.beam_ratio < 0.4:
        says.append("The beam is small: it scores well anywhere inside the aperture, which hides that it is off.")
    says.append("This was a simulated instrument; apertrue has not yet been verified on a real one.")
    return tuple(says)
