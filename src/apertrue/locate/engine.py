"""The steps in their order."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..registry import SceneKind
from ..scene import Edge, Hints, Noise, Scene
from .classify import Judged, judge_pair, judge_single, resolved, tightest_gap
from .dead import without_dead_part
from .find import Look, Rough, block_sigma, look
from .flags import plain_flags
from .hypotheses import Start, starts
from .levels import profile_of
from .marks import border_depths, without_strokes
from .noise import dark_unevenness, estimate_noise
from .reduce import Reduced, reduce_picture
from .refine import robust_cost, spread_in
from .shadow import without_shadow
from .solve import (
    UNLIKE,
    Solution,
    block_noise,
    coarse,
    enriched,
    fine,
    lone,
    misfit,
    per_cell,
    quality,
    robust_mean,
    robust_sum,
    same_place,
    shortfall,
    swapped,
    to_pixels,
)
from .spikes import without_spikes
from .support import step_heights
from .touching import settle

Array = NDArray[np.float64]

#: Smallest side of a picture, px.
LEAST_SIDE = 16
#: Kinds after which a closer look at a small lit region may tell more.
UNREAD = (SceneKind.OTHER_VIEW, SceneKind.ONE_EDGE, SceneKind.DARK)
#: Kinds whose edges are followed from frame to frame.
FOLLOWED = (SceneKind.BOTH_EDGES, SceneKind.CLIPPED)
#: Blocks beyond this many radii of a small aperture that have this share of the core's light belong to something else, when
#: they are more than this share of the picture.
AROUND_IT, ELSEWHERE, A_FEW = 1.3, 0.15, 0.005
#: Share of the directions in which the core's boundary must follow one ellipse, how far around it (radii) to look at it alone,
#: then how far around the aperture found there, and the most of the picture that this may be.
ROUND_ABOUT, REACHES, AROUND, MOST_OF_IT = 0.45, (1.5, 2.1), 1.25, 0.8
#: A reading that explains the picture worse than the first is doubted so; what is found instead must be better than the second.
WELL_SEEN, EXPLAINED = 0.5, 1.0
#: A core less noisy than this share of the contrast belongs to a picture that no camera took.
NOISELESS = 0.004
#: By how much (χ²) one way to call the edges must beat the other.
SURE = 40.0
#: A coarse fit worse than this is not refined.
HOPELESS = 9.0
#: … and so many that are worse than this are, no more.
DOUBTFUL, MOST_DOUBTFUL = 4.0, 2
#: A fit whose mean squared residual is no more than this needs no rival.
GOOD = 1.3
#: The most for two edges that lie near each other: apart, or not.
FAIR, SNUG = 8.0, 1.2
#: A reading whose edges stand may fall short of the best one by this factor.
RIVAL = 1.15
#: One that leaves no more than this leaves next to nothing: it needs no rival either.
SLIGHT = 0.02
#: No reading that explains the picture worse than this is taken (grid bars and dirt stay well under it).
WORST = 2.4
#: An aperture edge this much softer than the beam's is looked for farther out, too, at these radii.
SOFTER, FARTHER_OUT = 2.5, (1.03, 1.08, 1.14)
#: A mean squared residual beside an edge that is more than noise: such an edge is looked for a little farther out, too.
NOT_NOISE = 1.1
#: By how much (χ²) a second edge close to the first must improve the fit.
NEEDED = 100.0
#: Two edges within so many combined widths of each other must explain the picture much better than one does.
NEAR = 6.0
#: … and far better still when the outer one's step is less than this share of the inner one's.
TAIL = 0.01
#: Two steps that are not resolved, concentric to this share of their distance and the outer one higher than this share of
#: the inner one's, are as likely one edge with a penumbra of another shape.
CONCENTRIC, PENUMBRA = 0.2, 0.15
#: Edges closer than this all round (combined widths) are one edge of another shape as likely as two.
TOUCHING = 1.2
#: Edges within so many combined widths of each other may have several shallow minima.
BESIDE = 3.5
#: A single edge that leaves a mean squared residual beyond this is none, however close the two are.
NOT_ONE = 20.0
#: A coarse fit that leaves more than this a cell is asked whether its edges are called rightly; and by which factor the
#: other way must leave less.
UNLIKELY, CLEARLY_LESS = 2.5, 0.6
#: At most so many readings are fitted to the pixels.
MOST_TRIED = 3


def locate_frame(frame: Frame, hints: Hints) -> Scene:
    """See :func:`apertrue.locate.locate`."""
    pixels, origin = _inside(frame, hints)
    drawn = hints.region is None and pixels.shape != frame.shape
    if pixels.dtype.kind == "f":
        pixels = _tame(pixels)
    pixels = without_dead_part(pixels)
    clear = without_strokes(pixels, lossy=frame.lossy)
    drawn, pixels = drawn or clear is not pixels, clear
    hints = _shifted(hints, origin)
    scene, rough = _locate_in(pixels, frame, hints, drawn)
    if rough is not None and hints.region is None:
        scene = _closer(scene, rough, pixels, frame, hints, drawn)
    return _moved(scene, origin, frame.shape)


def _closer(scene: Scene, rough: Rough, pixels: NDArray[Any], frame: Frame, hints: Hints, drawn: bool) -> Scene:
    """The scene, or what a part of the picture tells where the whole tells nothing, or is badly explained."""
    if scene.kind in UNREAD:
        window = _window(rough, pixels.shape)
        if window is not None:  # small discs in a large picture
            left, top, right, bottom = window
            closer, _ = _locate_in(pixels[top:bottom, left:right], frame, _shifted(hints, (left, top)), drawn)
            if closer.kind not in UNREAD and not _light_elsewhere(closer, (left, top), pixels):
                return _moved(closer, (left, top), scene.shape)
    worth = np.inf if scene.kind in UNREAD else float(scene.extra.get("shortfall", 0.0))
    alone = _within(pixels, rough, frame, hints, drawn, worth) if worth > WELL_SEEN else None
    return scene if alone is None else alone


def _within(
    pixels: NDArray[Any],
    rough: Rough,
    frame: Frame,
    hints: Hints,
    drawn: bool,
    worth: float,
) -> Scene | None:
    """The scene around the core alone, in the whole picture's coordinates.

    ``None`` when that tells no more, or explains its part of the picture no better than what explained the whole
    (``worth``, see :func:`apertrue.locate.solve.shortfall`).

    A third edge farther out, of the screen in a room's light or of a panel, is in no reading with two.
    """
    if not rough.outline or rough.outline[0][1] < ROUND_ABOUT:
        return None
    size = max(1, round(min(pixels.shape) / min(rough.grid)))
    core = Edge((rough.center[0] + 0.5) * size, (rough.center[1] + 0.5) * size, float(rough.outline[0][0][2]) * size)

    def judged(about: Edge, reach: float) -> Scene | None:
        part, corner = _part(pixels, about, reach)
        if part.size > MOST_OF_IT * pixels.size:
            return None
        scene, _ = _locate_in(part, frame, _shifted(hints, corner), drawn)
        both = scene.covariance is not None and scene.sign_known and scene.kind in FOLLOWED
        return _moved(scene, corner, scene.shape) if both else None

    for reach in REACHES:
        scene = judged(core, reach)
        if scene is not None and scene.aperture is not None:
            scene = judged(scene.aperture, AROUND)  # once more with as little around the aperture as its edge needs
        if scene is None or scene.aperture is None:
            continue
        better = float(scene.extra.get("shortfall", np.inf)) < min(EXPLAINED, 0.25 * worth)
        if better and _contains(pixels, scene.aperture) and not _light_elsewhere(scene, (0, 0), pixels):
            return scene
    return None


def _part(pixels: NDArray[Any], about: Edge, reach: float) -> tuple[NDArray[Any], tuple[int, int]]:
    """The square of ``reach`` radii around an edge, as far as the picture goes, and its first column and row."""
    rows, columns = pixels.shape
    half = reach * about.semi_axes[0] + 3 * about.width
    left, top = max(int(about.x - half), 0), max(int(about.y - half), 0)
    return pixels[top : min(int(about.y + half) + 1, rows), left : min(int(about.x + half) + 1, columns)], (left, top)


def _contains(pixels: NDArray[Any], edge: Edge) -> bool:
    """Whether the picture holds a whole edge and a little around it."""
    reach = edge.semi_axes[0] + 3 * edge.width
    return all(reach < c < n - reach for c, n in ((edge.x, pixels.shape[1]), (edge.y, pixels.shape[0])))


def _locate_in(pixels: NDArray[Any], frame: Frame, hints: Hints, drawn: bool) -> tuple[Scene, Rough | None]:
    shape = (int(pixels.shape[0]), int(pixels.shape[1]))
    unknown = Scene(SceneKind.OTHER_VIEW, 0.5, shape, why=("not-this-view",))
    if min(shape) < LEAST_SIDE:
        return unknown, None
    reduced = reduce_picture(pixels)
    finite = reduced.mean[np.isfinite(reduced.mean)]
    if finite.size < 16:
        return unknown, None
    if _looks_inverted(reduced.mean):
        # Light is dark here; measured the other way round. The saturation level then is no top.
        top = np.nanmax(pixels)
        pixels = np.asarray(top - pixels)
        frame = replace(frame, saturation=None)
        reduced = reduce_picture(pixels)
        finite = reduced.mean[np.isfinite(reduced.mean)]
    low, high = float(np.quantile(finite, 0.02)), float(finite.max())
    noise = estimate_noise(pixels, low, high, frame.saturation)
    noise = _at_least(noise, high - low)
    followed = _followed(Look(pixels, reduced, noise, None, drawn), frame, hints)
    if followed is not None:
        return followed, None
    rough = look(reduced, block_sigma(noise, reduced))
    if rough is None or not _lit(rough, noise, reduced):
        flags = plain_flags(frame, pixels, hints, drawn=drawn)
        return Scene(SceneKind.DARK, 0.9, shape, flags, background=low, noise=noise, why=("no-beam",)), rough
    first = Look(pixels, reduced, noise, rough, drawn)
    with np.errstate(all="ignore"):  # a fit that runs away is dropped, not reported
        scene = _best(first, frame, hints).scene
    if scene.aperture is None or scene.beam is None:
        scene = replace(scene, flags=plain_flags(frame, pixels, hints, drawn=drawn))
    return scene, rough


def _followed(first: Look, frame: Frame, hints: Hints) -> Scene | None:
    """The scene when both edges still lie about where the last frame had them; else ``None``: look anew."""
    last = hints.previous
    if last is None or last.aperture is None or last.beam is None or last.core is None or not last.sign_known:
        return None
    if hints.start_aperture is not None or hints.start_beam is not None or last.background is None:
        return None
    contrast = last.core - last.background
    if not contrast > 0 or last.kind not in FOLLOWED:
        return None
    edges = [np.array([e.x, e.y, e.radius, e.e1, e.e2, max(e.width, 0.4)]) for e in (last.aperture, last.beam)]
    with np.errstate(all="ignore"):
        pair = fine(first.pixels, first.reduced, first.noise, edges[0], edges[1], contrast, placed=True)
        if pair is None or quality(pair) > GOOD or not resolved(pair):
            return None
        # Roles are the last frame's while both radii are.
        judged = judge_pair(pair, True, first, frame, hints)
    if judged is None or judged.scene.kind is not last.kind or not _like(judged.scene, last):
        return None
    return judged.scene


def _like(scene: Scene, last: Scene) -> bool:
    """Whether both discs have kept their sizes and their edges still show about as far round."""
    pairs = ((scene.aperture, last.aperture), (scene.beam, last.beam))
    return all(
        a is not None and b is not None and abs(a.radius - b.radius) < 0.03 * b.radius and a.seen > 0.7 * b.seen
        for a, b in pairs
    )


def _at_least(noise: Noise, contrast: float) -> Noise:
    """The noise, or what a drawn or computed picture without any is given so that residuals have a scale."""
    floor = (NOISELESS * contrast) ** 2
    if noise.variance(noise.bias + contrast) >= floor:
        return noise
    return replace(noise, read_variance=max(noise.read_variance, floor))


def _tame(pixels: NDArray[Any]) -> NDArray[Any]:
    """Float pictures whose levels would overflow when squared, scaled down."""
    top = float(np.nanmax(np.abs(pixels))) if pixels.size else 0.0
    return pixels / top if np.isfinite(top) and (top > 1e30 or 0 < top < 1e-30) else pixels


def _looks_inverted(image: Array) -> bool:
    """Whether the picture is bright all round and dark in a compact region inside."""
    # The very border may be a window's frame; some way inside, only an inverted picture is bright all round.
    k = max(2, round(0.06 * min(image.shape)))
    inner = image[k : image.shape[0] - k, k : image.shape[1] - k]
    border = np.concatenate([edge for part in (image, inner) for edge in (part[0], part[-1], part[:, 0], part[:, -1])])
    border = border[np.isfinite(border)]
    finite = image[np.isfinite(image)]
    low, high = np.quantile(finite, [0.01, 0.99])
    if not high > low:
        return False
    edge = np.quantile(border, 0.1)
    return bool(edge > low + 0.75 * (high - low) and np.mean(finite < low + 0.5 * (high - low)) > 0.002)


def _window(rough: Rough, shape: tuple[int, ...]) -> tuple[int, int, int, int] | None:
    """(left, top, right, bottom) around a small lit region, or ``None`` when it is not small."""
    blocks_y, blocks_x = rough.grid
    radius = float(np.sqrt(max(rough.lit_share * blocks_x * blocks_y, 1.0) / np.pi))
    size = max(1, round(min(shape) / min(blocks_x, blocks_y)))
    half = int(max(6.0 * radius * size, 24))
    if size == 1 or 2 * half > 0.6 * min(shape):
        return None
    x, y = int(rough.center[0] * size), int(rough.center[1] * size)
    return max(x - half, 0), max(y - half, 0), min(x + half, shape[1]), min(y + half, shape[0])


def _shifted(hints: Hints, origin: tuple[int, int]) -> Hints:
    """Hints in the coordinates of a part of the picture."""
    if origin == (0, 0):
        return hints

    def move(edge: Edge | None) -> Edge | None:
        return None if edge is None else replace(edge, x=edge.x - origin[0], y=edge.y - origin[1])

    previous = hints.previous
    if previous is not None:
        previous = replace(previous, aperture=move(previous.aperture), beam=move(previous.beam))
    return replace(
        hints,
        aperture=move(hints.aperture),
        start_aperture=move(hints.start_aperture),
        start_beam=move(hints.start_beam),
        previous=previous,
    )


def _inside(frame: Frame, hints: Hints) -> tuple[NDArray[Any], tuple[int, int]]:
    """The part of a frame to look at, and its first column and row: the user's region, or all within a drawn border."""
    pixels = frame.pixels
    if hints.region is None:
        left, top, right, bottom = border_depths(pixels, lossy=frame.lossy)
        rows, columns = pixels.shape
        return pixels[top : rows - bottom, left : columns - right], (left, top)
    at = hints.region
    rows, columns = pixels.shape
    x0, y0 = int(np.clip(np.ceil(at[0]), 0, columns)), int(np.clip(np.ceil(at[1]), 0, rows))
    x1, y1 = int(np.clip(np.floor(at[2]) + 1, x0, columns)), int(np.clip(np.floor(at[3]) + 1, y0, rows))
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
    faint_and_wide = contrast > 6 * sigma and contrast * np.sqrt(area) > 120 * sigma
    return bool(faint_and_wide or (contrast > 8 * sigma and contrast * np.sqrt(area) > 40 * sigma))


def _light_elsewhere(scene: Scene, origin: tuple[int, int], pixels: NDArray[Any]) -> bool:
    """Whether bright light lies about an aperture that was found in a small part of the picture: a ring, other spots."""
    edge = scene.aperture
    if edge is None or scene.core is None or scene.background is None:
        return False
    reduced = reduce_picture(pixels)
    x, y = reduced.centers()
    away = np.hypot(x[None, :] - edge.x - origin[0], y[:, None] - edge.y - origin[1]) > AROUND_IT * edge.radius
    bright = reduced.mean > scene.background + ELSEWHERE * (scene.core - scene.background)
    return bool(np.mean(bright[away & np.isfinite(reduced.mean)]) > A_FEW) if away.any() else False


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """One reading of the picture.

    Attributes:
        judged: its scene; ``None`` when its edges do not stand.
        worth: how badly it explains the picture (smaller is better), see :func:`apertrue.locate.solve.shortfall`.
        solution: its fit.
    """

    judged: Judged | None
    worth: float
    solution: Solution


def _best(first: Look, frame: Frame, hints: Hints, *, fresh: bool = True) -> Judged:
    """The reading that explains the picture.

    Without one: the same without hot pixels and dead lines (``fresh``: if that was not done yet); with an uneven dark
    level allowed for; then without what lies in the way; then a single edge.
    """
    assert first.rough is not None
    tried = _readings(first, frame, hints)
    chosen = _chosen(tried)
    if chosen is not None and _is_told(chosen.scene):
        return chosen
    smooth = without_spikes(first) if fresh else None
    if smooth is not None:
        again = _best(smooth, frame, hints, fresh=False)
        if chosen is None or again.scene.covariance is not None:
            return again
    contrast = first.rough.bright - first.rough.dark
    uneven = dark_unevenness(first.reduced, first.noise, contrast)
    if uneven > 0 and first.noise.unevenness == 0:
        noise = replace(first.noise, unevenness=uneven)
        rough = look(first.reduced, block_sigma(noise, first.reduced))
        if rough is not None:
            again = _best(replace(first, noise=noise, rough=rough), frame, hints, fresh=fresh)
            if chosen is None or again.scene.covariance is not None:
                return again
    single = None if chosen is not None else _single(first, contrast)
    bases = [min(tried, key=lambda c: c.worth).solution] if tried else []
    if single is not None:
        bases.append(single)
    for base in bases:
        clear = without_shadow(first, base)
        if clear is None:
            continue
        seen = _chosen(_readings(clear, frame, hints, base))
        if seen is not None and seen.scene.covariance is not None and seen.scene.sign_known:
            return seen
    return chosen or judge_single(single, first, hints)


def _is_told(scene: Scene) -> bool:
    """Whether a scene says all that can be said: numbers, or why the light itself allows none."""
    return scene.covariance is not None or scene.kind is SceneKind.OTHER_VIEW or "afterglow" in scene.flags


def _chosen(tried: list[Candidate]) -> Judged | None:
    """The reading to give: of those that stand and explain the picture about as well, one that knows whose edge is whose."""
    if not tried:
        return None
    best = min(c.worth for c in tried)
    stood = [c.judged for c in sorted(tried, key=lambda c: c.worth) if c.worth < max(RIVAL * best, SLIGHT)]
    readings = [judged for judged in stood if judged is not None]
    return min(readings, key=lambda judged: not judged.scene.sign_known, default=None)


def _readings(first: Look, frame: Frame, hints: Hints, base: Solution | None = None) -> list[Candidate]:
    """The likely readings of the picture with two edges, until one explains it.

    ``base``: a fit to the picture before something was taken out of it, whose edges are tried first.
    """
    assert first.rough is not None
    contrast = first.rough.bright - first.rough.dark
    guided = _guided(first, hints)
    tried: list[Candidate] = []
    seen: list[Solution] = []
    doubtful = 0
    again = [] if base is None else _start_of(base, first.reduced)
    for start in guided or itertools.chain(again, starts(first.rough)):
        solution = coarse(first.reduced, first.noise, start, contrast)
        if solution is None:
            continue
        if not guided:
            solution = _called_rightly(solution, first, contrast)
        badly = misfit(solution.fit, first.reduced, first.noise, contrast)
        if badly > HOPELESS:
            continue
        if any(same_place(solution, other) for other in seen):
            continue
        if len(seen) == MOST_TRIED or doubtful == MOST_DOUBTFUL:
            break  # most pictures of other things end here
        seen.append(solution)
        pair = _fine(first, solution, contrast)
        doubtful += badly > DOUBTFUL
        if pair is None:
            continue
        pair, sure = _whose(pair, first.noise, contrast, hints)
        pair = enriched(pair, first.noise, contrast)
        lacking = None
        if not resolved(pair, BESIDE):
            settled = settle(pair, first.noise, contrast)
            pair, lacking = settled.solution, settled.lacking
        if not guided:
            sharper = _sharper(pair, first, contrast)
            if sharper is not pair:
                pair, lacking = sharper, None
        judged = judge_pair(pair, sure, first, frame, hints, lacking)
        if judged is not None and not guided and not resolved(pair, NEAR) and not _needed(pair, first.noise, contrast):
            judged = None
        worth = shortfall(pair, contrast)
        if judged is not None:
            judged = Judged(replace(judged.scene, extra={**judged.scene.extra, "shortfall": worth}))
        tried.append(Candidate(judged if worth < WORST else None, worth, pair))
        if quality(pair) < GOOD or (judged is not None and worth < SLIGHT):
            break
    return tried


def _needed(pair: Solution, noise: Noise, contrast: float) -> bool:
    """Whether two unresolved edges explain the picture much better than one does."""
    if _is_penumbra(pair):
        return False
    if quality(pair) > (FAIR if resolved(pair) and not _is_tail(pair) else SNUG):
        return False  # what the pair itself leaves unexplained may be all that a second edge seemed to explain
    alone = min((s for s in lone(pair, noise, contrast)), key=lambda s: robust_sum(s.fit))
    if not resolved(pair, TOUCHING) and quality(alone) < NOT_ONE:
        return False
    return robust_sum(alone.fit) - robust_sum(pair.fit) > max(NEEDED, 0.05 * len(pair.cells))


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
    alike = apart < CONCENTRIC * abs(float(aperture[2] - beam[2]))
    return alike and outer > PENUMBRA * inner and not resolved(pair)


def _step_sizes(pair: Solution) -> tuple[float, float]:
    """The aperture's and the beam's step where they are high, gray levels."""
    outer, inner = (float(np.quantile(np.abs(step_heights(pair.fit, name)), 0.75)) for name in ("aperture", "beam"))
    return outer, inner


def _called_rightly(solution: Solution, first: Look, contrast: float) -> Solution:
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


def _whose(pair: Solution, noise: Noise, contrast: float, hints: Hints) -> tuple[Solution, bool]:
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


def _sharper(pair: Solution, first: Look, contrast: float) -> Solution:
    """The pair, or a better one whose aperture edge is about as sharp as the beam's and lies farther out.

    A faint halo that fades can be taken for a very soft edge, or shift a sharp one inward; the true one beyond it then
    goes unseen.
    """
    fit = pair.fit
    assert fit.aperture is not None
    assert fit.beam is not None
    if tightest_gap(fit.aperture, fit.beam) < 0:
        return pair
    tries: tuple[float, ...] = ()
    if fit.aperture[5] >= SOFTER * fit.beam[5]:
        tries = FARTHER_OUT
    elif quality(pair) < UNLIKE and robust_mean(fit, pair.cells.owner == 0) > NOT_NOISE:
        tries = FARTHER_OUT[:1]
    best = pair
    for grown in tries:
        start = np.array([*fit.aperture[:2], fit.aperture[2] * grown, 0.0, 0.0, 1.5 * fit.beam[5]])
        other = fine(first.pixels, first.reduced, first.noise, start, fit.beam, contrast)
        if other is None or other.fit.aperture is None or other.fit.aperture[5] > 0.6 * fit.aperture[5]:
            continue
        if per_cell(other) < per_cell(best) - 10.0 / len(best.cells):
            best = other
    return best


def _single(first: Look, contrast: float) -> Solution | None:
    """One edge alone."""
    assert first.rough is not None
    if not first.rough.outline:
        return None
    solution = coarse(first.reduced, first.noise, Start(None, first.rough.outline[0][0]), contrast)
    return None if solution is None else _fine(first, solution, contrast)


def _gap(pair: Solution) -> float:
    """Smallest distance from the beam's edge inward to the aperture's, aperture radii."""
    fit = pair.fit
    assert fit.aperture is not None
    assert fit.beam is not None
    return tightest_gap(fit.aperture, fit.beam)


def _start_of(base: Solution, reduced: Reduced) -> list[Start]:
    """A fit's two edges as a start, in block units; none when it has but one."""
    aperture, beam = base.fit.aperture, base.fit.beam
    if aperture is None or beam is None:
        return []
    return [Start(_in_blocks(aperture, reduced.size), _in_blocks(beam, reduced.size))]


def _in_blocks(edge: Sequence[float] | Array, size: int) -> Array:
    """An edge's place, radius and ellipticity in units of blocks."""
    half = (size - 1) / 2
    return np.array([(edge[0] - half) / size, (edge[1] - half) / size, edge[2] / size, edge[3], edge[4]])


def _guided(first: Look, hints: Hints) -> list[Start]:
    """Start values from the user, in block units.

    The last frame's edges are none: where they can't be followed, the picture must show its edges by itself.
    """
    aperture, beam = hints.start_aperture, hints.start_beam
    if aperture is None and beam is None:
        return []

    def blocks(edge: Edge) -> Array:
        return _in_blocks((edge.x, edge.y, edge.radius, edge.e1, edge.e2), first.reduced.size)

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
