"""A short arc that the light beside it bends: as round as the other edge.

A quarter of an edge fits a circle and an ellipse elsewhere about as well. Where the model leaves something unexplained (an
edge that is no blurred step, a profile that is no polynomial), what is left over decides between them, and the ellipse runs
away. Both edges are seen in one view, and condensers are stigmated before the beam is centered: the short arc is held as
round as the other edge, and how round it may be enters its doubt.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .basis import ROUNDNESS, carried
from .classify import tightest_gap
from .doubts import doubt_of
from .find import Look
from .glow import with_glow
from .levels import profile_of
from .refine import refine
from .solution import DISCREPANCY, UNLIKE, Solution, per_cell, robust_mean
from .solve import fine
from .support import supports

Array = NDArray[np.float64]

#: An arc over no more than this share of its edge is short.
SHORT = 0.5
#: … and how much of the other one must show for its roundness to be known.
LONG = 0.6
#: The other edge is this round, or something bends that one, too; but for photographs, which may be taken from anywhere.
ROUND = 0.02
#: How differently round both edges are (1σ): hardly, or this share of what the free fit found; the second one when that fit
#: explains the picture better. (Of 62 held arcs of drawn pictures the nine whose edges were not alike, or that were off by more
#: than this makes, all had a free fit that found it: sets ``arcs``, ``independent`` and a tenth outsider's.)
ALIKE, FOUND = 0.002, (0.3, 0.7)
#: … and this share of what that fit's own covariance leaves open, up to so much.
OPEN, MOST_OPEN = 0.3, 0.015
#: A held arc may leave so many times as much a cell, and must show over this share of what showed of it.
WORSE, STILL = 3.0, 0.5


def held_round(
    pair: Solution, first: Look, contrast: float, *, photograph: bool = False
) -> tuple[Solution, Array] | None:
    """A badly explained lens with its shorter arc as round as its longer one, and what its covariance lacks.

    Args:
        pair: a fit of two edges.
        first: the picture.
        contrast: bright − dark, gray levels.
        photograph: whether a screen may have been photographed from the side.

    Returns:
        the fit, and the covariance of all its parameters that comes from how round the arc may be, shape (n, n); ``None`` when
        there is no such arc, or the picture speaks against it.
    """
    fit = pair.fit
    if fit.aperture is None or fit.beam is None or tightest_gap(fit.aperture, fit.beam) > 0:
        return None
    if robust_mean(fit, pair.cells.near) < UNLIKE:
        return None  # what the picture holds elsewhere bends no edge
    at = supports(fit, pair.cells, first.pixels.shape)
    shown = [float(at[name].confirmed.mean()) for name in ("aperture", "beam")]
    short = int(np.argmin(shown))
    if shown[short] > SHORT or shown[1 - short] < LONG:
        return None
    edges = [fit.aperture.copy(), fit.beam.copy()]
    if not photograph and float(np.hypot(*edges[1 - short][3:5])) > ROUND:
        return None
    differ = float(np.hypot(*(edges[0][3:5] - edges[1][3:5])))
    edges[short][3:5] = edges[1 - short][3:5]
    pinned = ROUNDNESS[2 * short : 2 * short + 2]
    held = fine(first.pixels, first.reduced, first.noise, edges[0], edges[1], contrast, pinned=pinned)
    if held is not None and profile_of(held.fit) is None:
        held = plainer(held, first, contrast, pinned)
    if held is not None:
        held = with_glow(held, first.reduced, first.noise, contrast, pinned)
    if held is None or per_cell(held) > WORSE * per_cell(pair):
        return None
    still = supports(held.fit, held.cells, first.pixels.shape)[("aperture", "beam")[short]]
    if float(still.confirmed.mean()) < STILL * shown[short]:
        return None  # that arc is an ellipse's
    share = FOUND[per_cell(held) > per_cell(pair)]
    free = np.linalg.inv(fit.normal)[np.ix_(pinned, pinned)]
    left_open = OPEN * doubt_of(pair) * float(np.sqrt(max(np.trace(free), 0.0)))
    return held, _by_roundness(held, pinned, max(ALIKE, share * differ, min(left_open, MOST_OPEN)))


def plainer(held: Solution, first: Look, contrast: float, pinned: tuple[int, ...]) -> Solution | None:
    """The fit with a light that does not turn dark where the beam's center is hidden; ``None`` when none does."""
    fit = held.fit
    for radial in (1, 0):
        basis = replace(fit.basis, radial=radial)
        plain = refine(
            held.cells, basis, fit.aperture, fit.beam, first.noise,
            linear=carried(fit.linear, fit.basis, basis), scale=contrast, discrepancy=DISCREPANCY, iterations=10, pinned=pinned,
        )  # fmt: skip
        if profile_of(plain) is not None:
            return Solution(plain, held.cells)
    return None


def _by_roundness(held: Solution, pinned: tuple[int, ...], sigma: float) -> Array:
    """Covariance of all parameters from that of the pinned ones (1σ each): they follow when these move."""
    fit = held.fit
    places = list(pinned)
    weighted = fit.jacobian * (fit.weight / fit.sigma**2)
    follow = -np.linalg.solve(fit.normal, weighted @ fit.jacobian[places].T)
    follow[places] = np.eye(len(places))
    return np.asarray(follow @ follow.T * sigma**2, dtype=np.float64)
