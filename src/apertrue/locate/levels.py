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


def halo_mean_weights(fit: Fit) -> Array:
    """Weights on the halo's coefficients that give its mean over the aperture's disc."""
    assert fit.aperture is not None
    n = 24
    t = np.linspace(-1, 1, n)
    gx, gy = np.meshgrid(t, t)
    inside = gx**2 + gy**2 <= 1
    x = fit.aperture[0] + gx[inside] * fit.aperture[2]
    y = fit.aperture[1] + gy[inside] * fit.aperture[2]
    _, halo, _ = fit.basis.polynomials(x, y)
    return np.asarray(halo.mean(axis=1))


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
    if fit.aperture is not None and nh:
        jacobian[-1, fit.n_edges + nb : fit.n_edges + nb + nh] = halo_mean_weights(fit)
    return jacobian @ covariance @ jacobian.T


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


def light_of(fit: Fit, cells: Cells) -> Light:
    """Levels and evenness of the lit area (the beam inside the aperture, off the edges)."""
    nb, nh, _ = fit.basis.counts
    background = float(fit.linear[0])
    halo = None
    if fit.aperture is not None and nh:
        halo = float(halo_mean_weights(fit) @ fit.linear[nb : nb + nh])
    lit = np.ones(len(cells), dtype=bool)
    for edge in (fit.aperture, fit.beam):
        if edge is not None:
            lit &= distance(cells.at.x, cells.at.y, edge) > 3.0 * edge[5]
    if lit.sum() < 6:
        return Light(background, background, halo, None)
    weight = cells.count[lit]
    value = cells.mean[lit] - background
    mean = float(np.average(value, weights=weight))
    if not mean > 0:
        return Light(background, background + mean, halo, None)
    variance = float(np.average((value - mean) ** 2, weights=weight))
    # The cells' own noise spreads them too; only what goes beyond it is unevenness.
    noise = float(np.average(fit.sigma[lit] ** 2, weights=weight))
    spread = 100 * np.sqrt(max(variance - noise, 0.0)) / mean
    doubt = 100 * np.sqrt(noise / max(int(lit.sum()), 1)) / mean + 0.02 * spread
    return Light(background, background + mean, halo, (float(spread), float(max(doubt, 1e-6))))
