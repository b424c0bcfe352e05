"""Which way to turn: the shift calibration, its validity, and the nudges that follow from it. Pure estimation.

>>> from apertrue.calibration import Point, estimate, from_estimate, nudge_for
>>> points = [
...     Point(0.0, 0.0, 4.0, 1.0, 0.1, 0.1),
...     Point(2.0, 0.0, 10.0, 3.0, 0.1, 0.1),
...     Point(0.0, 2.0, 2.0, 6.0, 0.1, 0.1),
... ]
>>> calibration = from_estimate(estimate(points, step=0.1))
>>> nudge = nudge_for(points[0], calibration)
>>> round(nudge.x, 1), round(nudge.y, 1)
(-1.3, 0.1)
"""

from .advised import with_nudge
from .confirm import Confirmation, confirm, confirmed
from .contradiction import Contradiction, contradiction
from .estimate import Estimate, estimate
from .files import add_calibration, calibration_path, forget_calibration, load_calibrations, save_calibrations
from .guide import Guide, Suggestion
from .learn import Learner, learner
from .model import Calibration, Validity, at_focus, choose, from_estimate, why_none
from .nudge import Move, next_move, nudge_for, plan_nudge, trial_move
from .points import Point, point_from, with_approach
from .quality import NextPoint, Quality, next_point, quality
from .questions import Question, questions
from .state_key import StateKey

__all__ = [
    "Calibration",
    "Confirmation",
    "Contradiction",
    "Estimate",
    "Guide",
    "Learner",
    "Move",
    "NextPoint",
    "Point",
    "Quality",
    "Question",
    "StateKey",
    "Suggestion",
    "Validity",
    "add_calibration",
    "at_focus",
    "calibration_path",
    "choose",
    "confirm",
    "confirmed",
    "contradiction",
    "estimate",
    "forget_calibration",
    "from_estimate",
    "learner",
    "load_calibrations",
    "next_move",
    "next_point",
    "nudge_for",
    "plan_nudge",
    "point_from",
    "quality",
    "questions",
    "save_calibrations",
    "trial_move",
    "why_none",
    "with_approach",
    "with_nudge",
]
