"""What a fit may be called: the scene's kind, its confidence, and what may not be said."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..model.edges import distance
from ..registry import SceneKind
from ..scene import Edge, Hints, Noise, Scene
from .find import Rough
from .flags import picture_flags
from .levels import light_of, profile_of, scene_covariance
from .reduce import Reduced
from .refine import covariance_of
from .solve import Solution, quality, true_width
from .support import Support, arcs_of, support

Array = NDArray[np.float64]

#: A beam radius under this share of the aperture's is a crossover spot.
CROSSOVER = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """A scene and how well its fit stood up."""

    scene: Scene


def spread_of(solution: Solution) -> float:
    """By how much the residuals exceed the noise: √(reduced χ²), at least 1."""
    fit = solution.fit
    near = solution.cells.near & (fit.weight > 0)
    if near.sum() < 10:
        return 1.0
    chi2 = float((fit.weight[near] * fit.z[near] ** 2).sum()) / max(
        float(fit.weight[near].sum()) - len(fit.normal), 1.0
    )
    return float(np.sqrt(max(chi2, 1.0)))


def tightest_gap(aperture: Array, beam: Array) -> float:
    """Smallest distance from the beam's edge inward to the aperture's edge, in aperture radii; negative = overlap.

    Taken in the plane where the aperture is round (unit disc).
    """
    e = Edge(*(float(v) for v in aperture[:5]))
    b = Edge(*(float(v) for v in beam[:5]))
    points = (b.outline(180) - (e.x, e.y)) @ e.to_round().T / e.radius
    return float(1.0 - np.hypot(points[:, 0], points[:, 1]).max())


def judge_pair(
    solution: Solution, sure: bool, noise: Noise, pixels: NDArray[Any], frame: Frame, hints: Hints
) -> Judged | None:
    """A scene with both edges, or ``None`` when the picture does not bear it out.

    ``sure``: whether it is known whose edge is whose.
    """
    fit = solution.fit
    if fit.aperture is None or fit.beam is None:
        return None
    shape = (int(pixels.shape[0]), int(pixels.shape[1]))
    profile = profile_of(fit)
    if profile is None:
        return None
    at = {name: support(fit, solution.cells, name, shape) for name in ("aperture", "beam")}
    if not (_stands(at["aperture"]) and _stands(at["beam"])):
        return None
    ratio = fit.beam[2] / fit.aperture[2]
    gap = tightest_gap(fit.aperture, fit.beam)
    spread = spread_of(solution)
    covariance = covariance_of(fit, solution.cells, spread)
    sigma_offset = float(np.sqrt(_offset_variance(covariance))) / float(fit.aperture[2])
    if not np.isfinite(sigma_offset) or sigma_offset > 0.05:
        return None
    if ratio < CROSSOVER:
        kind = SceneKind.CROSSOVER
    elif gap > 0:
        kind = SceneKind.BOTH_EDGES
    else:
        kind = SceneKind.CLIPPED
    light = light_of(fit, solution.cells)
    sign_known = sure or kind is not SceneKind.CLIPPED
    confidence = _confidence(at["aperture"]) * _confidence(at["beam"])
    flags = picture_flags(frame, pixels, solution, at, light, covariance, noise, kind, sigma_offset, hints)
    why: tuple[str, ...] = () if sign_known else ("sides-ambiguous",)
    if kind is SceneKind.CROSSOVER:
        why += ("spread-more",)
    return Judged(
        Scene(
            kind,
            confidence,
            shape,
            flags,
            aperture=_edge(solution, 0, at["aperture"]),
            beam=_edge(solution, 1, at["beam"]),
            covariance=scene_covariance(fit, covariance),
            profile=profile,
            halo_mean=light.halo,
            background=light.background,
            core=light.core,
            unevenness=light.unevenness,
            noise=noise,
            chi2=spread**2,
            sign_known=sign_known,
            extra={"residual": quality(solution)},
            guided=hints.start_aperture is not None or hints.start_beam is not None,
            levels_linear="nonlinear" not in flags,
            why=why,
        )
    )


def judge_single(
    solution: Solution | None,
    rough: Rough,
    reduced: Reduced,
    noise: Noise,
    pixels: NDArray[Any],
    frame: Frame,
    hints: Hints,
) -> Judged:
    """A scene with one edge or none."""
    shape = (int(pixels.shape[0]), int(pixels.shape[1]))
    other = Judged(Scene(SceneKind.OTHER_VIEW, 0.7, shape, background=rough.dark, noise=noise, why=("not-this-view",)))
    if solution is None or solution.fit.beam is None:
        return other
    fit = solution.fit
    assert fit.beam is not None
    at = support(fit, solution.cells, "beam", shape)
    if not _stands(at) or at.confirmed.mean() < 0.3:
        return other
    edge = _edge(solution, 1, at)
    return Judged(
        Scene(SceneKind.ONE_EDGE, 0.8, shape, edge=edge, background=rough.dark, noise=noise, why=("one-edge-only",))
    )


def _stands(at: Support) -> bool:
    """Whether the stretches of an edge bear it out."""
    visible, contradicted = int(at.visible.sum()), int(at.contradicted.sum())
    if visible >= 4:
        return contradicted <= 0.35 * visible and int(at.confirmed.sum()) >= 4
    return at.significance > 6 and int(np.isfinite(at.found).sum()) >= 8


def _confidence(at: Support) -> float:
    visible = max(int(at.visible.sum()), 1)
    good = 1.0 - int(at.contradicted.sum()) / visible
    return float(np.clip(good * min(1.0, 0.6 + 0.04 * at.significance), 0.0, 1.0))


def _offset_variance(covariance: Array) -> float:
    c = np.zeros((2, len(covariance)))
    c[0, 0] = c[1, 1] = -1
    c[0, 6] = c[1, 7] = 1
    return float(np.linalg.eigvalsh(c @ covariance @ c.T)[-1])


def _edge(solution: Solution, which: int, at: Support) -> Edge:
    p = solution.fit.aperture if which == 0 else solution.fit.beam
    assert p is not None
    used = at.confirmed
    x, y, radius, e1, e2 = (float(v) for v in p[:5])
    return Edge(x, y, radius, e1, e2, true_width(solution, which), seen=float(used.mean()), arcs=arcs_of(used))
