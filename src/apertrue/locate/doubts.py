"""What a covariance lacks: how far edges may be off for all that the model misses of their shapes and of the light about them."""

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from .levels import missed_profile
from .refine import Fit
from .solution import Solution, quality, robust_mean
from .support import Support, displaced

Array = NDArray[np.float64]

#: Share of an edge's width within which smooth light that the polynomials miss can move it (1σ of x, y and radius):
#: the aperture's, beside the faint halo, and the beam's.
SHAPE = (0.002, 0.001)
#: Share of an unexplained χ² that one parameter is taken to bear.
HIDDEN = 0.015
#: Unmodeled variation of the light (relative) by which an edge is off by its own width, and the share of such a doubt in
#: the radius that the center has, too.
MISFIT, ARC = 0.02, 0.3
#: How far from the aperture's edge the light about it counts, in its radii.
AROUND = 0.3
#: … when that edge is softer than the beam's by this factor.
SOFT_BESIDE = 2.0
#: Share of an edge's lobes by which its place is off (1σ) where it shows all round; where it is hidden, all of them.
LOBED = 0.1
#: Most ellipticity that the lobes of a hidden edge pass for.
LOBED_ARC = 0.02
#: Relative 1σ of an edge's width: its slope is not quite a Gaussian's.
WIDTH = 0.01
#: Where the camera saturates, the light's level is not known, and with it where half of it lies (1σ, in widths).
SATURATED = 0.75
#: With no more than this mean squared residual an edge that is not round is an ellipse.
EXPLAINED = 1.3
#: … and so it is when both edges stand over this share of their circumference,
ALL_BUT = 0.75
#: … or when it alone stands over this one, with no more than this share of its stretches against it, and lies along its ellipse
#: to this share of the edges' difference.
ALONG, AGAINST, CLOSELY = 0.4, 0.06, 0.1
#: An arc over no more than this share of an edge is short; one that differs by more than this (ellipticity) may be a circle's.
SHORT, OUT_OF_ROUND = 0.3, 0.03
#: Aperture radius ÷ the camera's distance from a screen that is seen tilted (1σ): a fixed camera is farther, a phone nearer.
NEARNESS = 0.05


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


def doubt_of(solution: Solution) -> float:
    """By how much a fit's σ is enlarged: for the residuals' size, and for what they leave unexplained together.

    Unexplained χ² of Δ could hide an error of √Δ σ in the worst case, when all of it were due to one wrong parameter. A
    small share of that is assumed (from the scatter of simulated scenes whose edges meet, benchmarks/honesty.py);
    nothing where Δ is within chance.
    """
    fit, cells = solution.fit, solution.cells
    n = float(fit.weight[cells.near].sum())
    spread = spread_of(solution)
    hidden = max((spread**2 - 1.0) * n - 2.0 * np.sqrt(2.0 * max(n, 1.0)), 0.0)
    return float(np.sqrt(spread**2 + HIDDEN * hidden))


def enlarged(
    solution: Solution, at: dict[str, Support], covariance: Array, gap: float, *, together: bool = True
) -> Array:
    """The covariance of a fit of two edges with all that the model may miss of the edges and their light.

    Args:
        solution: the fit.
        at: what each edge shows, by name.
        covariance: of all parameters, shape (n, n).
        gap: between both edges, aperture radii; negative where they cut each other.
        together: whether this fit found them both; else each one's roundness was seen by itself.
    """
    fit, cells = solution.fit, solution.cells
    assert fit.aperture is not None
    assert fit.beam is not None
    out = covariance + _unlike_ellipse(fit, at, covariance)
    misfit = _light_misfit(solution)
    missed = max(_halo_misfit(solution, at["aperture"]), misfit if gap < 0 else 0.0), misfit
    crooked = _crooked(solution, at, gap) if together else 0.0
    for which, (name, edge) in enumerate((("aperture", fit.aperture), ("beam", fit.beam))):
        place = np.arange(6 * which, 6 * which + 3)
        out[place, place] += (crooked * float(edge[2])) ** 2
        hidden = 1.0 - float(at[name].confirmed.mean())
        out[place, place] += ((LOBED + hidden) * cells.lobes[which]) ** 2
        own = edge_doubt(solution, which, at[name])
        blurred = float(edge[5]) * min(missed[which] / MISFIT, 1.5)
        out[place, place] += (SHAPE[which] * float(edge[5])) ** 2 + (ARC * np.hypot(own, blurred)) ** 2
        out[6 * which + 2, 6 * which + 2] += own**2 + blurred**2
        out[6 * which + 5, 6 * which + 5] += (WIDTH * float(edge[5])) ** 2 + own**2 + (0.5 * blurred) ** 2
    if fit.basis.radial:  # as if it were all in the profile's first term
        first_term = fit.n_edges + sum(fit.basis.counts[:2]) + 1
        out[first_term, first_term] += missed_profile(fit, cells) ** 2
    return out


def levelled(fit: Fit) -> Array:
    """What is added to the covariance of a fit's parameters when the camera's top level hides how bright the light is."""
    out = np.zeros_like(fit.normal)
    for which, edge in enumerate((fit.aperture, fit.beam)):
        if edge is not None:
            out[6 * which + 2, 6 * which + 2] = (SATURATED * float(edge[5])) ** 2
    return out


def unlike_step(missed: float, height: float, width: float) -> float:
    """1σ of where along its slope an edge lies that is no blurred step, px: half its width where what the fit misses beside it
    (gray levels, root mean square) is two percent of its height or more (from wave-optics pictures, benchmarks/honesty.py).
    """
    return 0.5 * width * min(1.0, missed / height / 0.02)


def edge_doubt(solution: Solution, which: int, at: Support) -> float:
    """1σ of where along its slope an edge lies that is no blurred step (fringes, other shapes), px.

    All stretches of such an edge err alike, so that scatter does not show it; the misfit near the edge does, relative to
    its step (:func:`unlike_step`); nothing where the residuals are noise.
    """
    fit, cells = solution.fit, solution.cells
    edge = fit.aperture if which == 0 else fit.beam
    assert edge is not None
    own = cells.owner == which
    if own.sum() < 20 or at.height <= 0 or robust_mean(fit, own) < 1.3:
        return 0.0
    excess = (fit.z[own] ** 2 - 1.0) * fit.sigma[own] ** 2
    rms = float(np.sqrt(max(np.average(excess, weights=cells.count[own]), 0.0)))
    return unlike_step(rms, at.height, float(edge[5]))


def _unlike_ellipse(fit: Fit, at: dict[str, Support], covariance: Array) -> Array:
    """What is added to the covariance since an edge with more than two axes (three-fold astigmatism, wear) that shows over an
    arc only passes for an ellipse with another center.

    The ellipticity of a hidden edge is doubted by up to itself (that of the other edge, which a tilted view has given both, left
    out), and whatever goes with it by as much as the covariance ties both together.
    """
    assert fit.aperture is not None
    assert fit.beam is not None
    out = np.zeros_like(covariance)
    own, other = fit.aperture[3:5], fit.beam[3:5]
    apart = float(np.hypot(*(own - other)))
    for which, (name, e) in enumerate((("aperture", own), ("beam", other))):
        doubt = (1.0 - float(at[name].confirmed.mean())) * min(float(np.hypot(*e)), apart, LOBED_ARC)
        place = np.arange(6 * which + 3, 6 * which + 5)
        tied = covariance[:, place] @ np.linalg.pinv(covariance[np.ix_(place, place)])
        out += doubt**2 * (tied @ tied.T)
    return out


def _light_misfit(solution: Solution) -> float:
    """Variation of the light away from edges that the model misses, relative to the beam's level (1σ).

    Light that the polynomials can't follow in the middle is no better followed at the rim, where it trades with the edge.
    """
    fit, cells = solution.fit, solution.cells
    assert fit.aperture is not None
    assert fit.beam is not None
    lit = ~cells.near
    lit &= (distance(cells.at.x, cells.at.y, fit.aperture) > 0) & (distance(cells.at.x, cells.at.y, fit.beam) > 0)
    rms = _missed_light(solution, lit, 20.0)
    if rms == 0.0:
        return 0.0
    return rms / max(float(np.average(cells.mean[lit], weights=cells.count[lit]) - fit.linear[0]), 1e-300)


def _halo_misfit(solution: Solution, at: Support) -> float:
    """Variation of the light on both sides of the aperture's edge that the model misses, relative to that edge's step (1σ).

    Nothing where that edge is about as sharp as the beam's: a halo that fades passes for a part of a soft edge only.
    """
    fit, cells = solution.fit, solution.cells
    assert fit.aperture is not None
    assert fit.beam is not None
    if at.height <= 0 or fit.aperture[5] < SOFT_BESIDE * fit.beam[5]:
        return 0.0
    dim = ~cells.near & (distance(cells.at.x, cells.at.y, fit.beam) < 0)
    dim &= np.abs(distance(cells.at.x, cells.at.y, fit.aperture)) < AROUND * fit.aperture[2]
    return _missed_light(solution, dim, 8.0) / at.height


def _missed_light(solution: Solution, part: NDArray[np.bool_], most: float) -> float:
    """What the residuals of a part of the cells hold beyond their noise (rms, gray levels), each counted up to ``most``.

    0 where they are within chance.
    """
    fit, n = solution.fit, int(part.sum())
    if n < 8:
        return 0.0
    z2 = np.minimum(fit.z[part] ** 2, most**2)
    if float(z2.mean()) < 1.0 + 4.0 * np.sqrt(2.0 / n):
        return 0.0
    beyond = float(np.average((z2 - 1.0) * fit.sigma[part] ** 2, weights=solution.cells.count[part]))
    return float(np.sqrt(max(beyond, 0.0)))


def perspective(aperture: Array, beam: Array, ellipticity: Array) -> Array:
    """Covariance (px²) of the offset from how near a tilted screen may be seen.

    From a distance D, a disc of radius R on a screen tilted by θ is seen as an ellipse whose center is off the disc's by
    R²·sin θ/D along the shortened axis (pinhole camera, to first order in R/D), more for the larger disc. How far away the
    camera was is not known; θ follows from the aperture's axes, as far as they differ by more than their own doubt: the
    covariance of (e1, e2) is ``ellipticity``.
    """
    doubt = 3.0 * float(np.sqrt(max(np.trace(ellipticity), 0.0)))
    e = float(np.sqrt(max(aperture[3] ** 2 + aperture[4] ** 2 - doubt**2, 0.0)))
    tilt = float(np.sqrt(max(1.0 - ((1.0 - e) / (1.0 + e)) ** 2, 0.0)))
    away = float(np.hypot(beam[0] - aperture[0], beam[1] - aperture[1])) / float(aperture[2])
    size = NEARNESS * tilt * (abs(1.0 - float(beam[2] / aperture[2]) ** 2) + away) * float(aperture[2])
    across = 0.5 * np.arctan2(aperture[4], aperture[3]) + np.pi / 2
    u = np.array([np.cos(across), np.sin(across)])
    return np.asarray(size**2 * np.outer(u, u), dtype=np.float64)


def _crooked(solution: Solution, at: dict[str, Support], gap: float) -> float:
    """Doubt of both edges' places, in radii: how differently round they are where nothing bears that out.

    What lies in the way, a second disc or a plateau at the top level bends one edge; it then passes for an ellipse. An
    ellipse that shows nearly all round is one, and so is one that its stretches follow closely over a good part of it. A
    short arc fits a circle and an ellipse elsewhere as well, however well it is explained.
    """
    fit = solution.fit
    assert fit.aperture is not None
    assert fit.beam is not None
    explained = quality(solution) < EXPLAINED
    if min(float(s.confirmed.mean()) for s in at.values()) > (SHORT if explained else ALL_BUT):
        return 0.0
    differ = float(np.hypot(fit.beam[3] - fit.aperture[3], fit.beam[4] - fit.aperture[4]))
    if explained and (differ < OUT_OF_ROUND or gap > 0):
        return 0.0  # an edge that lies all round is no short arc, however faint it is
    doubts = []
    for name, edge in (("aperture", fit.aperture), ("beam", fit.beam)):
        s = at[name]
        follows = s.confirmed.mean() > (SHORT if explained else ALONG)
        follows &= s.contradicted.sum() <= AGAINST * s.visible.sum()
        away = displaced(fit, solution.cells, name, s) / float(fit.aperture[2]) if follows else np.inf
        doubts.append(away if away < CLOSELY * differ else min(float(np.hypot(edge[3], edge[4])), differ))
    return float(np.linalg.norm(doubts))
