"""What a picture may be: its likely readings, the one that explains it, and what is tried when none does."""

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..model.edges import distance
from ..registry import SceneKind
from ..scene import Edge, Hints, Scene
from .alternatives import by_light, enriched
from .apart import apart
from .bands import without_bands
from .classify import Judged, judge_pair, resolved
from .coarse import coarse, misfit, to_pixels
from .doubts import doubt_of
from .find import Look, block_sigma, halo_floor, look
from .glow import with_glow
from .hypotheses import Start, starts
from .lobes import without_lobes
from .noise import dark_unevenness
from .reduce import Reduced
from .rivals import called_rightly, second_edge_needed, sharper, stands_by_itself, whose
from .roundness import held_round
from .shadow import without_shadow
from .shapes import alike, in_blocks
from .single import judge_single
from .solution import GOOD, Solution, lost, quality, same_place, shortfall
from .solve import fine
from .spikes import without_spikes
from .support import edge_points, plainly
from .third import edge_between, edge_within
from .touching import settle

Array = NDArray[np.float64]

#: A coarse fit worse than this is not refined, and after so many of them no more are tried.
HOPELESS, MOST_HOPELESS = 9.0, 4
#: … but for one whose edges are plain to see amid light that no model has (a screen's haze, a room's), up to this.
MISLAID = 40.0
#: An edge so many times as wide as the beam's, and wider than this share of its radius, may be a halo that fades.
SOFTER, FADING = 2.5, 0.08
#: … and so many that are worse than this are, no more.
DOUBTFUL, MOST_DOUBTFUL = 4.0, 2
#: A reading whose edges stand may fall short of the best one by this factor.
RIVAL = 1.15
#: One that leaves no more than this leaves next to nothing: it needs no rival either.
SLIGHT = 0.02
#: Two edges this near to a beam's (its radii) are that edge, when an aperture lies well around them.
ONE_EDGE = 0.3
#: … and farther than :data:`NEAR` over more than this share of their circumference.
AROUND = 0.5
#: No reading that explains the picture worse than this is taken (grid bars and dirt stay well under it).
WORST = 2.4
#: One that explains it no worse than this still tells what shows, without numbers.
NO_READING = 4.0
#: Two edges within so many combined widths of each other must explain the picture much better than one does.
NEAR = 6.0
#: Edges within so many combined widths of each other may have several shallow minima.
BESIDE = 3.5
#: Two readings have the same edge when it is alike to this share of its radius.
SAME_EDGE = 0.03
#: At most so many readings are fitted to the pixels.
MOST_TRIED = 3


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """One reading of the picture.

    Attributes:
        judged: its scene; ``None`` when its edges do not stand.
        worth: how badly it explains the picture (smaller is better), see :func:`apertrue.locate.solution.shortfall`.
        solution: its fit.
    """

    judged: Judged | None
    worth: float
    solution: Solution


def best_reading(first: Look, frame: Frame, hints: Hints, *, fresh: bool = True) -> Judged:
    """The reading that explains the picture.

    Without one: the same without offsets of lines, hot pixels and dead ones (``fresh``: if that was not done yet); with an uneven
    dark level allowed for; then without what lies in the way; then a single edge.
    """
    assert first.rough is not None
    tried = _readings(first, frame, hints)
    chosen = _chosen(tried)
    if chosen is not None and _is_told(chosen.scene, fresh=fresh):
        return chosen
    if chosen is None and fresh:
        chosen = _beside_bright_halo(first, frame, hints) or _apart(first, frame, hints, tried)
        if chosen is not None:
            return chosen
    if fresh:
        # A lossy compression makes blocks of its own, and takes the noise away against which lines are judged.
        even = None if frame.lossy else without_bands(first)
        clean = without_spikes(even or first) or even
        if clean is not None:
            again = best_reading(clean, frame, hints, fresh=False)
            if chosen is None or again.scene.covariance is not None:
                return again
    contrast = first.rough.bright - first.rough.dark
    uneven = dark_unevenness(first.reduced, first.noise, contrast)
    if uneven > 0 and first.noise.unevenness == 0:
        noise = replace(first.noise, unevenness=uneven)
        rough = look(first.reduced, block_sigma(noise, first.reduced))
        if rough is not None:
            again = best_reading(replace(first, noise=noise, rough=rough), frame, hints, fresh=False)
            if chosen is None or again.scene.covariance is not None:
                return again
    single = None if chosen is not None else _single(first, contrast)
    bases = [min(tried, key=lambda c: c.worth).solution] if tried else []
    if single is not None:
        bases.append(single)
    seen = _behind_shadow(first, frame, hints, bases)
    if seen is not None:
        return seen
    if chosen is not None:
        return chosen
    alone = judge_single(single, first, hints)
    return (_unexplained(tried) if alone.scene.kind is SceneKind.ONE_EDGE else None) or alone


def _beside_bright_halo(first: Look, frame: Frame, hints: Hints) -> Judged | None:
    """A reading with numbers in which what was taken for the core is the halo, with the beam in it; ``None`` without one."""
    assert first.rough is not None
    floor = halo_floor(first.reduced, first.rough)
    rough = None if floor is None else look(first.reduced, block_sigma(first.noise, first.reduced), floor)
    if rough is None:
        return None
    seen = _chosen(_readings(replace(first, rough=rough), frame, hints))
    return seen if seen is not None and seen.scene.covariance is not None and seen.scene.sign_known else None


def _behind_shadow(first: Look, frame: Frame, hints: Hints, bases: list[Solution]) -> Judged | None:
    """A reading with numbers of the picture without the shadow of something in the way; ``None`` without one."""
    for base in bases:
        clear = without_shadow(first, base)
        if clear is None:
            continue
        seen = _chosen(_readings(clear, frame, hints, base))
        if seen is not None and seen.scene.covariance is not None and seen.scene.sign_known:
            return seen
    return None


def _apart(first: Look, frame: Frame, hints: Hints, tried: list[Candidate]) -> Judged | None:
    """Both edges found one by one, or a reading without the shadow of something in the way that explains the picture, or tells
    more of the same two.
    """
    alone = apart(first, frame, hints)
    if alone is None or not tried:
        return alone
    seen = _behind_shadow(first, frame, hints, [min(tried, key=lambda c: c.worth).solution])
    if seen is None:
        return alone
    explains = float(seen.scene.extra.get("residual", np.inf)) < GOOD
    return seen if explains or _same_edges(seen.scene, alone.scene) else alone


def _same_edges(one: Scene, other: Scene) -> bool:
    """Whether two scenes of a picture have the same two edges."""

    def place(edge: Edge | None) -> Array:
        assert edge is not None
        return np.array([edge.x, edge.y, edge.radius])

    return all(
        alike(place(a), place(b), SAME_EDGE) for a, b in ((one.aperture, other.aperture), (one.beam, other.beam))
    )


def _unexplained(tried: list[Candidate]) -> Judged | None:
    """A reading whose edges both show, but that explains the picture too badly for a number."""
    known = [c for c in tried if c.judged is not None and c.judged.scene.sign_known and WORST <= c.worth < NO_READING]
    best = min(known, key=lambda c: c.worth, default=None)
    if best is None or best.judged is None:
        return None
    return Judged(replace(best.judged.scene, covariance=None, why=("not-measured",)))


def _is_told(scene: Scene, *, fresh: bool) -> bool:
    """Whether a scene says all that can be said: numbers, or why the light itself allows none.

    Other light may be the camera's bands until these are taken out (``fresh``: they are not yet).
    """
    other = scene.kind is SceneKind.OTHER_VIEW and not fresh
    return scene.covariance is not None or other or "afterglow" in scene.flags


def _chosen(tried: list[Candidate]) -> Judged | None:
    """The reading to give: of those that stand and explain the picture about as well, one whose aperture is no screen's rim, that
    knows whose edge is whose and whose edges show farthest round.
    """

    def competes(reading: Candidate, judged: Judged) -> bool:
        # Edges that do not stand leave less of one unexplained, which takes nothing from an aperture that is seen around it.
        best = min(
            c.worth
            for c in tried
            if c.judged is not None
            or not (_surrounds(reading.solution, c.solution) or stands_by_itself(reading.solution, judged.scene.shape))
        )
        return reading.worth < min(max(RIVAL * best, SLIGHT), WORST)

    stood = [(c, c.judged) for c in sorted(tried, key=lambda c: c.worth) if c.judged is not None]
    readings = [judged for c, judged in stood if competes(c, judged)]

    def least(judged: Judged) -> tuple[bool, bool, float]:
        return "rim" in judged.scene.extra, not judged.scene.sign_known, -_shown(judged.scene)

    return min(readings, key=least, default=None)


def _surrounds(reading: Solution, other: Solution) -> bool:
    """Whether a reading has for its beam's the edge that another one took for two, and an aperture well around both."""
    (aperture, beam), (outer, inner) = ((s.fit.aperture, s.fit.beam) for s in (reading, other))
    if aperture is None or beam is None or outer is None or inner is None:
        return False
    same = all(alike(edge, beam, ONE_EDGE) for edge in (outer, inner))
    inward = distance(*edge_points(outer), aperture) / float(np.hypot(aperture[5], outer[5]))
    return same and bool(inward.min() > 0) and float(np.mean(inward > NEAR)) > AROUND


def _shown(scene: Scene) -> float:
    """Share of its circumference, in tenths, that the edge which shows less shows over."""
    return round(min((edge.seen for edge in (scene.aperture, scene.beam) if edge is not None), default=0.0), 1)


def _readings(first: Look, frame: Frame, hints: Hints, base: Solution | None = None) -> list[Candidate]:
    """The likely readings of the picture with two edges, until one explains it.

    ``base``: a fit to the picture before something was taken out of it, whose edges are tried first.
    """
    assert first.rough is not None
    contrast = first.rough.bright - first.rough.dark
    guided = _guided(first, hints)
    tried: list[Candidate] = []
    seen: list[Solution] = []
    doubtful = hopeless = 0
    again = [] if base is None else _start_of(base, first.reduced)
    for start in guided or itertools.chain(again, starts(first.rough)):
        solution = coarse(first.reduced, first.noise, start, contrast)
        if solution is None:
            continue
        if not guided:
            solution = called_rightly(solution, first, contrast)
        badly = misfit(solution.fit, first.reduced, first.noise, contrast)
        if badly > HOPELESS and not (
            badly < MISLAID and plainly(solution.fit, solution.cells, first.reduced.mean.shape)
        ):
            hopeless += 1
            if hopeless == MOST_HOPELESS:
                break  # most pictures of other things end here, or below
            continue
        if any(same_place(solution, other) for other in seen):
            continue
        if len(seen) == MOST_TRIED or doubtful == MOST_DOUBTFUL:
            break
        seen.append(solution)
        pair = _fine(first, solution, contrast)
        doubtful += badly > DOUBTFUL
        if pair is None:
            continue
        pair = without_lobes(pair, first.noise, contrast)
        if not guided and lost(pair, first.pixels.shape):
            tried.append(Candidate(None, shortfall(pair, contrast), pair))
            continue
        pair = with_glow(pair, first.reduced, first.noise, contrast)
        pair, sure = whose(pair, first.noise, contrast, hints)
        held = held_round(pair, first, contrast, photograph=frame.photograph)
        lacking: Array | None
        if held is not None:
            pair, lacking = held[0], held[1] / doubt_of(held[0]) ** 2  # in px² already
        else:
            pair, lacking = _mended(pair, first, contrast, guided=bool(guided))
        judged = judge_pair(pair, sure, first, frame, hints, lacking)
        if (
            judged is not None
            and "afterglow" not in judged.scene.flags  # two discs, which give no number
            and not guided
            and not resolved(pair, NEAR)
            and not stands_by_itself(pair, first.pixels.shape)
            and not second_edge_needed(pair, first.noise, contrast, first.reduced)
        ):
            judged = None
        worth = shortfall(pair, contrast)
        if judged is not None and held is not None:  # a beam's light that is explained so badly is not continued
            judged = Judged(replace(judged.scene, profile=None))
        if judged is not None:
            judged = Judged(
                replace(judged.scene, extra=judged.scene.extra | {"shortfall": worth} | _nearer(first, pair, frame))
            )
        tried.append(Candidate(judged, worth, pair))
        if (quality(pair) < GOOD or (judged is not None and worth < SLIGHT)) and not _fades(pair):
            break
    return tried


def _fades(pair: Solution) -> bool:
    """Whether what was taken for the aperture's edge is so soft beside the beam's that it may be a halo which fades."""
    aperture, beam = pair.fit.aperture, pair.fit.beam
    assert aperture is not None
    assert beam is not None
    return bool(aperture[5] > max(SOFTER * beam[5], FADING * aperture[2]))


def _mended(pair: Solution, first: Look, contrast: float, *, guided: bool) -> tuple[Solution, Array | None]:
    """A fit of two edges with as much light as it needs, its edges where they lie, and what its covariance lacks then."""
    plain, pair = pair, enriched(pair, first.noise, contrast)
    lacking = by_light(plain, pair) / doubt_of(pair) ** 2  # in px² already
    if not resolved(pair, BESIDE):
        settled = settle(pair, first.noise, contrast)
        pair, lacking = settled.solution, lacking + settled.lacking
    if guided:
        return pair, lacking
    better = sharper(pair, first, contrast)
    return (pair, lacking) if better is pair else (better, None)


def _nearer(first: Look, pair: Solution, frame: Frame) -> dict[str, float]:
    """A third round edge, for ``_closer``: center and radius (px) of one between both, or that one is within the beam's."""
    edge = edge_between(first, pair, photograph=frame.photograph)
    names = ("nearer_x", "nearer_y", "nearer_radius")
    if edge is not None:
        return dict(zip(names, map(float, edge[:3]), strict=True))
    return {} if edge_within(first, pair) is None else {"inner": 1.0}


def _fine(first: Look, solution: Solution, contrast: float) -> Solution | None:
    size = first.reduced.size
    return fine(
        first.pixels,
        first.reduced,
        first.noise,
        to_pixels(solution.fit.aperture, size),
        to_pixels(solution.fit.beam, size),
        contrast,
    )


def _single(first: Look, contrast: float) -> Solution | None:
    """One edge alone."""
    assert first.rough is not None
    if not first.rough.outline:
        return None
    solution = coarse(first.reduced, first.noise, Start(None, first.rough.outline[0][0]), contrast)
    return None if solution is None else _fine(first, solution, contrast)


def _start_of(base: Solution, reduced: Reduced) -> list[Start]:
    """A fit's two edges as a start, in block units; none when it has but one."""
    aperture, beam = base.fit.aperture, base.fit.beam
    if aperture is None or beam is None:
        return []
    return [Start(in_blocks(aperture, reduced.size), in_blocks(beam, reduced.size))]


def _guided(first: Look, hints: Hints) -> list[Start]:
    """Start values from the user, in block units.

    The last frame's edges are none: where they can't be followed, the picture must show its edges by itself.
    """
    aperture, beam = hints.start_aperture, hints.start_beam
    if aperture is None and beam is None:
        return []

    def blocks(edge: Edge) -> Array:
        return in_blocks((edge.x, edge.y, edge.radius, edge.e1, edge.e2), first.reduced.size)

    if aperture is not None and beam is not None:
        return [Start(blocks(aperture), blocks(beam))]
    assert first.rough is not None
    one = blocks(aperture or beam)  # type: ignore[arg-type]
    out = []
    for other in [e for e, _ in first.rough.outline] + ([first.rough.surround[0]] if first.rough.surround else []):
        same = np.hypot(other[0] - one[0], other[1] - one[1]) + abs(other[2] - one[2]) < 0.05 * one[2] + 1
        if not same:
            out.append(Start(one, other) if aperture is not None else Start(other, one))
    return out
