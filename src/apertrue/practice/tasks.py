"""What there is to practice: tasks of growing difficulty, each a virtual microscope set up in a known way."""

from dataclasses import dataclass

import numpy as np

from ..instrument import Console
from ..microscope import VirtualMicroscope


@dataclass(frozen=True, slots=True)
class Task:
    """One task.

    Attributes:
        id: its name on the command line.
        title: a heading.
        story: what the operator finds, and what to reach.
        goal_percent: offset to reach, % of the aperture radius.
    """

    id: str
    title: str
    story: str
    goal_percent: float = 3.0

    @property
    def goal(self) -> str:
        """What to reach, as a sentence."""
        return f"Goal: the beam within {self.goal_percent:g} % of the aperture radius from the aperture's center."


TASKS: dict[str, Task] = {
    t.id: t
    for t in (
        Task(
            "creep",
            "The beam crept off",
            "Two hours after the last centering. Both edges show, but the gap is no longer the same all round. "
            "Nobody knows which way the two axes turn the beam here: find out in small steps.",
        ),
        Task(
            "half-cut",
            "Half of the beam is gone",
            "A setting was recalled and the current is half of what it was. The aperture cuts about half of the beam "
            "off.",
        ),
        Task(
            "overfilled",
            "Spread too far",
            "The beam was spread for work and overfills the aperture: its own edge is hidden. Make it smaller (focus "
            "toward crossover, not onto it) until both edges show, then center.",
        ),
        Task(
            "other-side",
            "The other side of the crossover",
            "The gun-lens focus stands on the negative side, where the axes act differently and currents are high.",
        ),
        Task(
            "restless",
            "After a change of tension",
            "The high tension was changed half an hour ago and the gun still settles: the beam creeps while you work.",
            4.0,
        ),
    )
}


def prepare(task: str, seed: int, *, size: int = 512, console: Console | None = None) -> VirtualMicroscope:
    """The virtual microscope of a task; the same seed gives the same one.

    Raises:
        KeyError: there is no such task.
    """
    if task not in TASKS:
        raise KeyError(task)
    rng = np.random.default_rng([seed, 77])
    scope = VirtualMicroscope(seed, size=size, console=console)
    direction = float(rng.uniform(0.0, 360.0))
    match task:
        case "creep":
            scope.misalign(float(rng.uniform(8.0, 22.0)), direction)
        case "half-cut":
            scope.misalign(82.0, direction)
        case "overfilled":
            scope.set_focus(scope.focus * 1.8)
            scope.misalign(float(rng.uniform(10.0, 25.0)), direction)
        case "other-side":
            scope.set_focus(scope.hidden.negative.focus + scope.hidden.crossover)
            scope.misalign(float(rng.uniform(10.0, 35.0)), direction)
        case "restless":
            scope.change_tension(80.0 if scope.hidden.kv > 80.0 else 200.0)
            scope.wait(30.0)
            scope.misalign(float(rng.uniform(10.0, 30.0)), direction)
    scope.snapshots = scope.moves = scope.meter_readings = scope.routine_runs = 0
    return scope
