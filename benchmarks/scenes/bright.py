"""Bright plain pictures: so many electrons that each thing the model misses exceeds the noise by far; an eye sees both edges.

Drawn in the ways that :mod:`benchmarks.scenes.drawn` has, at 10 000 to 50 000 electrons. Groups: a beam cut off that nearly
has the aperture's radius; one that is half cut off, or wider than the aperture; a patchy beam just inside the aperture; a halo
of a third of a percent to one percent beside a soft edge; a domed or rimmed beam just inside; a dead quadrant that covers the
middle of the beam; and one disc with a bright rim, which must not be told as two.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from scipy.ndimage import gaussian_filter

from .case import NUMBERS, Case, children, in_turn
from .drawn import FINE, MAY, Array, Drawing, camera, grid, light, random_drawing, truth_of
from .worn import beam_of

GROUPS = ("near-tangent", "half-cut", "patchy", "faint-halo", "domed-snug", "dead-middle", "rimmed-disc")
#: Gray level of a sensor's dead part.
DEAD = 0


def scenes(n: int, seed: int = 25) -> Iterator[Case]:
    """``n`` pictures, the groups in turn."""
    return in_turn("bright", GROUPS, one, children(seed, n))


def one(group: str, name: str, rng: np.random.Generator) -> Case:
    """One picture of a group."""
    s = replace(random_drawing(rng), full=float(np.exp(rng.uniform(np.log(1e4), np.log(5e4)))))
    s = replace(s, halo=float(rng.uniform(0.02, 0.1)))
    turn = float(rng.uniform(0, 2 * np.pi))
    null, allowed = (), ("both-edges",)
    if group == "near-tangent":
        ratio = float(rng.uniform(0.96, 1.04))
        s, allowed = beam_of(s, ratio, max(ratio - 1.0, 0.0) + rng.uniform(0.08, 0.2), turn), ("clipped",)
    elif group == "half-cut":
        ratio = float(rng.uniform(0.85, 1.3))
        s, allowed = beam_of(s, ratio, 0.7 * ratio, turn), ("clipped",)
    elif group in ("patchy", "domed-snug"):
        ratio = float(rng.uniform(0.86, 0.93))
        s = beam_of(s, ratio, rng.uniform(0, 0.3) * (1 - ratio), turn)
    elif group == "faint-halo":
        s = replace(s, halo=float(rng.uniform(0.003, 0.01)), widths=(s.widths[0], float(rng.uniform(2.0, 4.0))))
    elif group == "dead-middle":
        s = beam_of(s, float(rng.uniform(0.55, 0.7)), 0.25, rng.uniform(0.0, 0.5 * np.pi))
    x, y = grid(s.side)
    truth = truth_of(s)
    if group == "rimmed-disc":
        rho = np.hypot(x - s.center[0], y - s.center[1]) / s.radius
        mean = s.edges[0]((1 - rho) * s.radius, s.widths[0]) * (1 + rng.uniform(0.2, 0.6) * rho ** rng.uniform(4, 10))
        truth, null, allowed = {"aperture_radius_px": s.radius}, NUMBERS, ("one-edge", "overfilled", "other-view")
    else:
        mean = light(s, x, y, shape=_shape(group, s, x, y, rng))
    pixels = camera(mean, s, rng)
    if group == "dead-middle":  # the corner that holds the beam's middle
        at = [round(s.center[k] + s.offset[k] * s.radius + rng.uniform(0.02, 0.1) * s.radius) for k in (0, 1)]
        pixels[: at[1], : at[0]] = DEAD
    return Case(
        name, group, pixels, truth, allowed, null, (), (*MAY, "cut-by-frame"), {}, source="drawn for this benchmark"
    )


def _shape(group: str, s: Drawing, x: Array, y: Array, rng: np.random.Generator) -> Array | None:
    """Factor of the beam's light; ``None`` = even."""
    rho = np.hypot(x - s.center[0] - s.offset[0] * s.radius, y - s.center[1] - s.offset[1] * s.radius) / (
        s.ratio * s.radius
    )
    if group == "patchy":
        patches = gaussian_filter(rng.normal(size=x.shape), 0.25 * s.radius * FINE)
        return np.asarray(1 + 0.12 * patches / patches.std())
    if group in ("near-tangent", "half-cut"):
        return np.asarray(
            1
            - rng.uniform(0.0, 0.3) * np.minimum(rho, 1) ** 2
            + rng.uniform(-0.15, 0.15) * (x - s.center[0]) / s.radius
        )
    if group == "domed-snug":
        return np.asarray(1 + rng.uniform(-0.5, 0.3) * np.minimum(rho, 1.2) ** rng.uniform(2, 6))
    return None
