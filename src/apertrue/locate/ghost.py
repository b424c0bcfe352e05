"""Afterglow: a second, fainter disc of the beam's own size at another place inside the aperture.

On block means inside the aperture, off both edges, smooth light (halo and beam terms) is fitted with and without a
further disc on a coarse grid of places. The gain in χ² of each place comes from one projection, so that the search is a few
matrix products.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance, step
from ..scene import Noise
from .reduce import Reduced, reduce_picture
from .refine import Fit
from .solution import Solution

Array = NDArray[np.float64]

#: x, y (px), mean, σ (gray levels), the reduction they are from, their rows and columns in it.
Blocks = tuple[Array, Array, Array, Array, Reduced, tuple[NDArray[np.intp], NDArray[np.intp]]]

#: Blocks across the aperture's diameter that the search aims at.
BLOCKS = 44
#: Nearest and farthest place searched, from the beam's center, aperture radii.
NEAREST, FARTHEST = 0.06, 0.6
#: What smooth light may differ from its terms, relative to the local light (1σ).
DISCREPANCY = 0.003
#: Mean square of the sectors' summed residuals above which a second disc is looked for (1 by chance).
CALM = 1.35
#: The same for single cells.
CALM_CELLS = 1.6
#: Sectors of that sum.
SECTORS = 12
#: Gain in χ² (relative to what is left per block) that a second disc needs.
GAIN = 60.0
#: Share of its light that smooth terms must leave to it: less, and it is only another way to write uneven light.
APART = 0.01
#: … or it is plain to see: so much gain, and shares of it (see below) that stay beside soft edges and skirts.
PLAIN, PLAIN_SHARES = 300.0, (0.75, 0.8, 0.7)
#: What of it no smooth terms could have taken over, relative to the beam's step (drawn second discs that were seen: 0.012 at
#: least; beams with light of their own that was taken for one: 0.003 at most).
SHOWN = 0.005
#: A second disc with less gain than this is asked for so much more of it.
WEAK, WEAK_SHOWN = 200.0, 0.02
#: Width of a very soft disc's edge, in its radii: uneven light of the halo is as well such a disc.
SOFT = 0.3
#: Widths of the beam's edge, in distances of the second disc, that make up a skirt around the beam: soft light on all sides.
SKIRTS = (0.5, 1.0)
#: Share of its gain that must be left beside such skirts (drawn second discs: 0.45 at least; skirts: 0).
BESIDE_SKIRT = 0.2
#: Share of the excess of squared residuals over chance that it must explain, and of its gain that must be its edge's (drawn
#: second discs: 0.7 and 0.2 at least; halos with lobes or tails that were taken for one: up to 0.6, or no edge: 0.01).
EXPLAINED, EDGED = 0.65, 0.1


@dataclass(frozen=True, slots=True)
class Ghost:
    """A second disc.

    Attributes:
        x, y: its center, px.
        level: its step relative to the beam's.
        gain: by how much it lowers χ², per mean squared residual that is left.
        apart: share of its light that smooth terms could not have taken over.
        explained: share of the squared residuals' excess over chance that it takes away.
        edge: share of ``gain`` that it keeps when a very soft disc at the same place is one of the smooth terms.
        one_side: the same when soft skirts all round the beam are.
    """

    x: float
    y: float
    level: float
    gain: float
    apart: float
    explained: float
    edge: float
    one_side: float


def stirred(solution: Solution) -> bool:
    """Whether neighboring cells inside the aperture depart together from smooth light and soft edges.

    Residuals are summed over sectors about the beam's center, inside and outside of it; noise alone leaves each sum
    within its σ.
    """
    fit, cells = solution.fit, solution.cells
    assert fit.aperture is not None
    assert fit.beam is not None
    x, y = cells.at.x, cells.at.y
    use = distance(x, y, fit.aperture) > 2 * fit.aperture[5]
    if use.sum() < 30:
        return False
    x, y = x[use], y[use]
    sector = ((np.arctan2(y - fit.beam[1], x - fit.beam[0]) / (2 * np.pi)) % 1.0 * SECTORS).astype(np.intp) % SECTORS
    key = sector * 2 + (distance(x, y, fit.beam) > 0)
    z = np.clip(fit.z[use], -8.0, 8.0)
    weight = 1.0 / fit.sigma[use]
    total = np.bincount(key, weights=z * weight, minlength=2 * SECTORS)
    square = np.bincount(key, weights=weight**2, minlength=2 * SECTORS)
    filled = square > 0
    return float(np.mean(total[filled] ** 2 / square[filled])) > CALM or float(np.mean(z * z)) > CALM_CELLS


def find_ghost(pixels: NDArray[Any], solution: Solution, noise: Noise) -> Ghost | None:
    """The best second disc, whether it counts or not (see :func:`afterglow_seen`).

    Args:
        pixels: the picture.
        solution: the joint fit.
        noise: of the camera.
    """
    fit = solution.fit
    assert fit.aperture is not None
    assert fit.beam is not None
    prepared = _blocks(pixels, fit, noise)
    if prepared is None:
        return None
    x, y, value, sigma, reduced, index = prepared
    smooth = _smooth_terms(fit, x, y) / sigma
    q, _ = np.linalg.qr(smooth.T)
    r = value / sigma
    r = r - q @ (q.T @ r)
    best: tuple[float, float, float, float, float] | None = None
    for span in (None, 0.5, 0.2):
        if span is None:
            at, t = _shifted(fit, x, y, reduced, index)
        else:
            assert best is not None
            shift = span * reduced.size * np.array([-1.0, 0.0, 1.0])
            gx, gy = np.meshgrid(best[0] + shift, best[1] + shift)
            at = np.stack([gx.ravel(), gy.ravel()], axis=1)
            t = _discs(fit, at, x, y, float(fit.beam[5]))
        t = t / sigma
        full = np.einsum("ij,ij->i", t, t)
        t = t - (t @ q) @ q.T
        norm = np.einsum("ij,ij->i", t, t)
        level = (t @ r) / np.maximum(norm, 1e-300)
        gain = np.where((level > 0) & (norm > 1e-9), level**2 * norm, 0.0)
        k = int(np.argmax(gain))
        if best is None or gain[k] > best[3]:
            left_over = float(norm[k] / max(full[k], 1e-300))
            best = (float(at[k, 0]), float(at[k, 1]), float(level[k]), float(gain[k]), left_over)
    assert best is not None
    total = float(r @ r)
    free = max(len(r) - len(smooth), 1)
    left = max(total - best[3], 1e-9) / free
    # Noise alone leaves `free`; a second disc is asked to explain what goes beyond.
    excess = max(total - free, 0.0) + float(np.sqrt(2 * free))
    at = np.array([best[:2]])
    away = float(np.hypot(best[0] - fit.beam[0], best[1] - fit.beam[1]))
    disc = _discs(fit, at, x, y, float(fit.beam[5])) / sigma
    soft = _discs(fit, at, x, y, SOFT * float(fit.beam[2])) / sigma
    skirts = np.concatenate([_discs(fit, fit.beam[None, :2], x, y, k * away) for k in SKIRTS]) / sigma
    edge, one_side = (_gain_beside(smooth, disc, q, r) / max(best[3], 1e-300) for smooth in (soft, skirts))
    return Ghost(
        best[0], best[1], best[2], best[3] / max(left, 1.0), best[4], min(best[3] / excess, 1.0), edge, one_side
    )


def _gain_beside(smooth: Array, disc: Array, q: Array, rest: Array) -> float:
    """The gain in χ² of a disc where more light (``smooth``, shape (k, n)) is one of the smooth terms (basis ``q``), too."""
    more, _ = np.linalg.qr((smooth - (smooth @ q) @ q.T).T)
    own = disc[0] - q @ (q.T @ disc[0])
    own = own - more @ (more.T @ own)
    return max(float(own @ (rest - more @ (more.T @ rest))), 0.0) ** 2 / max(float(own @ own), 1e-300)


def afterglow_seen(ghost: Ghost | None, fit: Fit) -> bool:
    """Whether a second disc stands out: better than smooth light, apart from the beam, 1 to 70 % of its step."""
    if ghost is None or fit.beam is None or fit.aperture is None:
        return False
    away = float(np.hypot(ghost.x - fit.beam[0], ghost.y - fit.beam[1]))
    shares = (ghost.explained, ghost.edge, ghost.one_side)
    plain = ghost.gain > PLAIN and all(k > least for k, least in zip(shares, PLAIN_SHARES, strict=True))
    return (
        ghost.gain > GAIN
        and ghost.explained > EXPLAINED
        and ghost.edge > EDGED
        and ghost.one_side > BESIDE_SKIRT
        and 0.01 < ghost.level < 0.7
        and (ghost.apart > APART or plain)
        and ghost.level * float(np.sqrt(ghost.apart)) > (SHOWN if ghost.gain > WEAK else WEAK_SHOWN)
        and away > max(3 * float(fit.beam[5]), 0.04 * float(fit.aperture[2]))
    )


def _blocks(pixels: NDArray[Any], fit: Fit, noise: Noise) -> Blocks | None:
    """Block means inside the aperture, off both edges: x, y, mean, σ, the reduction, their rows and columns in it."""
    assert fit.aperture is not None
    assert fit.beam is not None
    a = fit.aperture
    reach = float(a[2]) * 1.1
    rows, columns = pixels.shape
    x0, x1 = max(int(a[0] - reach), 0), min(int(a[0] + reach) + 1, columns)
    y0, y1 = max(int(a[1] - reach), 0), min(int(a[1] + reach) + 1, rows)
    crop = pixels[y0:y1, x0:x1]
    if min(crop.shape) < 16:
        return None
    reduced: Reduced = reduce_picture(crop, BLOCKS)
    bx, by = reduced.centers()
    gx, gy = np.meshgrid(bx + x0, by + y0)
    half = 0.71 * reduced.size
    ok = np.isfinite(reduced.mean) & (distance(gx, gy, a) > 3.5 * a[5] + half)
    ok &= np.abs(distance(gx, gy, fit.beam)) > 3.0 * fit.beam[5] + half
    if ok.sum() < 60:
        return None
    value = reduced.mean[ok]
    light = np.maximum(value - float(fit.linear[0]), 0.0)
    sigma = np.sqrt(noise.mean_variance(value, reduced.pixels) + (DISCREPANCY * light) ** 2)
    iy, ix = np.nonzero(ok)
    return gx[ok], gy[ok], value, sigma, reduced, (iy, ix)


def _smooth_terms(fit: Fit, x: Array, y: Array) -> Array:
    """Halo and beam terms, the latter inside the beam only; shape (terms, n).

    They are the fit's own: a plainer halo would leave to a second disc what the fit explains without one.
    """
    assert fit.beam is not None
    _, halo, beam = fit.basis.polynomials(x, y)
    inside = step(distance(x, y, fit.beam), fit.beam[5])
    return np.concatenate([halo, beam * inside])


def _shifted(
    fit: Fit, x: Array, y: Array, reduced: Reduced, index: tuple[NDArray[np.intp], NDArray[np.intp]]
) -> tuple[Array, Array]:
    """Places and discs at whole blocks from the beam: the beam's disc is drawn once and moved."""
    assert fit.aperture is not None
    assert fit.beam is not None
    size, (iy, ix) = float(reduced.size), index
    far = int(np.ceil(FARTHEST * fit.aperture[2] / size))
    step_blocks = 2 if far >= 8 else 1
    at = np.arange(-far, far + 1)
    at = at[at % step_blocks == 0]
    dx, dy = (v.ravel() for v in np.meshgrid(at, at))
    r = np.hypot(dx, dy) * size / float(fit.aperture[2])
    keep = (r >= NEAREST) & (r <= FARTHEST)
    dx, dy = dx[keep], dy[keep]
    rows, columns = reduced.mean.shape
    left, top = x[0] - ix[0] * size, y[0] - iy[0] * size
    gx, gy = np.meshgrid(left + size * np.arange(-far, columns + far), top + size * np.arange(-far, rows + far))
    drawn = _discs(fit, fit.beam[None, :2], gx.ravel(), gy.ravel(), float(fit.beam[5]))[0]
    flat = (iy + far) * (columns + 2 * far) + ix + far
    moved = flat[None, :] - (dy * (columns + 2 * far) + dx)[:, None]
    place = np.stack([fit.beam[0] + dx * size, fit.beam[1] + dy * size], axis=1)
    return place, drawn[moved]


def _discs(fit: Fit, at: Array, x: Array, y: Array, width: float) -> Array:
    """The beam's disc of unit step with its own radial light and an edge of this width at each place; shape (places, n)."""
    assert fit.beam is not None
    bx, by = float(fit.beam[0]), float(fit.beam[1])
    nb, nh, np_ = fit.basis.counts
    light = fit.linear[nb + nh : nb + nh + np_]
    mx = x[None, :] - (at[:, :1] - bx)
    my = y[None, :] - (at[:, 1:] - by)
    inside = step(distance(mx, my, fit.beam), width)
    _, _, terms = fit.basis.polynomials(mx.ravel(), my.ravel())
    shape = np.clip((light @ terms).reshape(mx.shape), 0.0, 2 * float(light[0]))
    return np.asarray(inside * shape)
