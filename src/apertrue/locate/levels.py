"""What the fitted light says: levels, halo, profile, evenness, in the terms of :class:`apertrue.scene.Scene`."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from ..model.forward import N_EDGE
from ..scene import BeamProfile
from .cells import Cells
from .refine import Fit

Array = NDArray[np.float64]

#: Relative 1σ of the unevenness from where exactly the lit area is taken to end.
SPREAD_DOUBT = 0.03
#: Share of what the halo's terms have under the beam, beyond what is seen around it, by which its mean is in doubt (1σ).
CONTINUED = 0.5


def profile_of(fit: Fit) -> BeamProfile | None:
    """The beam's own light; ``None`` when its level is not positive."""
    if fit.beam is None:
        return None
    nb, nh, np_ = fit.basis.counts
    c = fit.linear[nb + nh : nb + nh + np_]
    if not c[0] > 0:
        return None
    radial = tuple(float(v) for v in c[1 : 1 + fit.basis.radial] / c[0])
    tilt = c[1 + fit.basis.radial :] / c[0] if fit.basis.tilt else np.zeros(2)
    return BeamProfile(float(c[0]), radial, float(tilt[0]), float(tilt[1]))


def _over_aperture(fit: Fit) -> tuple[Array, Array, Array]:
    """Points all over the aperture's disc (x, y, px), and the halo's terms there, shape (n_halo, n)."""
    assert fit.aperture is not None
    n = 24
    t = np.linspace(-1, 1, n)
    gx, gy = np.meshgrid(t, t)
    inside = gx**2 + gy**2 <= 1
    x = fit.aperture[0] + gx[inside] * fit.aperture[2]
    y = fit.aperture[1] + gy[inside] * fit.aperture[2]
    _, halo, _ = fit.basis.polynomials(x, y)
    return x, y, halo


def halo_mean_weights(fit: Fit) -> Array:
    """Weights on the halo's coefficients that give its mean over the aperture's disc."""
    return np.asarray(_over_aperture(fit)[2].mean(axis=1))


def _continued(fit: Fit, x: Array, y: Array, halo: Array) -> float:
    """By how much the halo's mean changes by what its terms make of it under the beam, beyond what is seen around it.

    Args:
        fit: the fit.
        x, y, halo: see :func:`_over_aperture`.
    """
    if fit.beam is None:
        return 0.0
    nb, nh, _ = fit.basis.counts
    level, under = fit.linear[nb : nb + nh] @ halo, distance(x, y, fit.beam) > 0
    if not under.any() or under.all():
        return 0.0
    return float(under.mean() * (level[under].mean() - level[~under].mean()))


def scene_covariance(fit: Fit, covariance: Array) -> Array:
    """Covariance in the order that :class:`apertrue.scene.Scene` states, from that of the fit's parameters."""
    nb, nh, np_ = fit.basis.counts
    n_lin = np_
    jacobian = np.zeros((2 * N_EDGE + n_lin + 1, len(covariance)))
    k = 0
    if fit.aperture is not None:
        jacobian[:N_EDGE, :N_EDGE] = np.eye(N_EDGE)
        k = N_EDGE
    if fit.beam is not None:
        jacobian[N_EDGE : 2 * N_EDGE, k : k + N_EDGE] = np.eye(N_EDGE)
        start = fit.n_edges + nb + nh
        c = fit.linear[start - fit.n_edges : start - fit.n_edges + np_]
        jacobian[2 * N_EDGE, start] = 1.0
        for i in range(1, np_):
            jacobian[2 * N_EDGE + i, start + i] = 1.0 / c[0]
            jacobian[2 * N_EDGE + i, start] = -c[i] / c[0] ** 2
    lacking = 0.0
    if fit.aperture is not None and nh:
        x, y, halo = _over_aperture(fit)
        jacobian[-1, fit.n_edges + nb : fit.n_edges + nb + nh] = halo.mean(axis=1)
        lacking = (CONTINUED * _continued(fit, x, y, halo)) ** 2
    out = np.asarray(jacobian @ covariance @ jacobian.T)
    out[-1, -1] += lacking
    return out


@dataclass(frozen=True, slots=True)
class Light:
    """Levels in gray levels above the background, and evenness.

    Attributes:
        background: at the aperture's (or beam's) center.
        core: mean over the visible beam, background included.
        halo: mean over the aperture, above the background; ``None`` without an aperture.
        unevenness: (value, σ) in %.
    """

    background: float
    core: float
    halo: float | None
    unevenness: tuple[float, float] | None


def light_of(fit: Fit, cells: Cells, covariance: Array) -> Light:
    """Levels and evenness of the lit area (the beam inside the aperture).

    Evenness is that of the fitted smooth light over the whole lit area, rim included, and of what the cells away from
    edges show beyond it and beyond their noise.

    Args:
        fit, cells: the fit and what it was made on.
        covariance: of the fit's parameters.
    """
    nb, nh, _ = fit.basis.counts
    background = float(fit.linear[0])
    halo = None
    if fit.aperture is not None and nh:
        halo = float(halo_mean_weights(fit) @ fit.linear[nb : nb + nh])
    lit = _clear_of_edges(fit, cells)
    if lit.sum() < 6:
        return Light(background, background, halo, None)
    weight = cells.count[lit]
    mean = float(np.average(cells.mean[lit] - background, weights=weight))
    if not mean > 0:
        return Light(background, background + mean, halo, None)
    rows = _lit_rows(fit)
    if rows is None:
        return Light(background, background + mean, halo, None)
    linear = fit.linear[nb:][: len(rows)]
    c = covariance[fit.n_edges + nb :, fit.n_edges + nb :][: len(rows), : len(rows)]
    center = rows.mean(axis=1)
    level = float(linear @ center)
    if not level > 0:
        return Light(background, background + mean, halo, None)
    spread = (rows - center[:, None]) @ (rows - center[:, None]).T / rows.shape[1]
    # The coefficients' own doubt spreads the light, too, and so does the cells' noise; only what is beyond counts.
    smooth = max(float(linear @ spread @ linear) - float(np.sum(c * spread)), 0.0)
    residual, sigma2 = fit.z[lit] ** 2 * fit.sigma[lit] ** 2, fit.sigma[lit] ** 2
    rough = max(float(np.average(residual - sigma2, weights=weight)), 0.0)
    n = float(weight.sum() ** 2 / (weight**2).sum())
    variance_doubt = np.hypot(2.0 * np.sqrt(max(float(linear @ spread @ c @ spread @ linear), 0.0)),
                              float(np.average(sigma2, weights=weight)) * np.sqrt(2.0 / n))  # fmt: skip
    variance_doubt = float(np.hypot(variance_doubt, np.sqrt(2.0) * float(np.sum(c * spread))))
    value = np.sqrt(smooth + rough)
    # σ of a root: to first order away from zero, and no more than the root of the variance's own σ near it.
    doubt = variance_doubt / (2.0 * max(value, np.sqrt(variance_doubt) / 2.0, 1e-300))
    doubt = float(np.hypot(np.hypot(doubt, 0.3 * np.sqrt(rough)), SPREAD_DOUBT * value)) * 100 / level
    return Light(background, background + mean, halo, (float(100 * value / level), max(doubt, 1e-4)))


def missed_profile(fit: Fit, cells: Cells) -> float:
    """How much of the visible light the fitted profile misses as a whole or from its middle outward, gray levels.

    A fit that gives the middle of the beam up as outliers still follows its rim, and finds both edges; the current that
    it adds up is wrong by what the middle has more or less. Speckle and grain average out and count for nothing.
    """
    if fit.beam is None or not fit.basis.radial:
        return 0.0
    lit = _clear_of_edges(fit, cells)
    if lit.sum() < 6:
        return 0.0
    missed, weight = (fit.z * fit.sigma)[lit], cells.count[lit]
    rho2 = (1.0 - distance(cells.at.x[lit], cells.at.y[lit], fit.beam) / fit.beam[2]) ** 2
    outward = rho2 - np.average(rho2, weights=weight)
    slope = float((weight * missed * outward).sum() / max(float((weight * outward**2).sum()), 1e-300))
    return float(np.hypot(np.average(missed, weights=weight), slope))


def _clear_of_edges(fit: Fit, cells: Cells) -> NDArray[np.bool_]:
    """The cells inside all edges by more than three of their widths."""
    lit = np.ones(len(cells), dtype=bool)
    for edge in (fit.aperture, fit.beam):
        if edge is not None:
            lit &= distance(cells.at.x, cells.at.y, edge) > 3.0 * edge[5]
    return lit


def _lit_rows(fit: Fit) -> Array | None:
    """The halo's and beam's terms at points all over the lit area, shape (n_halo + n_beam, n); ``None`` if too few."""
    edge = fit.beam if fit.beam is not None else fit.aperture
    assert edge is not None
    t = np.linspace(-1.2, 1.2, 40)
    gx, gy = np.meshgrid(edge[0] + edge[2] * t, edge[1] + edge[2] * t)
    x, y = gx.ravel(), gy.ravel()
    inside = np.ones(len(x), dtype=bool)
    for e in (fit.aperture, fit.beam):
        if e is not None:
            inside &= distance(x, y, e) > 0
    if inside.sum() < 20:
        return None
    _, halo, beam = fit.basis.polynomials(x[inside], y[inside])
    return np.concatenate([halo, beam])
