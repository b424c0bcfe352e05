"""The steps in their order."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..registry import SceneKind
from ..scene import Edge, Hints, Noise, Scene
from .classify import Judged, judge_pair, judge_single, resolved, tightest_gap
from .find import Look, Rough, block_sigma, look
from .hypotheses import Start, starts
from .levels import profile_of
from .noise import estimate_noise
from .reduce import Reduced, reduce_picture
from .refine import robust_cost
from .solve import Solution, coarse, enriched, fine, lone, misfit, quality, robust_sum, shortfall, swapped, to_pixels

Array = NDArray[np.float64]

#: Smallest side of a picture, px.
LEAST_SIDE = 16
#: By how much (χ²) one way to call the edges must beat the other.
SURE = 40.0
#: A coarse fit worse than this is not refined.
HOPELESS = 9.0
#: A fit whose mean squared residual is no more than this needs no rival.
GOOD = 1.3
#: A reading whose edges stand may fall short of the best one by this factor.
RIVAL = 2.0
#: By how much (χ²) a second edge close to the first must improve the fit.
NEEDED = 100.0
#: At most so many readings are fitted to the pixels.
MOST_TRIED = 4


def locate_frame(frame: Frame, hints: Hints) -> Scene:
    """See :func:`apertrue.locate.locate`."""
    pixels, origin = _region(frame.pixels, hints)
    shape = frame.shape
    if min(pixels.shape) < LEAST_SIDE:
        return Scene(SceneKind.OTHER_VIEW, 0.5, shape, why=("not-this-view",))
    reduced = reduce_picture(pixels)
    finite = reduced.mean[np.isfinite(reduced.mean)]
    if finite.size < 16:
        return Scene(SceneKind.OTHER_VIEW, 0.5, shape, why=("not-this-view",))
    low, high = float(np.quantile(finite, 0.02)), float(finite.max())
    noise = estimate_noise(pixels, low, high, frame.saturation)
    rough = look(reduced, block_sigma(noise, reduced))
    if rough is None or not _lit(rough, noise, reduced):
        return Scene(SceneKind.DARK, 0.9, shape, background=low, noise=noise, why=("no-beam",))
    first = Look(pixels, reduced, noise, rough)
    judged = _best(first, frame, hints)
    return _moved(judged.scene, origin, shape)


def _region(pixels: NDArray[Any], hints: Hints) -> tuple[NDArray[Any], tuple[int, int]]:
    if hints.region is None:
        return pixels, (0, 0)
    left, top, right, bottom = hints.region
    rows, columns = pixels.shape
    x0, y0 = int(np.clip(np.ceil(left), 0, columns)), int(np.clip(np.ceil(top), 0, rows))
    x1, y1 = int(np.clip(np.floor(right) + 1, x0, columns)), int(np.clip(np.floor(bottom) + 1, y0, rows))
    return pixels[y0:y1, x0:x1], (x0, y0)


def _moved(scene: Scene, origin: tuple[int, int], shape: tuple[int, int]) -> Scene:
    def move(edge: Edge | None) -> Edge | None:
        return None if edge is None else replace(edge, x=edge.x + origin[0], y=edge.y + origin[1])

    return replace(scene, shape=shape, aperture=move(scene.aperture), beam=move(scene.beam), edge=move(scene.edge))


def _lit(rough: Rough, noise: Noise, reduced: Reduced) -> bool:
    """Whether the picture holds more than noise."""
    sigma = block_sigma(noise, reduced)
    area = max(rough.lit_share * reduced.mean.size, 1.0)
    # The brightest of many equal blocks stands about 4σ above; a lit region also has an extent.
    contrast = rough.bright - rough.dark
    return contrast > 8 * sigma and contrast * np.sqrt(area) > 40 * sigma


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """One reading of the picture.

    Attributes:
        judged: its scene; ``None`` when its edges do not stand.
        worth: how badly it explains the picture (smaller is better), see :func:`apertrue.locate.solve.shortfall`.
    """

    judged: Judged | None
    worth: float


def _best(first: Look, frame: Frame, hints: Hints) -> Judged:
    """Try the likely readings of the picture until one explains it; then ask whether a single edge does as well."""
    contrast = first.rough.bright - first.rough.dark
    guided = _guided(first, hints)
    tried: list[Candidate] = []
    fitted = 0
    for start in guided or starts(first.rough, block_sigma(first.noise, first.reduced)):
        solution = coarse(first.reduced, first.noise, start, contrast)
        if solution is None or misfit(solution.fit, first.reduced, first.noise, contrast) > HOPELESS:
            continue
        if fitted == MOST_TRIED:
            break
        fitted += 1
        pair = _fine(first, solution, contrast)
        if pair is None:
            continue
        pair, sure = _whose(pair, first.noise, contrast, hints)
        pair = enriched(pair, first.noise, contrast)
        judged = judge_pair(pair, sure, first, frame, hints)
        if judged is not None and not guided and not resolved(pair) and not _needed(pair, first.noise, contrast):
            judged = None
        tried.append(Candidate(judged, shortfall(pair, contrast)))
        if quality(pair) < GOOD:
            break
    if tried:
        best = min(tried, key=lambda c: c.worth)
        stood = [c for c in tried if c.judged is not None and c.worth < RIVAL * best.worth]
        if stood:
            chosen = min(stood, key=lambda c: c.worth).judged
            assert chosen is not None
            return chosen
    single = _single(first, contrast)
    return judge_single(single, first.rough, first.reduced, first.noise, first.pixels, frame, hints)


def _needed(pair: Solution, noise: Noise, contrast: float) -> bool:
    """Whether two unresolved edges explain the picture much better than one does."""
    alone = min((s for s in lone(pair, noise, contrast)), key=lambda s: robust_sum(s.fit))
    return robust_sum(alone.fit) - robust_sum(pair.fit) > max(NEEDED, 0.05 * len(pair.cells))


def _whose(pair: Solution, noise: Noise, contrast: float, hints: Hints) -> tuple[Solution, bool]:
    """The likelier of both ways to call the edges, and whether the picture (or a known radius) decides between them.

    Where the discs are nested only one way makes sense. Where they cut each other, both are fitted to the same cells.
    """
    fit = pair.fit
    assert fit.aperture is not None
    assert fit.beam is not None
    if tightest_gap(fit.aperture, fit.beam) > 0.02:
        return pair, True
    other = swapped(pair, noise, contrast)
    if other is None or other.fit.aperture is None or profile_of(other.fit) is None:
        return pair, True
    if profile_of(fit) is None:
        return other, True
    gain = robust_cost(other.fit) - robust_cost(pair.fit)
    if hints.aperture_radius_px is not None:
        s = hints.aperture_radius_sigma * hints.aperture_radius_px
        miss = [
            (float(p.fit.aperture[2]) - hints.aperture_radius_px) / s
            for p in (pair, other)
            if p.fit.aperture is not None
        ]
        gain += miss[1] ** 2 - miss[0] ** 2
    if gain < 0:
        return other, -gain > SURE
    return pair, gain > SURE


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
    if not first.rough.outline:
        return None
    solution = coarse(first.reduced, first.noise, Start(None, first.rough.outline[0][0]), contrast)
    return None if solution is None else _fine(first, solution, contrast)


def _guided(first: Look, hints: Hints) -> list[Start]:
    """Start values from the user or the last frame, in block units."""
    aperture, beam = hints.start_aperture, hints.start_beam
    if hints.previous is not None and aperture is None and beam is None:
        aperture, beam = hints.previous.aperture, hints.previous.beam
    if aperture is None and beam is None:
        return []
    size = first.reduced.size
    half = (size - 1) / 2

    def blocks(edge: Edge) -> Array:
        return np.array([(edge.x - half) / size, (edge.y - half) / size, edge.radius / size, edge.e1, edge.e2])

    if aperture is not None and beam is not None:
        return [Start(blocks(aperture), blocks(beam))]
    one = blocks(aperture or beam)  # type: ignore[arg-type]
    out = []
    for other in [e for e, _ in first.rough.outline] + ([first.rough.surround[0]] if first.rough.surround else []):
        same = np.hypot(other[0] - one[0], other[1] - one[1]) + abs(other[2] - one[2]) < 0.05 * one[2] + 1
        if not same:
            out.append(Start(one, other) if aperture is not None else Start(other, one))
    return out
