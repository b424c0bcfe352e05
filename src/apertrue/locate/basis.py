"""Which light a fit has: its terms, what is known of them beforehand, and how they pass from one fit to the next."""

import numpy as np
from numpy.typing import NDArray

from ..model.forward import N_EDGE, Basis
from ..model.glow import Glow

Array = NDArray[np.float64]

#: Places among the edge parameters: both edges' ellipticities, the aperture's width.
ROUNDNESS, WIDTH = (3, 4, 9, 10), 5
#: Prior doubt of an ellipticity component (1σ): discs are round within about 10 % (common practice, no source).
PRIOR_ELLIPTICITY = 0.1
#: Terms of the quadratic halo, and the prior 1σ of each finer one relative to the halo's level.
PLAIN_HALO, HALO_TERM = 6, 0.5
#: Discs of no more than this radius (px) have even light, within this share of their level (1σ).
SPECK, PLAIN = 8.0, 0.1
#: No edge is sharper than a fraction of a pixel.
LEAST_WIDTH = 0.2
#: The halo's polynomial and its decays in the final fit: a halo that the model can't follow moves the aperture's edge by
#: many σ long before the residuals tell.
HALO, DECAYED = 3, 2


def basis_for(
    aperture: Array | None,
    beam: Array | None,
    *,
    background: int = 1,
    halo: int = 2,
    radial: int = 2,
    tilt: bool = True,
    decays: int = 0,
    meeting: bool = True,
    glow: Glow | None = None,
) -> Basis:
    """A basis whose coordinates are centered on the given edges."""
    a = aperture if aperture is not None else beam
    b = beam if beam is not None else aperture
    assert a is not None
    assert b is not None
    return Basis(
        (float(a[0]), float(a[1]), float(a[2])),
        (float(b[0]), float(b[1]), float(b[2]), float(b[3]), float(b[4])),
        background=background,
        halo=halo if aperture is not None else -1,
        radial=radial,
        tilt=tilt,
        decays=decays if aperture is not None else 0,
        meeting=meeting and aperture is not None and beam is not None,
        has_beam=beam is not None,
        has_aperture=aperture is not None,
        glow=glow,
    )


def final_basis(aperture: Array | None, beam: Array | None) -> Basis:
    """The final fit's basis about the given edges."""
    has_halo = aperture is not None and beam is not None
    return basis_for(aperture, beam, halo=HALO if has_halo else 2, decays=DECAYED if has_halo else 0)


def prior_precision(basis: Basis, scale: float, narrow: float, halo_level: float) -> tuple[Array, int]:
    """Diagonal prior precision; a very weak one on all linear coefficients keeps unseen ones finite.

    The halo's finer terms are no larger than a share of the halo itself.
    """
    n_edges = N_EDGE * (basis.has_aperture + basis.has_beam)
    precision = np.zeros(n_edges + basis.n_linear)
    for start in range(0, n_edges, N_EDGE):
        precision[start + 3 : start + 5] = 1.0 / PRIOR_ELLIPTICITY**2
    nb, nh, np_ = basis.counts
    lin = precision[n_edges:]
    wide = 1.0 / scale**2
    lin[1:nb] = wide
    lin[nb + 1 : nb + nh] = wide
    if nh > PLAIN_HALO:
        lin[nb + PLAIN_HALO : nb + nh] = 1.0 / min(scale, HALO_TERM * max(halo_level, 0.01 * scale)) ** 2
    if np_:
        # A spot of a few pixels has no shape of its light beside its edge: both say the same.
        lin[nb + nh + 1 :] = wide if basis.beam[2] > SPECK else wide / PLAIN**2
    if basis.meeting:
        # The shared blur is at most the narrower edge's whole width.
        lin[-1] = 1.0 / (scale * narrow**2) ** 2
    return precision, n_edges


def level_of_halo(basis: Basis, linear: Array | None) -> float:
    """How bright the halo is near the aperture's edge (median over its circumference), gray levels."""
    nb, nh, _ = basis.counts
    if linear is None or not nh:
        return 0.0
    x, y, radius = basis.aperture
    t = np.arange(16) * (np.pi / 8)
    _, halo, _ = basis.polynomials(x + 0.9 * radius * np.cos(t), y + 0.9 * radius * np.sin(t))
    return float(np.median(np.abs(linear[nb : nb + nh] @ halo)))


def carried(linear: Array, old: Basis, basis: Basis) -> Array:
    """A fit's light in another basis with (nearly) the same frozen coordinates: added terms are nothing at first.

    Args:
        linear: its coefficients.
        old, basis: the basis that they belong to, and the new one.
    """
    nb, nh, np_ = old.counts
    mb, mh, _ = basis.counts
    out = np.zeros(basis.n_linear)
    kept = min(nb, mb)
    out[:kept] = linear[:kept]
    n_polynomial = nh - old.decays if nh else 0
    out[mb : mb + n_polynomial] = linear[nb : nb + n_polynomial]
    m_polynomial = mh - basis.decays if mh else 0
    out[mb + m_polynomial : mb + m_polynomial + old.decays] = linear[nb + n_polynomial : nb + nh]
    if np_:
        beam = linear[nb + nh : nb + nh + np_]
        kept = 1 + min(old.radial, basis.radial)
        out[mb + mh : mb + mh + kept] = beam[:kept]
        if old.tilt and basis.tilt:
            out[mb + mh + 1 + basis.radial : mb + mh + 3 + basis.radial] = beam[-2:]
    if old.meeting and basis.meeting:
        out[-1] = linear[-1]
    return out
