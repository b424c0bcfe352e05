"""Assessments and scenes built from closed-form truth: two even discs of known radii and offset."""

from math import atan2, cos, degrees, radians, sin
from typing import Any

import numpy as np

from apertrue.advice import Context
from apertrue.advise.budget import disc_lost
from apertrue.assessment import Assessment
from apertrue.registry import SceneKind
from apertrue.scene import Edge, Scene

FRESH = Context(age_min=1.0)


def case(
    offset: float,
    *,
    sigma: float = 0.05,
    ratio: float = 0.8,
    direction: float = 40.0,
    kind: SceneKind = SceneKind.BOTH_EDGES,
    score_sigma: float = 0.05,
    why: tuple[str, ...] = (),
    flags: tuple[str, ...] = (),
    **changed: Any,
) -> tuple[Assessment, Scene]:
    """A beam of ``ratio`` aperture radii, ``offset`` % off toward ``direction``, and its scene."""
    d = np.asarray(offset / 100.0)
    share = float(disc_lost(d, ratio))
    best = min(1.0, 1.0 / ratio**2)
    known = offset > 2 * sigma
    values: dict[str, Any] = {
        "scene": str(kind),
        "flags": flags,
        "aperture_radius_px": 400.0,
        "beam_radius_px": 400.0 * ratio,
        "offset_percent": offset,
        "offset_percent_sigma": sigma,
        "offset_x_percent": offset * cos(radians(direction)),
        "offset_y_percent": -offset * sin(radians(direction)),
        "offset_direction_deg": direction if known else None,
        "offset_direction_deg_sigma": degrees(atan2(sigma, offset)) if known else None,
        "move_direction_deg": (direction + 180) % 360 if known else None,
        "gap_percent": 100 * (1 - ratio) - offset,
        "gap_percent_sigma": sigma,
        "clipped_fraction": 1 - best * (1 - share),
        "clipped_fraction_sigma": 0.001,
        "score": 100 * (1 - share),
        "score_sigma": score_sigma,
        "working_score": 100 * (1 - float(disc_lost(d, 1.0))),
        "working_score_sigma": score_sigma,
    }
    values.update(changed)
    edge = Edge(256.0, 256.0, 400.0)
    scene = Scene(kind, 0.99, (512, 512), flags=flags, aperture=edge, beam=Edge(256, 256, 400 * ratio), why=why)
    return Assessment(**values), scene
