"""What is special about a picture: the flags that locating can raise."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..registry import FLAGS, SceneKind
from ..scene import Hints, Noise
from .levels import Light
from .solve import Solution
from .support import Support

Array = NDArray[np.float64]


def _limit(flag: str) -> float:
    value = FLAGS[flag].limit
    assert value is not None
    return value


def picture_flags(
    frame: Frame,
    pixels: NDArray[Any],
    solution: Solution,
    at: dict[str, Support],
    light: Light,
    covariance: Array,
    noise: Noise,
    kind: SceneKind,
    sigma_offset: float,
    hints: Hints,
) -> tuple[str, ...]:
    """Flags in the registry's order."""
    fit = solution.fit
    assert fit.aperture is not None
    assert fit.beam is not None
    raised: set[str] = set()
    if frame.saturation is not None:
        core = max(light.core, 1e-30)
        lit = pixels > 0.5 * (core + light.background)
        n_lit = int(np.count_nonzero(lit))
        n_top = int(np.count_nonzero(pixels >= frame.saturation))
        if n_lit and n_top > _limit("saturated") * n_lit:
            raised.add("saturated")
    visible = int(at["aperture"].visible.sum() + at["beam"].visible.sum())
    contradicted = int(at["aperture"].contradicted.sum() + at["beam"].contradicted.sum())
    if visible and contradicted > max(_limit("in-the-way") * visible, 1):
        raised.add("in-the-way")
    for support in at.values():
        if support.cut > _limit("cut-by-frame"):
            raised.add("cut-by-frame")
    pixel_sigma = float(np.sqrt(noise.variance(light.core)))
    if sigma_offset > 0.01 or light.core - light.background < _limit("noisy") * pixel_sigma:
        raised.add("noisy")
    if light.unevenness is not None and light.unevenness[0] > _limit("uneven"):
        raised.add("uneven")
    e_a, s_a = _ellipticity(fit.aperture, covariance, 0)
    e_b, s_b = _ellipticity(fit.beam, covariance, 6)
    if e_a > max(3 * s_a, _limit("tilted-view")):
        raised.add("tilted-view")
    differ = float(np.hypot(fit.beam[3] - fit.aperture[3], fit.beam[4] - fit.aperture[4]))
    if differ > max(3 * np.hypot(s_a, s_b), _limit("elliptical")):
        raised.add("elliptical")
    if light.halo is not None and kind is not SceneKind.CROSSOVER:
        dark_sigma = float(np.sqrt(noise.variance(light.background)))
        core = light.core - light.background
        if light.halo < 5 * dark_sigma and light.halo < _limit("low-contrast") * core:
            raised.add("low-contrast")
    linear = hints.linear if hints.linear is not None else frame.linear
    if linear is False:
        raised.add("nonlinear")
    return tuple(f for f in FLAGS if f in raised)


def _ellipticity(edge: Array, covariance: Array, start: int) -> tuple[float, float]:
    e = float(np.hypot(edge[3], edge[4]))
    c = covariance[start + 3 : start + 5, start + 3 : start + 5]
    if e <= 0:
        return 0.0, float(np.sqrt(np.trace(c) / 2))
    g = edge[3:5] / e
    return e, float(np.sqrt(max(g @ c @ g, 0.0)))
