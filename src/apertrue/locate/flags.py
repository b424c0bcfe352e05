"""What is special about a picture: the flags that locating can raise."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..model.edges import distance
from ..model.forward import Points, evaluate
from ..registry import FLAGS, SceneKind
from ..scene import Hints, Noise
from .find import Look
from .ghost import afterglow_seen, find_ghost, stirred
from .levels import Light
from .marks import overlay_seen
from .reduce import reduce_picture
from .refine import Fit
from .shadow import darkened
from .solution import Solution
from .support import Support, edge_points

Array = NDArray[np.float64]

#: A shadow and its soft rim ÷ the part that takes so much.
RIM = 1.6
#: A picture of which more than this share of the pixels is at the top level tells nothing but that.
ALL_AT_TOP = 0.98


def _limit(flag: str) -> float:
    value = FLAGS[flag].limit
    assert value is not None
    return value


def ordered(raised: set[str]) -> tuple[str, ...]:
    """Flags in the registry's order."""
    return tuple(f for f in FLAGS if f in raised)


def plain_flags(frame: Frame, pixels: NDArray[Any], hints: Hints, *, drawn: bool = False) -> tuple[str, ...]:
    """Flags of a picture in which no pair of edges was found: what the file and the pixels alone tell."""
    raised: set[str] = set()
    if drawn or overlay_seen(pixels, lossy=frame.lossy):
        raised.add("overlay")
    if _unlinear(frame, hints):
        raised.add("nonlinear")
    if _all_at_top(frame):
        raised.add("saturated")
    return ordered(raised)


def _all_at_top(frame: Frame) -> bool:
    """Whether hardly a pixel is below the camera's top level."""
    top = frame.saturation
    return top is not None and float(np.mean(frame.pixels >= top)) > ALL_AT_TOP


def _unlinear(frame: Frame, hints: Hints) -> bool:
    """Whether gray levels are known not to be proportional to light, or have 8 bits and nothing that states they are."""
    linear = hints.linear if hints.linear is not None else frame.linear
    return frame.pixels.dtype == np.uint8 if linear is None else not linear


def picture_flags(
    frame: Frame,
    first: Look,
    solution: Solution,
    at: dict[str, Support],
    light: Light,
    covariance: Array,
    kind: SceneKind,
    sigma_offset: float,
    saturated: float,
    hints: Hints,
    *,
    explained: bool = True,
) -> tuple[str, ...]:
    """Flags in the registry's order. ``sigma_offset`` (with misfit of the light) counts only where it is hopeless;
    ``saturated`` is the share of the lit pixels; where the light is not ``explained``, what the fit misses covers nothing.
    """
    fit, pixels, noise = solution.fit, first.pixels, first.noise
    assert fit.aperture is not None
    assert fit.beam is not None
    raised: set[str] = set()
    if saturated > _limit("saturated"):
        raised.add("saturated")
    if first.drawn or overlay_seen(pixels, fit.aperture, lossy=frame.lossy):
        raised.add("overlay")
    if first.covered:
        raised.add("in-the-way")
    ghostly = False
    if stirred(solution):
        if afterglow_seen(find_ghost(pixels, solution, noise), fit):
            ghostly = True
            raised.add("afterglow")
        elif explained and covered_share(pixels, fit, noise) > _limit("in-the-way"):
            raised.add("in-the-way")
    if any(edge_missing(s) > _limit("in-the-way") for s in at.values()):
        raised.add("in-the-way")
    for support in at.values():
        if support.cut > _limit("cut-by-frame"):
            raised.add("cut-by-frame")
    blurred = noise_sigma(fit) > 0.01 or not np.isfinite(sigma_offset)
    if blurred or light.core - light.background < _limit("noisy") * _pixel_sigma(noise, light.core):
        raised.add("noisy")
    uneven = None if not explained else _unevenness(solution, light) if "in-the-way" in raised else light.unevenness
    if uneven is not None and uneven[0] > _limit("uneven"):
        raised.add("uneven")
    e_a, s_a = _ellipticity(fit.aperture, covariance, 0)
    _, s_b = _ellipticity(fit.beam, covariance, 6)
    # A second disc pulls the edges out of shape: then their ellipticity says nothing of view or beam.
    if not ghostly and e_a > max(3 * s_a, _limit("tilted-view")):
        raised.add("tilted-view")
    differ = float(np.hypot(fit.beam[3] - fit.aperture[3], fit.beam[4] - fit.aperture[4]))
    if not ghostly and differ > max(3 * np.hypot(s_a, s_b), _limit("elliptical")):
        raised.add("elliptical")
    if kind is not SceneKind.CROSSOVER:
        step = aperture_step(fit, at["aperture"])
        if step is not None:
            weak = step < 5 * _pixel_sigma(noise, light.background + max(step, 0.0))
            if weak and step < _limit("low-contrast") * (light.core - light.background):
                raised.add("low-contrast")
    if _unlinear(frame, hints):
        raised.add("nonlinear")
    return ordered(raised)


def _pixel_sigma(noise: Noise, level: float) -> float:
    return float(np.sqrt(noise.variance(level)))


def noise_sigma(fit: Fit) -> float:
    """1σ of the offset that the picture's noise alone makes, in aperture radii: misfit of the light is not noise."""
    assert fit.aperture is not None
    try:
        covariance = np.linalg.inv(fit.normal)
    except np.linalg.LinAlgError:
        return float("inf")
    difference = covariance[6:8, 6:8] + covariance[:2, :2] - covariance[:2, 6:8] - covariance[6:8, :2]
    return float(np.sqrt(max(float(np.linalg.eigvalsh(difference)[-1]), 0.0))) / float(fit.aperture[2])


def aperture_step(fit: Fit, at: Support) -> float | None:
    """The aperture's step where the beam leaves its edge free, gray levels: at its clearest tenth."""
    assert fit.aperture is not None
    assert fit.beam is not None
    x, y = edge_points(fit.aperture)
    free = distance(x, y, fit.beam) < -3 * fit.beam[5]
    return float(np.quantile(at.expected[free], 0.9)) if free.any() else None


def edge_missing(at: Support) -> float:
    """Share of an edge's visible sectors whose step is missing, counting stretches of at least two neighbors.

    A single sector may miss its step by chance; a step that is too high is bright light, not something in the way.
    """
    gone = at.visible & (at.found < 0.5 * at.expected - 4 * at.sigma)
    pair = gone & (np.roll(gone, 1) | np.roll(gone, -1))
    n = int(at.visible.sum())
    return float(pair.sum()) / n if n >= 8 else 0.0


def covered_share(pixels: NDArray[Any], fit: Fit, noise: Noise) -> float:
    """Share of the lit area that is clearly darker than the smooth light of the fit.

    Counted over block means, off both edges, wherever such a loss would stand out of the noise.
    """
    assert fit.aperture is not None
    assert fit.beam is not None
    a = fit.aperture
    reach = float(a[2]) * 1.1
    rows, columns = pixels.shape
    x0, x1 = max(int(a[0] - reach), 0), min(int(a[0] + reach) + 1, columns)
    y0, y1 = max(int(a[1] - reach), 0), min(int(a[1] + reach) + 1, rows)
    crop = pixels[y0:y1, x0:x1]
    if min(crop.shape) < 16:
        return 0.0
    reduced = reduce_picture(crop, 50)
    bx, by = reduced.centers()
    gx, gy = np.meshgrid(bx + x0, by + y0)
    half = 0.71 * reduced.size
    ok = np.isfinite(reduced.mean) & (distance(gx, gy, a) > 2.5 * a[5] + half)
    ok &= np.abs(distance(gx, gy, fit.beam)) > 3.0 * fit.beam[5] + half
    if ok.sum() < 40:
        return 0.0
    model = evaluate(fit.basis, Points.at(gx[ok], gy[ok]), fit.aperture, fit.beam, fit.linear)
    light, loss, variance = (np.zeros(ok.shape) for _ in range(3))
    light[ok] = np.maximum(model - float(fit.linear[0]), 1e-12)
    loss[ok] = model - reduced.mean[ok]
    variance[ok] = noise.mean_variance(model, reduced.pixels)
    able, covered = darkened(ok, light, loss, variance)
    n = int(np.count_nonzero(able))
    return RIM * float(np.count_nonzero(covered)) / n if n >= 40 else 0.0


def _unevenness(solution: Solution, light: Light) -> tuple[float, float] | None:
    """Unevenness without what lies in the way: cells count by their robust weight."""
    fit, cells = solution.fit, solution.cells
    lit = np.ones(len(cells), dtype=bool)
    for edge in (fit.aperture, fit.beam):
        assert edge is not None
        lit &= distance(cells.at.x, cells.at.y, edge) > 3.0 * edge[5]
    lit &= fit.weight > 0.5
    if lit.sum() < 6:
        return None
    value = cells.mean[lit] - light.background
    weight = cells.count[lit]
    mean = float(np.average(value, weights=weight))
    if not mean > 0:
        return None
    noise2 = float(np.average(fit.sigma[lit] ** 2, weights=weight))
    spread2 = float(np.average((value - mean) ** 2, weights=weight)) - noise2
    spread = float(np.sqrt(spread2)) if spread2 > 0 else 0.0
    return 100 * spread / mean, 0.0


def _ellipticity(edge: Array, covariance: Array, start: int) -> tuple[float, float]:
    """Ellipticity and its 1σ."""
    e = float(np.hypot(edge[3], edge[4]))
    c = covariance[start + 3 : start + 5, start + 3 : start + 5]
    if e <= 0:
        return 0.0, float(np.sqrt(np.trace(c) / 2))
    g = edge[3:5] / e
    return e, float(np.sqrt(max(float(g @ c @ g), 0.0)))
