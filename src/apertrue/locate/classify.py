"""What a fit may be called: the scene's kind, its confidence, and what may not be said."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..model.edges import distance
from ..registry import SceneKind
from ..scene import Edge, Hints, Scene
from .contours import contour_height, spread_over_levels
from .doubts import doubt_of, enlarged, levelled, perspective, spread_of
from .find import Look
from .flags import picture_flags
from .ghost import afterglow_seen, find_ghost
from .levels import Light, light_of, profile_of, scene_covariance
from .marks import disc_values, saturated_share
from .refine import Fit, covariance_of, spread_in
from .rim import is_rim
from .solution import UNLIKE, Solution, quality, robust_mean, true_width
from .spots import beside, second_spot
from .support import SECTORS, Support, arcs_of, edge_points, step_heights, supports

Array = NDArray[np.float64]

#: A beam radius under this share of the aperture's is a crossover spot.
CROSSOVER = 0.15
#: A beam wider than this (÷ aperture) shows an arc that is hardly bent, and one whose center lies farther away than this
#: (aperture radii) a sliver: a ring or a straight edge of something else.
WIDEST, FARTHEST = 2.5, 1.8
#: A beam smaller than this (÷ aperture) must be alone to be called the beam.
SMALL = 0.35
#: Without evidence whose edge is whose, a fit must at least be good (mean squared residual) to be called a lens.
AMBIGUOUS = 3.0
#: Edges are resolved when they lie this many (combined) widths apart.
APART = 2.5
#: Significance over its whole circumference of an edge that few stretches show on their own.
ALL_ROUND = 8.0
#: … and the share of its stretches that may speak against it where the fit has too much light.
FEW = 0.25
#: An aperture's edge wider than this share of its radius, and much softer than the beam's, is the skirt of glare.
SKIRT = 0.1
#: A beam whose edge is wider than this share of its radius has none, unless it is a spot.
SOFT_BEAM = 0.5
#: No disc is as elliptical as this (axes 1.67 : 1), however tilted its view.
ROUND = 0.25
#: Share of the lit pixels at the top level from which on the light's level is not known.
LEVELLED = 0.01
#: Where gray levels are bent, half of the light is not half of the gray levels (1σ of the radius, in widths); and where it is
#: brighter on one side, not by as much on both (1σ of the center).
BENT, BENT_ASIDE = 0.5, 0.03
#: Structure in light that is about as bright on both sides of it (halo ÷ core) is no beam's edge, unless all is explained.
AS_BRIGHT = 0.7
#: A beam's own bright middle: what lies around it is more than this share as bright, and it fades over so many times the width
#: of the edge farther out; less will do for one that fades over more than so much of its radius.
BRIGHT_MIDDLE, SOFT_MIDDLE, SOFT = (0.5, 1.2), (0.35, 2.0), 0.08
#: Least share of an edge's circumference inside the picture for a number.
LEAST_INSIDE = 0.36
#: Aperture radius (px) under which both edges, the halo and the noise's correlation can't be told apart by their pixels
#: (from smaller discs with one more nuisance, benchmarks/honesty.py).
LEAST_RADIUS = 20.0
#: Significance that the halo must have to tell whose edge is whose.
HALO_SEEN = 5.0
#: … unless the fit misses more than this there (mean squared residual, and spread of the residuals ÷ the step).
HALO_MISSED = (8.0, 0.12)
#: … and unless this share of the stretches where the beam does not reach, of at least so many, show the step that the fit has.
HALO_ALONG, HALO_STRETCHES = 0.8, 16
#: An aperture's edge of whose step the halo is less than this share cuts the beam's own tail. It is none when it lies
#: farther from the beam's edge all round than this (combined widths): a tail of another shape looks the same. Nearer, its
#: place is in doubt by the last (1σ, in its widths).
TAIL_SHARE, TAIL_REACH, TAIL_DOUBT = 0.75, 0.7, 0.25
#: … but an edge narrower than this share of the beam's is no tail, whatever its shape.
NO_TAIL = 0.4


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """A scene and how well its fit stood up."""

    scene: Scene


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
    solution: Solution,
    sure: bool,
    first: Look,
    frame: Frame,
    hints: Hints,
    lacking: Array | None = None,
    at: dict[str, Support] | None = None,
) -> Judged | None:
    """A scene with both edges, or ``None`` when the picture does not bear it out.

    Args:
        solution: the fit.
        sure: whether it is known whose edge is whose.
        first: the picture.
        frame, hints: what is known of it.
        lacking: what its covariance lacks where both edges nearly touch.
        at: what both edges show, if it was not this fit that found them.
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
    own, at = at is None, at or supports(fit, solution.cells, shape)
    ratio = fit.beam[2] / fit.aperture[2]
    if ratio > WIDEST or np.hypot(*(fit.beam[:2] - fit.aperture[:2])) > FARTHEST * fit.aperture[2]:
        return None
    spot = ratio < CROSSOVER
    if not spot and fit.beam[5] > SOFT_BEAM * fit.beam[2]:
        return None  # a beam's own bright middle, which fades
    if not (stands(at["aperture"]) and (stands(at["beam"]) or (spot and _level_z(fit) > 6))):
        return None
    gap = tightest_gap(fit.aperture, fit.beam)
    # What is badly explained elsewhere (the beam's own structure) takes nothing away from what shows here.
    all_round = ALL_ROUND * (max(1.0, float(np.sqrt(robust_mean(fit, solution.cells.owner == 0)))) if own else 1.0)
    if gap > 0 and int(at["aperture"].confirmed.sum()) < SECTORS // 3 and at["aperture"].significance < all_round:
        return None  # an aperture around the whole beam shows all round, if only faintly
    low = gap > 0 and not frame.lossy and at["aperture"].mean_height < contour_height(pixels, _dim(fit))
    if low and not spread_over_levels(pixels, fit):
        return None
    in_tail = gap > 0 and fit.aperture[5] > NO_TAIL * fit.beam[5]
    in_tail = in_tail and _halo_share(fit, at["aperture"]) < TAIL_SHARE and _halo_z(fit, at["aperture"]) < HALO_SEEN
    if in_tail and gap * fit.aperture[2] > TAIL_REACH * np.hypot(fit.aperture[5], fit.beam[5]):
        return None
    spread, doubt = spread_of(solution), doubt_of(solution)
    covariance = covariance_of(fit, solution.cells, doubt)
    if in_tail:
        covariance[[0, 1, 2], [0, 1, 2]] += (TAIL_DOUBT * float(fit.aperture[5])) ** 2
    if lacking is not None:
        covariance = covariance + lacking * doubt**2
    at_top = saturated_share(disc_values(pixels, (fit.aperture, fit.beam)), frame.saturation, noise)
    saturated = at_top > LEVELLED
    covariance = enlarged(solution, at, covariance, gap, together=own)
    if saturated:
        covariance = covariance + levelled(fit)
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
    if own and light.halo is not None and light.halo > AS_BRIGHT * step and quality(solution) > UNLIKE:
        return None
    if not spot and _bright_middle(fit, light, all_round=gap > 0):
        return None
    other = beside(solution, first, step) if ratio < SMALL else None
    if other == "marks":
        first = replace(first, drawn=True)
    spots = other == "light" or (ratio >= SMALL and second_spot(solution, first, step))
    if spots and not afterglow_seen(find_ghost(pixels, solution, noise), fit):
        return Judged(
            Scene(SceneKind.OTHER_VIEW, 0.7, shape, background=light.background, noise=noise, why=("not-this-view",))
        )
    sign_known = kind is not SceneKind.CLIPPED or (
        sure and (_halo_tells(solution, at["aperture"]) or hints.aperture_radius_px is not None)
    )
    if not sign_known and quality(solution) > AMBIGUOUS:
        return None
    rim = frame.photograph and is_rim(solution, first.reduced, step)
    enough = spot or min(float(at[name].inside.mean()) for name in at) >= LEAST_INSIDE
    enough &= float(fit.aperture[2]) >= LEAST_RADIUS and not rim
    confidence = _confidence(at["aperture"]) * _confidence(at["beam"])
    flags = picture_flags(
        frame, first, solution, at, light, covariance, kind, sigma_offset, at_top, hints, explained=own
    )
    if "tilted-view" in flags or frame.photograph:  # a photograph may have been taken from anywhere
        covariance[6:8, 6:8] += perspective(fit.aperture, fit.beam, covariance[3:5, 3:5])
    if "nonlinear" in flags:
        for which, edge in enumerate((fit.aperture, fit.beam)):
            bent = np.array([BENT_ASIDE, BENT_ASIDE, BENT]) * float(edge[5])
            covariance[range(6 * which, 6 * which + 3), range(6 * which, 6 * which + 3)] += bent**2
    why: tuple[str, ...] = () if sign_known else ("sides-ambiguous",)
    if kind is SceneKind.CROSSOVER:
        why += ("spread-more",)
    if "afterglow" in flags:  # two discs: where the beam's own edge lies can't be trusted, nor whose light is uneven
        enough, light = False, replace(light, unevenness=None)
        why += ("afterglow-seen",)
    return Judged(
        Scene(
            kind,
            confidence,
            shape,
            flags,
            aperture=edge_of(solution, 0, at["aperture"]),
            beam=edge_of(solution, 1, at["beam"]),
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


def _bright_middle(fit: Fit, light: Light, *, all_round: bool) -> bool:
    """Whether the inner edge is where a beam's own middle fades; ``all_round``: whether it lies within the outer one."""
    assert fit.aperture is not None
    assert fit.beam is not None
    width = float(fit.beam[5])
    rules = (BRIGHT_MIDDLE, SOFT_MIDDLE) if width > SOFT * fit.beam[2] else (BRIGHT_MIDDLE,)
    shares = [share for share, wider in rules if width > wider * fit.aperture[5]]
    if not shares:
        return False
    # Under the beam the halo's terms are anything; all round a beam the aperture's own step tells how bright it is.
    around = max(light.halo or 0.0, float(np.median(step_heights(fit, "aperture"))) if all_round else 0.0)
    return 0.0 < min(shares) * (light.core - light.background) < around


def stands(at: Support) -> bool:
    """Whether the stretches of an edge bear it out.

    A faint edge may be visible only where the fit has too much light beside it; then all other stretches together tell.
    """
    visible, contradicted = int(at.visible.sum()), int(at.contradicted.sum())
    if visible >= 4:
        if contradicted <= 0.35 * visible and int(at.confirmed.sum()) >= 4:
            return True
        if visible > FEW * SECTORS or at.but(at.visible) <= ALL_ROUND:
            return False
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


def _dim(fit: Fit) -> float:
    """Gray level half-way up to the beam's."""
    nb, nh, _ = fit.basis.counts
    return float(fit.linear[0] + 0.5 * fit.linear[nb + nh])


def _level_z(fit: Fit) -> float:
    """How many σ the beam's level stands above nothing."""
    nb, nh, _ = fit.basis.counts
    k = fit.n_edges + nb + nh
    return float(fit.linear[nb + nh] / np.sqrt(max(np.linalg.inv(fit.normal)[k, k], 1e-300)))


def _halo_z(fit: Fit, at: Support) -> float:
    """How many σ the aperture's edge stands out where the beam does not reach it."""
    x, y = edge_points(at_edge(fit))
    use = _beyond_beam(fit, x, y) & np.isfinite(at.found) & (at.sigma > 0) & at.inside
    if use.sum() < 3:
        return 0.0
    w = 1.0 / at.sigma[use] ** 2
    return float((w * at.found[use]).sum() / np.sqrt(w.sum()))


def _halo_tells(solution: Solution, at: Support) -> bool:
    """Whether the halo shows the aperture's edge, as a fit with halo has it: other light may lie about a lens without any."""
    fit, cells = solution.fit, solution.cells
    if _halo_z(fit, at) <= HALO_SEEN:
        return False
    own = (cells.owner == 0) & _beyond_beam(fit, cells.at.x, cells.at.y)
    beyond = _beyond_beam(fit, *edge_points(at_edge(fit)))
    step = float(np.median(np.abs(at.expected[beyond])))
    chi2, missed = HALO_MISSED
    if robust_mean(fit, own) < chi2 or spread_in((fit.z * fit.sigma)[own]) < missed * step:
        return True
    stretches = beyond & at.inside
    return int((stretches & at.confirmed).sum()) > HALO_ALONG * max(int(stretches.sum()), HALO_STRETCHES)


def _beyond_beam(fit: Fit, x: Array, y: Array) -> NDArray[np.bool_]:
    """Where the beam does not reach."""
    assert fit.beam is not None
    return np.asarray(distance(x, y, fit.beam) < -3 * fit.beam[5])


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


def edge_of(solution: Solution, which: int, at: Support) -> Edge:
    """A fit's edge (0 the aperture's, 1 the beam's), and the arcs over which it shows."""
    p = solution.fit.aperture if which == 0 else solution.fit.beam
    assert p is not None
    used = at.confirmed
    x, y, radius, e1, e2 = (float(v) for v in p[:5])
    return Edge(x, y, radius, e1, e2, true_width(solution, which), seen=float(used.mean()), arcs=arcs_of(used))
