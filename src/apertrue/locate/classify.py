"""What a fit may be called: the scene's kind, its confidence, and what may not be said."""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..model.edges import distance
from ..model.forward import Points, evaluate
from ..registry import SceneKind
from ..scene import Edge, Hints, Noise, Scene
from .cells import far_blocks
from .find import Look, Rough
from .flags import picture_flags
from .levels import Light, light_of, missed_profile, profile_of, scene_covariance
from .marks import disc_values, is_drawn, saturated_share
from .refine import Fit, covariance_of
from .rim import is_rim
from .solve import Solution, quality, robust_mean, true_width
from .support import SECTORS, Support, arcs_of, displaced, edge_points, support, supports

Array = NDArray[np.float64]

#: A beam radius under this share of the aperture's is a crossover spot.
CROSSOVER = 0.15
#: A beam wider than this (÷ aperture) shows an arc that is hardly bent, and one whose center lies farther away than this
#: (aperture radii) a sliver: a ring or a straight edge of something else.
WIDEST, FARTHEST = 2.5, 1.8
#: A beam smaller than this (÷ aperture) must be alone to be called the beam.
SMALL = 0.35
#: A second spot beside a larger one takes at least this share of the aperture, and of the beam: less is a reflection or dirt.
SPOT, BESIDE = 0.003, 0.05
#: What holds a square of this side (px, or this part of the picture (÷)) is no drawn stroke.
THICK, OF_PICTURE = 9.0, 40
#: Sides of both edges where other light may be (as :func:`apertrue.locate.cells.far_blocks` counts them): what is brighter
#: within the beam is the beam's own.
OUTSIDE, IN_APERTURE = 0, 1
#: Without evidence whose edge is whose, a fit must at least be good (mean squared residual) to be called a lens.
AMBIGUOUS = 3.0
#: Edges are resolved when they lie this many (combined) widths apart.
APART = 2.5
#: Significance over its whole circumference of an edge that few stretches show on their own.
ALL_ROUND = 8.0
#: Share of an edge's width within which smooth light that the polynomials miss can move it (1σ of x, y and radius):
#: the aperture's, beside the faint halo, and the beam's.
SHAPE = (0.002, 0.001)
#: An aperture's edge wider than this share of its radius, and much softer than the beam's, is the skirt of glare.
SKIRT = 0.1
#: A beam whose edge is wider than this share of its radius has none, unless it is a spot.
SOFT_BEAM = 0.5
#: No disc is as elliptical as this (axes 1.67 : 1), however tilted its view.
ROUND = 0.25
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
#: Share of the lit pixels at the top level from which on that is so.
LEVELLED = 0.01
#: Where gray levels are bent, half of the light is not half of the gray levels (1σ of the radius, in widths).
BENT = 0.5
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
#: Least share of an edge's circumference inside the picture for a number.
LEAST_INSIDE = 0.36
#: Aperture radius (px) under which both edges, the halo and the noise's correlation can't be told apart by their pixels
#: (from smaller discs with one more nuisance, benchmarks/honesty.py).
LEAST_RADIUS = 20.0
#: Significance that the halo must have to tell whose edge is whose.
HALO_SEEN = 5.0
#: An aperture's edge of whose step the halo is less than this share cuts the beam's own tail. It is none when it lies
#: farther from the beam's edge all round than this (combined widths): a tail of another shape looks the same. Nearer, its
#: place is in doubt by the last (1σ, in its widths).
TAIL_SHARE, TAIL_REACH, TAIL_DOUBT = 0.75, 0.7, 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """A scene and how well its fit stood up."""

    scene: Scene


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


def bare_edge(p: Array) -> Edge:
    """An edge from its first five parameters."""
    x, y, radius, e1, e2 = (float(v) for v in p[:5])
    return Edge(x, y, radius, e1, e2)


def tightest_gap(aperture: Array, beam: Array) -> float:
    """Smallest distance from the beam's edge inward to the aperture's edge, in aperture radii; negative = overlap.

    Taken in the plane where the aperture is round (unit disc).
    """
    e, b = bare_edge(aperture), bare_edge(beam)
    points = (b.outline(180) - (e.x, e.y)) @ e.to_round().T / e.radius
    return float(1.0 - np.hypot(points[:, 0], points[:, 1]).max())


def resolved(solution: Solution, apart: float = 0.0) -> bool:
    """Whether both edges lie ``apart`` (combined widths; :data:`APART` if 0) for at least a fifth of the beam's edge."""
    fit = solution.fit
    assert fit.aperture is not None
    assert fit.beam is not None
    x, y = edge_points(fit.beam)
    between = np.abs(distance(x, y, fit.aperture))
    widths = max(float(np.hypot(fit.aperture[5], fit.beam[5])), 1.2)  # no edge is sharper than pixels show
    return float((between > (apart or APART) * widths).mean()) >= 0.2


def judge_pair(
    solution: Solution, sure: bool, first: Look, frame: Frame, hints: Hints, lacking: Array | None = None
) -> Judged | None:
    """A scene with both edges, or ``None`` when the picture does not bear it out.

    Args:
        solution: the fit.
        sure: whether it is known whose edge is whose.
        first: the picture.
        frame, hints: what is known of it.
        lacking: what its covariance lacks where both edges nearly touch.
    """
    fit, noise, pixels = solution.fit, first.noise, first.pixels
    if fit.aperture is None or fit.beam is None:
        return None
    shape = (int(pixels.shape[0]), int(pixels.shape[1]))
    profile = profile_of(fit)
    if profile is None or max(float(np.hypot(*e[3:5])) for e in (fit.aperture, fit.beam)) > ROUND:
        return None
    if fit.aperture[5] > max(SKIRT * fit.aperture[2], 4 * fit.beam[5]):
        return None
    at = supports(fit, solution.cells, shape)
    ratio = fit.beam[2] / fit.aperture[2]
    if ratio > WIDEST or np.hypot(*(fit.beam[:2] - fit.aperture[:2])) > FARTHEST * fit.aperture[2]:
        return None
    spot = ratio < CROSSOVER
    if not spot and fit.beam[5] > SOFT_BEAM * fit.beam[2]:
        return None  # a beam's own bright middle, which fades
    if not (_stands(at["aperture"]) and (_stands(at["beam"]) or (spot and _level_z(fit) > 6))):
        return None
    gap = tightest_gap(fit.aperture, fit.beam)
    # What is badly explained elsewhere (the beam's own structure) takes nothing away from what shows here.
    all_round = ALL_ROUND * max(1.0, float(np.sqrt(robust_mean(fit, solution.cells.owner == 0))))
    if gap > 0 and int(at["aperture"].confirmed.sum()) < SECTORS // 3 and at["aperture"].significance < all_round:
        return None  # an aperture around the whole beam shows all round, if only faintly
    in_tail = gap > 0 and _halo_share(fit, at["aperture"]) < TAIL_SHARE and _halo_z(fit, at["aperture"]) < HALO_SEEN
    if in_tail and gap * fit.aperture[2] > TAIL_REACH * np.hypot(fit.aperture[5], fit.beam[5]):
        return None
    spread, doubt = spread_of(solution), doubt_of(solution)
    covariance = covariance_of(fit, solution.cells, doubt)
    if in_tail:
        covariance[[0, 1, 2], [0, 1, 2]] += (TAIL_DOUBT * float(fit.aperture[5])) ** 2
    if lacking is not None:
        covariance = covariance + lacking * doubt**2
    misfit = _light_misfit(solution)
    missed = max(_halo_misfit(solution, at["aperture"]), misfit if gap < 0 else 0.0), misfit
    at_top = saturated_share(disc_values(pixels, (fit.aperture, fit.beam)), frame.saturation, noise)
    saturated = at_top > LEVELLED
    covariance = covariance + _unlike_ellipse(fit, at, covariance)
    crooked = _crooked(solution, at)
    for which, name in enumerate(("aperture", "beam")):
        edge = fit.aperture if which == 0 else fit.beam
        place = np.arange(6 * which, 6 * which + 3)
        covariance[place, place] += (crooked * float(edge[2])) ** 2
        hidden = 1.0 - float(at[name].confirmed.mean())
        covariance[place, place] += ((LOBED + hidden) * solution.cells.lobes[which]) ** 2
        own = _edge_doubt(solution, which, at[name])
        blurred = float(edge[5]) * min(missed[which] / MISFIT, 1.5)
        cut = SATURATED * float(edge[5]) if saturated else 0.0
        covariance[place, place] += (SHAPE[which] * float(edge[5])) ** 2 + (ARC * np.hypot(own, blurred)) ** 2
        covariance[6 * which + 2, 6 * which + 2] += own**2 + blurred**2 + cut**2
        covariance[6 * which + 5, 6 * which + 5] += (WIDTH * float(edge[5])) ** 2 + own**2 + (0.5 * blurred) ** 2
    if fit.basis.radial:  # as if it were all in the profile's first term
        first_term = fit.n_edges + sum(fit.basis.counts[:2]) + 1
        covariance[first_term, first_term] += missed_profile(fit, solution.cells) ** 2
    sigma_offset = float(np.sqrt(_offset_variance(covariance))) / float(fit.aperture[2])
    if not np.isfinite(sigma_offset):
        return None
    if spot:
        kind = SceneKind.CROSSOVER
    elif gap > 0:
        kind = SceneKind.BOTH_EDGES
    else:
        kind = SceneKind.CLIPPED
    light = light_of(fit, solution.cells, covariance)
    step = light.core - light.background
    rim = frame.photograph and is_rim(solution, first.reduced, step)
    beside = _beside(solution, first, step) if ratio < SMALL else None
    if beside == "marks":
        first = replace(first, drawn=True)
    if beside == "light" or (ratio >= SMALL and _second_spot(solution, first, step)):
        return Judged(
            Scene(SceneKind.OTHER_VIEW, 0.7, shape, background=light.background, noise=noise, why=("not-this-view",))
        )
    sign_known = kind is not SceneKind.CLIPPED or (
        sure and (_halo_z(fit, at["aperture"]) > HALO_SEEN or hints.aperture_radius_px is not None)
    )
    if not sign_known and quality(solution) > AMBIGUOUS:
        return None
    enough = spot or min(float(at[name].inside.mean()) for name in at) >= LEAST_INSIDE
    enough &= float(fit.aperture[2]) >= LEAST_RADIUS and not rim
    confidence = _confidence(at["aperture"]) * _confidence(at["beam"])
    flags = picture_flags(frame, first, solution, at, light, covariance, kind, sigma_offset, at_top, hints)
    if "tilted-view" in flags or frame.photograph:  # a photograph may have been taken from anywhere
        covariance[6:8, 6:8] += _perspective(fit.aperture, fit.beam, covariance[3:5, 3:5])
    if "nonlinear" in flags:
        for which, edge in enumerate((fit.aperture, fit.beam)):
            covariance[6 * which + 2, 6 * which + 2] += (BENT * float(edge[5])) ** 2
    why: tuple[str, ...] = () if sign_known else ("sides-ambiguous",)
    if kind is SceneKind.CROSSOVER:
        why += ("spread-more",)
    if "afterglow" in flags:  # two discs: where the beam's own edge lies can't be trusted
        enough = False
        why += ("afterglow-seen",)
    return Judged(
        Scene(
            kind,
            confidence,
            shape,
            flags,
            aperture=_edge(solution, 0, at["aperture"]),
            beam=_edge(solution, 1, at["beam"]),
            covariance=scene_covariance(fit, covariance) if enough else None,
            profile=profile,
            halo_mean=light.halo,
            background=light.background,
            core=light.core,
            unevenness=light.unevenness,
            noise=noise,
            chi2=spread**2,
            sign_known=sign_known,
            extra={"residual": quality(solution)} | ({"rim": 1.0} if rim else {}),
            guided=hints.start_aperture is not None or hints.start_beam is not None,
            levels_linear="nonlinear" not in flags and not saturated,
            why=why,
        )
    )


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
    if not _stands(at) or at.confirmed.mean() < 0.3:
        return other
    return Judged(_whose_edge(solution, at, rough, noise, hints, shape))


def _whose_edge(
    solution: Solution, at: Support, rough: Rough, noise: Noise, hints: Hints, shape: tuple[int, int]
) -> Scene:
    """One edge, and whose it is if anything known beforehand tells."""
    fit = solution.fit
    edge = _edge(solution, 1, at)
    own = np.asarray(np.linalg.inv(fit.normal)[:6, :6] * spread_of(solution) ** 2, dtype=np.float64)
    own[2, 2] += _edge_doubt(solution, 1, at) ** 2
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


def _stands(at: Support) -> bool:
    """Whether the stretches of an edge bear it out."""
    visible, contradicted = int(at.visible.sum()), int(at.contradicted.sum())
    if visible >= 4:
        return contradicted <= 0.35 * visible and int(at.confirmed.sum()) >= 4
    return at.significance > ALL_ROUND and int(np.isfinite(at.found).sum()) >= 8


def _confidence(at: Support) -> float:
    visible = max(int(at.visible.sum()), 1)
    good = 1.0 - int(at.contradicted.sum()) / visible
    return float(np.clip(good * min(1.0, 0.6 + 0.04 * at.significance), 0.0, 1.0))


def _offset_variance(covariance: Array) -> float:
    c = np.zeros((2, len(covariance)))
    c[0, 0] = c[1, 1] = -1
    c[0, 6] = c[1, 7] = 1
    return float(np.linalg.eigvalsh(c @ covariance @ c.T)[-1])


def _beside(solution: Solution, first: Look, step_height: float) -> Literal["marks", "light"] | None:
    """What shines away from both edges: drawn ``marks`` alone, or other ``light`` (a second spot, a neighboring disc)."""
    bright = _shining(solution, first, step_height, OUTSIDE, IN_APERTURE)
    if not ((bright[1:] & bright[:-1]).any() or (bright[:, 1:] & bright[:, :-1]).any()):
        return None
    assert solution.fit.beam is not None
    thick = min(max(THICK, min(first.pixels.shape) / OF_PICTURE), 0.5 * float(solution.fit.beam[2]))
    return "marks" if is_drawn(first.pixels, bright, first.reduced.size, thick) else "light"


def _second_spot(solution: Solution, first: Look, step_height: float) -> bool:
    """Whether a second, bright spot shines within the aperture beside a beam of some size.

    A spot has some extent both ways; hot pixels and bright lines of the camera have not.
    """
    fit = solution.fit
    assert fit.aperture is not None
    assert fit.beam is not None
    bright = _shining(solution, first, step_height, IN_APERTURE)
    share = max(SPOT * float(fit.aperture[2]) ** 2, BESIDE * float(fit.beam[2]) ** 2)
    least = float(np.pi) * share / first.reduced.size**2  # blocks
    if np.count_nonzero(bright) < max(4, least):
        return False
    square = bright[1:, 1:] & bright[1:, :-1] & bright[:-1, 1:] & bright[:-1, :-1]
    return int(np.count_nonzero(square)) >= max(1, least / 4)


def _shining(
    solution: Solution,
    first: Look,
    step_height: float,
    *sides: int,
) -> NDArray[np.bool_]:
    """Blocks away from both edges, on these sides of them, that are far brighter than the fit has them; shape of the
    reduction.
    """
    fit = solution.fit
    x, y, value, asked, side = far_blocks(first.reduced, (fit.aperture, fit.beam))
    wanted = np.isin(side, sides)
    x, y, value = x[wanted], y[wanted], value[wanted]
    asked[asked] = wanted
    rest = value - evaluate(fit.basis, Points.at(x, y), fit.aperture, fit.beam, fit.linear)
    sigma = np.sqrt(first.noise.mean_variance(value, first.reduced.pixels))
    asked[asked] = (rest > 0.15 * step_height) & (rest > 8 * sigma)
    return asked


def _edge_doubt(solution: Solution, which: int, at: Support) -> float:
    """1σ of where along its slope an edge lies that is no blurred step (fringes, other shapes), px.

    All stretches of such an edge err alike, so that scatter does not show it; the misfit near the edge does, relative to
    its step. Half the edge's width at 2 % misfit or more, from wave-optics pictures (benchmarks/honesty.py); nothing
    where the residuals are noise.
    """
    fit, cells = solution.fit, solution.cells
    edge = fit.aperture if which == 0 else fit.beam
    assert edge is not None
    own = cells.owner == which
    if own.sum() < 20 or at.height <= 0 or robust_mean(fit, own) < 1.3:
        return 0.0
    excess = (fit.z[own] ** 2 - 1.0) * fit.sigma[own] ** 2
    rms = float(np.sqrt(max(np.average(excess, weights=cells.count[own]), 0.0)))
    return 0.5 * float(edge[5]) * min(1.0, rms / at.height / 0.02)


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


def _perspective(aperture: Array, beam: Array, ellipticity: Array) -> Array:
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


def _crooked(solution: Solution, at: dict[str, Support]) -> float:
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
    if explained and (differ < OUT_OF_ROUND or tightest_gap(fit.aperture, fit.beam) > 0):
        return 0.0  # an edge that lies all round is no short arc, however faint it is
    doubts = []
    for name, edge in (("aperture", fit.aperture), ("beam", fit.beam)):
        s = at[name]
        follows = s.confirmed.mean() > (SHORT if explained else ALONG)
        follows &= s.contradicted.sum() <= AGAINST * s.visible.sum()
        away = displaced(fit, solution.cells, name, s) / float(fit.aperture[2]) if follows else np.inf
        doubts.append(away if away < CLOSELY * differ else min(float(np.hypot(edge[3], edge[4])), differ))
    return float(np.linalg.norm(doubts))


def _level_z(fit: Fit) -> float:
    """How many σ the beam's level stands above nothing."""
    nb, nh, _ = fit.basis.counts
    k = fit.n_edges + nb + nh
    return float(fit.linear[nb + nh] / np.sqrt(max(np.linalg.inv(fit.normal)[k, k], 1e-300)))


def _halo_z(fit: Fit, at: Support) -> float:
    """How many σ the aperture's edge stands out where the beam does not reach it."""
    x, y = edge_points(at_edge(fit))
    assert fit.beam is not None
    use = (distance(x, y, fit.beam) < -3 * fit.beam[5]) & np.isfinite(at.found) & (at.sigma > 0) & at.inside
    if use.sum() < 3:
        return 0.0
    w = 1.0 / at.sigma[use] ** 2
    return float((w * at.found[use]).sum() / np.sqrt(w.sum()))


def _halo_share(fit: Fit, at: Support) -> float:
    """Share of the aperture's step that is halo, not the beam's own light (medians over its circumference)."""
    nb, nh, _ = fit.basis.counts
    _, halo, _ = fit.basis.polynomials(*edge_points(at_edge(fit)))
    step = float(np.median(np.abs(at.expected)))
    return float(np.median(fit.linear[nb : nb + nh] @ halo) / max(step, 1e-300))


def at_edge(fit: Fit) -> Array:
    """The aperture's parameters of a fit that has them."""
    assert fit.aperture is not None
    return fit.aperture


def _edge(solution: Solution, which: int, at: Support) -> Edge:
    p = solution.fit.aperture if which == 0 else solution.fit.beam
    assert p is not None
    used = at.confirmed
    x, y, radius, e1, e2 = (float(v) for v in p[:5])
    return Edge(x, y, radius, e1, e2, true_width(solution, which), seen=float(used.mean()), arcs=arcs_of(used))
