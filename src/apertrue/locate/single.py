"""A picture with one round edge: that it is one, and whose, if anything known beforehand tells."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..registry import SceneKind
from ..scene import Edge, Hints, Noise, Scene
from .classify import Judged, edge_of, stands
from .doubts import edge_doubt, spread_of
from .find import Look, Rough
from .levels import Light, light_of
from .solution import Solution
from .support import Support, support

Array = NDArray[np.float64]


def judge_single(
    solution: Solution | None,
    first: Look,
    hints: Hints,
) -> Judged:
    """A scene with one edge or none."""
    rough, noise = first.rough, first.noise
    assert rough is not None
    shape = (int(first.pixels.shape[0]), int(first.pixels.shape[1]))
    other = Judged(Scene(SceneKind.OTHER_VIEW, 0.7, shape, background=rough.dark, noise=noise, why=("not-this-view",)))
    if solution is None or solution.fit.beam is None:
        return other
    fit = solution.fit
    assert fit.beam is not None
    at = support(fit, solution.cells, "beam", shape)
    if not stands(at) or at.confirmed.mean() < 0.3:
        return other
    return Judged(_whose_edge(solution, at, rough, noise, hints, shape))


def _whose_edge(
    solution: Solution, at: Support, rough: Rough, noise: Noise, hints: Hints, shape: tuple[int, int]
) -> Scene:
    """One edge, and whose it is if anything known beforehand tells."""
    fit = solution.fit
    edge = edge_of(solution, 1, at)
    own = np.asarray(np.linalg.inv(fit.normal)[:6, :6] * spread_of(solution) ** 2, dtype=np.float64)
    own[2, 2] += edge_doubt(solution, 1, at) ** 2
    inverse = np.asarray(np.linalg.inv(fit.normal), dtype=np.float64)
    light = light_of(fit, solution.cells, inverse * spread_of(solution) ** 2)
    one = Scene(
        SceneKind.ONE_EDGE, 0.8, shape, edge=edge, background=rough.dark, core=light.core, noise=noise,
        why=("one-edge-only",),
    )  # fmt: skip
    remembered = hints.aperture
    if remembered is not None:
        doubt = max(hints.aperture_sigma_px, 0.005 * remembered.radius)
        apart = float(np.hypot(edge.x - remembered.x, edge.y - remembered.y))
        if apart < 3 * doubt and abs(edge.radius - remembered.radius) < max(3 * doubt, 0.02 * remembered.radius):
            return _as_aperture(one, edge, own, light)
        covariance = np.zeros((13, 13))
        covariance[[0, 1, 2], [0, 1, 2]] = hints.aperture_sigma_px**2
        covariance[6:12, 6:12] = own
        return replace(
            one, kind=SceneKind.BEAM_ONLY, edge=None, aperture=remembered, beam=edge, covariance=covariance,
            aperture_remembered=True, why=(),
        )  # fmt: skip
    if hints.aperture_radius_px is not None:
        z = (edge.radius - hints.aperture_radius_px) / (hints.aperture_radius_sigma * hints.aperture_radius_px)
        if abs(z) < 2:
            return _as_aperture(one, edge, own, light)
        if z < -3:
            covariance = np.zeros((13, 13))
            covariance[6:12, 6:12] = own
            return replace(
                one, kind=SceneKind.BEAM_ONLY, edge=None, beam=edge, covariance=covariance, why=("no-reference",)
            )
    return one


def _as_aperture(one: Scene, edge: Edge, own: Array, light: Light) -> Scene:
    covariance = np.zeros((13, 13))
    covariance[:6, :6] = own
    return replace(
        one, kind=SceneKind.OVERFILLED, edge=None, aperture=edge, covariance=covariance,
        unevenness=light.unevenness, why=("spread-less",),
    )  # fmt: skip
