"""One reading against another: whose edge is whose, whether a second one is needed, whether a sharper one fits better."""

import numpy as np
from numpy.typing import NDArray

from ..scene import Hints, Noise
from .alternatives import as_wide, lone, swapped
from .classify import resolved, tightest_gap
from .coarse import block_noise, misfit
from .find import Look
from .glow import glow_of, is_glow, widest
from .levels import profile_of
from .reduce import Reduced
from .refine import robust_cost, spread_in
from .shapes import alike
from .solution import UNLIKE, Solution, missed_light, per_cell, quality, robust_mean, robust_sum
from .solve import fine
from .support import step_heights, supports

Array = NDArray[np.float64]

#: By how much (χ²) one way to call the edges must beat the other.
SURE = 40.0
#: The most for two edges that lie near each other: apart, or not.
FAIR, SNUG = 8.0, 1.2
#: … and for two that lie so many combined widths apart, when one alone leaves so many times more.
WIDELY, MUCH_WORSE = 3.5, 2.5
#: … and in the light that it misses (root mean square near the edges): by this factor, and this share of the contrast.
MUCH_MORE, MISSED = 4.0, 0.02
#: An outer edge that stands by itself leaves no more than this mean squared residual, and shows over this share of its
#: circumference.
BY_ITSELF, ALL_ROUND = 6.0, 0.9
#: An aperture edge this much softer than the beam's is looked for farther out, too, at these radii.
SOFTER, FARTHER_OUT = 2.5, (1.03, 1.08, 1.14)
#: Two edges alike to this share of their radii may be one that is no blurred step, written as two.
ALIKE = 0.03
#: … and must then be no wider than this share of what it was.
SHARPER = 0.6
#: An aperture edge thinner than this (px) is tried with the beam's width, too.
THIN = 0.5
#: A mean squared residual beside an edge that is more than noise: such an edge is looked for a little farther out, too.
NOT_NOISE = 1.1
#: By how much (χ²) a second edge close to the first must improve the fit.
NEEDED = 100.0
#: … and by this share of what glow explains around the one edge: glow has no more than about the shape that is known of it.
OF_GLOW = 0.1
#: Most of the light that is taken for glow where no second edge is to be needed for it.
ALL_GLOW = 0.2
#: … and far better still when the outer one's step is less than this share of the inner one's.
TAIL = 0.01
#: Two steps that are not resolved, concentric to this share of their distance, the outer one sharper than the inner one and
#: higher than this share of it, are as likely one edge with a penumbra of another shape; so are any that touch.
CONCENTRIC, PENUMBRA = 0.2, 0.04
#: Edges closer than this all round (combined widths) are one edge of another shape as likely as two.
TOUCHING = 1.2
#: A single edge that leaves a mean squared residual beyond this is none, however close the two are.
NOT_ONE = 20.0
#: A coarse fit that leaves more than this a cell is asked whether its edges are called rightly; and by which factor the
#: other way must leave less.
UNLIKELY, CLEARLY_LESS = 2.5, 0.6


def second_edge_needed(pair: Solution, noise: Noise, contrast: float, reduced: Reduced) -> bool:
    """Whether two unresolved edges explain the picture much better than one does."""
    if _is_penumbra(pair):
        return False
    left, most, wide = _left(pair), SNUG, resolved(pair, WIDELY)
    if resolved(pair) and not _is_tail(pair):
        most = NOT_ONE if wide else FAIR
    if left > most and not wide:
        return False  # what the pair itself leaves unexplained may be all that a second edge seemed to explain
    plain = min(lone(pair, noise, contrast), key=_near_sum)
    enough = max(NEEDED, 0.05 * int(pair.cells.near.sum()))
    if _near_sum(plain) - _near_sum(pair) <= enough:
        return False  # with glow the one edge would leave still less
    alone = _glowing(plain, pair, noise, contrast, reduced)
    if left > UNLIKE and (left > most or _left(alone) < MUCH_WORSE * left):
        # In bright light little things that neither explains exceed the noise by far; then the light that is missed tells.
        missed, missed_alone = (missed_light(s) / contrast for s in (pair, alone))
        if not wide or missed_alone < max(MISSED, MUCH_MORE * missed):
            return False
    if not resolved(pair, TOUCHING) and _left(alone) < NOT_ONE:
        return False
    enough = max(enough, OF_GLOW * (_near_sum(plain) - _near_sum(alone)))
    return _near_sum(alone) - _near_sum(pair) > enough


def stands_by_itself(pair: Solution, shape: tuple[int, int]) -> bool:
    """Whether the outer of two edges that lie near each other is seen all round as a sharp step, explained by itself, however
    badly the light inside is: neither glow nor a penumbra is sharper than the edge that it surrounds.

    Args:
        pair: the fit.
        shape: (rows, columns) of the picture.
    """
    fit, outer = pair.fit, pair.cells.owner == 0
    assert fit.aperture is not None
    assert fit.beam is not None
    if fit.aperture[5] > fit.beam[5] or not resolved(pair, WIDELY) or robust_mean(fit, outer) > BY_ITSELF:
        return False
    return all(float(at.confirmed.mean()) > ALL_ROUND for at in supports(fit, pair.cells, shape).values())


def _near_sum(solution: Solution) -> float:
    """Sum of squared residuals near the edges, each up to 8²: light farther off that no model has says nothing about them."""
    return robust_sum(solution.fit, solution.cells.near)


def _left(solution: Solution) -> float:
    """Mean squared residual near the edges, see :func:`_near_sum`."""
    return robust_mean(solution.fit, solution.cells.near)


def _glowing(plain: Solution, pair: Solution, noise: Noise, contrast: float, reduced: Reduced) -> Solution:
    """The best single edge: without glow (``plain``), or with what can be glow around it."""
    glow = glow_of(reduced, widest(pair.fit))
    if glow is None:
        return plain
    tries = [s for s in lone(pair, noise, contrast, glow) if is_glow(s.fit, contrast, ALL_GLOW)]
    return min([plain, *tries], key=_near_sum)


def _is_tail(pair: Solution) -> bool:
    """Whether the outer edge's step is so small that it may be the tail of the inner one, which is no blurred step."""
    outer, inner = _step_sizes(pair)
    return outer < TAIL * inner


def _is_penumbra(pair: Solution) -> bool:
    """Whether two steps lie so close to each other all round that they may be one edge that is no blurred step."""
    aperture, beam = pair.fit.aperture, pair.fit.beam
    assert aperture is not None
    assert beam is not None
    outer, inner = _step_sizes(pair)
    apart = float(np.hypot(aperture[0] - beam[0], aperture[1] - beam[1]))
    concentric = apart < CONCENTRIC * abs(float(aperture[2] - beam[2]))
    sharper_outside = bool(aperture[5] < beam[5]) and outer > PENUMBRA * inner and not resolved(pair)
    return concentric and (sharper_outside or not resolved(pair, TOUCHING))


def _step_sizes(pair: Solution) -> tuple[float, float]:
    """The aperture's and the beam's step where they are high, gray levels."""
    outer, inner = (float(np.quantile(np.abs(step_heights(pair.fit, name)), 0.75)) for name in ("aperture", "beam"))
    return outer, inner


def called_rightly(solution: Solution, first: Look, contrast: float) -> Solution:
    """A coarse fit of two edges that cut each other, or the one with their roles exchanged if that is clearly better.

    The first look takes the arc with more light beyond it for the beam's; the fit to all blocks knows better, and it
    costs far less to ask now than to find out with all pixels.
    """
    fit = solution.fit
    if fit.aperture is None or fit.beam is None or per_cell(solution) < UNLIKELY:
        return solution
    if tightest_gap(fit.aperture, fit.beam) > 0.02:
        return solution
    other = swapped(solution, block_noise(first.noise, first.reduced), contrast)
    if other is None or per_cell(other) > CLEARLY_LESS * per_cell(solution):
        return solution
    reduced, noise = first.reduced, first.noise
    better = misfit(other.fit, reduced, noise, contrast) < misfit(fit, reduced, noise, contrast)
    return other if better else solution


def whose(pair: Solution, noise: Noise, contrast: float, hints: Hints) -> tuple[Solution, bool]:
    """The likelier of both ways to call the edges, and whether the picture (or a known radius) decides between them.

    Where the discs are nested only one way makes sense. Where they cut each other, both are fitted to the same cells.
    """
    fit = pair.fit
    assert fit.aperture is not None
    assert fit.beam is not None
    if tightest_gap(fit.aperture, fit.beam) > 0.02:
        return pair, True
    other = swapped(pair, noise, contrast, 30 * SURE)
    if other is None or other.fit.aperture is None or profile_of(other.fit) is None:
        return pair, True
    if profile_of(fit) is None:
        return other, True
    # One spread for both: their own differ by chance, and on thousands of cells that chance would decide.
    spread = max(1.0, min(spread_in(p.fit.z) for p in (pair, other)))
    gain = robust_cost(other.fit, spread) - robust_cost(pair.fit, spread)
    if hints.aperture_radius_px is not None:
        s = hints.aperture_radius_sigma * hints.aperture_radius_px
        miss = [
            (float(p.fit.aperture[2]) - hints.aperture_radius_px) / s
            for p in (pair, other)
            if p.fit.aperture is not None
        ]
        gain += miss[1] ** 2 - miss[0] ** 2
    if abs(gain) <= SURE:
        # The picture bears out both: an edge that lies inside the other all round is the beam's.
        nested = [_gap(p) > 0 for p in (pair, other)]
        if nested[0] != nested[1]:
            return (pair if nested[0] else other), False
    if gain < 0:
        return other, -gain > SURE
    return pair, gain > SURE


def sharper(pair: Solution, first: Look, contrast: float) -> Solution:
    """The pair, or a better one whose aperture edge is about as sharp as the beam's and lies farther out.

    A faint halo that fades can be taken for a very soft edge, or shift a sharp one inward; the true one beyond it then
    goes unseen. What was taken for glow on the way may be that halo, too.
    """
    fit = pair.fit
    assert fit.aperture is not None
    assert fit.beam is not None
    if tightest_gap(fit.aperture, fit.beam) < 0 and not alike(fit.beam, fit.aperture, ALIKE):
        return pair
    tries: tuple[float, ...] = ()
    widest_edge = SHARPER * float(fit.aperture[5])
    if fit.aperture[5] >= SOFTER * fit.beam[5]:
        tries = FARTHER_OUT
    elif quality(pair) < UNLIKE and robust_mean(fit, pair.cells.owner == 0) > NOT_NOISE:
        tries, widest_edge = FARTHER_OUT[:1], float(fit.aperture[5])
    if fit.basis.glow is not None:
        tries, widest_edge = (1.0, *tries), max(widest_edge, float(fit.aperture[5]))
    best = _thicker(pair, first, contrast)
    for grown in tries:
        start = np.array([*fit.aperture[:2], fit.aperture[2] * grown, 0.0, 0.0, 1.5 * fit.beam[5]])
        other = fine(first.pixels, first.reduced, first.noise, start, fit.beam, contrast)
        if other is None or other.fit.aperture is None or other.fit.aperture[5] > widest_edge:
            continue
        if per_cell(other) < per_cell(best) - 10.0 / len(best.cells):
            best = other
    return best


def _gap(pair: Solution) -> float:
    """Smallest distance from the beam's edge inward to the aperture's, aperture radii."""
    fit = pair.fit
    assert fit.aperture is not None
    assert fit.beam is not None
    return tightest_gap(fit.aperture, fit.beam)


def _thicker(pair: Solution, first: Look, contrast: float) -> Solution:
    """The pair, or one that fits as well and whose aperture edge is as wide as the beam's.

    A faint edge's width is hardly known, and the likeliest one often is none at all: then few pixels tell of that edge, and
    its stretches do not stand. Both edges went through the same camera.
    """
    aperture, beam = pair.fit.aperture, pair.fit.beam
    assert aperture is not None
    assert beam is not None
    if aperture[5] > THIN or beam[5] < 2 * THIN:
        return pair
    return as_wide(pair, first.pixels, first.reduced, first.noise, contrast) or pair
