"""The steps in their order, on the whole picture or the part of it that is to be looked at."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..registry import SceneKind
from ..scene import Edge, Hints, Noise, Scene
from .classify import judge_pair, resolved
from .dead import without_dead_part
from .elsewhere import light_elsewhere, others_elsewhere, twin_elsewhere
from .find import Look, Rough, block_sigma, edge_beyond, look
from .flags import plain_flags
from .inverted import looks_inverted, may_be_inverted, turned
from .marks import border_depths, drawn_strokes, outshine, without
from .noise import estimate_noise
from .parts import AROUND, contains, disc_alone, lit_window, moved, part_about, shifted
from .readings import best_reading
from .reduce import LEAST_BLOCKS, LEAST_SIDE, Reduced, exceeding, levels_of, reduce_picture
from .shapes import in_blocks
from .solution import GOOD, quality
from .solve import fine
from .viewport import viewport, window_seen

Array = NDArray[np.float64]

#: Kinds after which a closer look at a small lit region may tell more.
UNREAD = (SceneKind.OTHER_VIEW, SceneKind.ONE_EDGE, SceneKind.DARK)
#: Kinds whose edges are followed from frame to frame.
FOLLOWED = (SceneKind.BOTH_EDGES, SceneKind.CLIPPED)
#: Share of the directions in which the core's boundary must follow one ellipse or two (a lens), how far around it (radii) to
#: look at it alone, and the most of the picture that this may be.
ROUND_ABOUT, REACHES, MOST_OF_IT = 0.75, (1.5, 2.1), 0.8
#: Share of them in which the edge of what surrounds the core must show to be looked at as the aperture's.
SURROUND = 0.3
#: A reading that explains the picture worse than the first is doubted so; what is found instead must be better than the second.
WELL_SEEN, EXPLAINED = 0.5, 1.0
#: … and when two parts of the picture show the same edges, to this share of their radii, no worse than this.
AGREED, SLIP = 2.0, 0.01
#: An edge that was found beforehand and measured then is the same when its radius is, to this share.
SAME = 0.05
#: The edge of a lens, taken for one edge, is its aperture's to this share of its radius.
NEARLY = 0.15
#: An edge within the beam's that is smaller than this share of it may be a beam's own.
DEEPER = 0.9
#: … and one wider than this share of its radius is none.
NO_EDGE = 0.25
#: A nearer edge that shows over less than this share of what the aperture's shows over is none.
AS_SEEN = 0.7
#: A core less noisy than this share of the contrast belongs to a picture that no camera took.
NOISELESS = 0.004


def locate_frame(frame: Frame, hints: Hints) -> Scene:
    """See :func:`apertrue.locate.locate`."""
    scene = _read(frame, hints)
    if scene.kind not in UNREAD or hints.region is not None:
        return scene
    view = viewport(frame.pixels, lossy=frame.lossy)
    if view is None:
        return scene
    left, top, right, bottom = view
    shown = replace(frame, pixels=frame.pixels[top:bottom, left:right])
    inside = _read(shown, shifted(hints, (left, top)), drawn=True)
    return scene if inside.kind in UNREAD else moved(inside, (left, top), frame.shape)


def _read(frame: Frame, hints: Hints, *, drawn: bool = False) -> Scene:
    """The scene of a frame without its border, text and dead parts. ``drawn``: marks were cut off already."""
    pixels, origin = _inside(frame, hints)
    drawn = drawn or (hints.region is None and (pixels.shape != frame.shape or window_seen(frame.pixels)))
    if pixels.dtype.kind == "f":
        pixels = _tame(pixels)
    pixels = without_dead_part(pixels)
    strokes = drawn_strokes(pixels, lossy=frame.lossy)
    hints = shifted(hints, origin)

    def looked_at(clear: bool) -> Scene:
        if strokes is None or not clear:
            return _looked_at(pixels, frame, hints, drawn)
        return _looked_at(without(pixels, strokes), frame, hints, True)

    # Text no brighter than the beam is few pixels, which no fit lets count; a beam's sharp bright rim is no stroke.
    clear = strokes is not None and outshine(pixels, strokes)
    scene = looked_at(clear)
    if scene.kind in UNREAD and strokes is not None:
        again = looked_at(not clear)
        scene = scene if again.kind in UNREAD else again
    return moved(scene, origin, frame.shape)


def _looked_at(pixels: NDArray[Any], frame: Frame, hints: Hints, drawn: bool) -> Scene:
    """The scene of a picture as a whole, then of a part of it."""
    scene, rough = _locate_in(pixels, frame, hints, drawn)
    if rough is not None and hints.region is None:
        scene = _closer(scene, rough, pixels, frame, hints, drawn)
    if scene.kind in UNREAD and may_be_inverted(pixels):
        again, _ = _locate_in(*turned(pixels, frame), hints, drawn)
        scene = scene if again.kind in UNREAD else again
    return scene


def _closer(scene: Scene, rough: Rough, pixels: NDArray[Any], frame: Frame, hints: Hints, drawn: bool) -> Scene:
    """The scene, or what a part of the picture tells where the whole tells nothing, or is badly explained."""
    if scene.kind in UNREAD:
        window = lit_window(rough, pixels.shape)
        if window is not None:  # small discs in a large picture
            left, top, right, bottom = window
            closer, _ = _locate_in(pixels[top:bottom, left:right], frame, shifted(hints, (left, top)), drawn)
            if closer.kind not in UNREAD and not light_elsewhere(moved(closer, (left, top), scene.shape), pixels):
                return moved(closer, (left, top), scene.shape)
    if "nearer_radius" in scene.extra:
        return _of_nearer_edge(scene, pixels, frame, hints, drawn)
    if "inner" in scene.extra and scene.beam is not None and _reads_within(scene.beam, pixels, frame, hints, drawn):
        return _without_numbers(scene)
    worth = np.inf if scene.kind in UNREAD else float(scene.extra.get("shortfall", 0.0))
    if worth <= WELL_SEEN and not frame.photograph:
        return scene
    return _within(scene, pixels, rough, frame, hints, drawn, worth) or scene


def _within(
    whole: Scene,
    pixels: NDArray[Any],
    rough: Rough,
    frame: Frame,
    hints: Hints,
    drawn: bool,
    worth: float,
) -> Scene | None:
    """The scene around the core alone, in the whole picture's coordinates.

    ``None`` when that tells no more, or explains its part of the picture no better than what explained the whole
    (``worth``, see :func:`apertrue.locate.solution.shortfall`). When both have three edges between them (:func:`_holds`), the
    numbers of the ``whole`` are of the wrong two.

    A third edge farther out, of the screen in a room's light, of a monitor or of a panel, is in no reading with two.
    """
    if sum(share for _, share in rough.outline[:2]) < ROUND_ABOUT:
        return None
    size = max(1, round(min(pixels.shape) / min(rough.grid)))

    def judged(part: NDArray[Any], corner: tuple[int, int]) -> Scene | None:
        scene, _ = _locate_in(part, frame, shifted(hints, corner), drawn)
        both = scene.covariance is not None and scene.sign_known and scene.kind in FOLLOWED
        return moved(scene, corner, scene.shape) if both else None

    def around(edge: Edge, reach: float) -> Scene | None:
        part, corner = part_about(pixels, edge, reach)
        return judged(part, corner) if part.size <= MOST_OF_IT * pixels.size else None

    def better(scene: Scene | None, before: Scene | None = None) -> Scene | None:
        if scene is None or scene.aperture is None or not contains(pixels, scene.aperture):
            return None
        most = EXPLAINED if before is None or not _agree(scene, before) else AGREED
        if not _holds(whole, scene):
            most = min(most, 0.25 * worth)
        elif not frame.photograph:
            most = min(most, worth)
        explains = float(scene.extra.get("shortfall", np.inf)) < most
        return scene if explains and not others_elsewhere(scene, pixels) else None

    def alone(edge: Edge) -> Scene | None:
        """The scene with nothing else around an aperture than its edge needs, when that confirms it."""
        scene = better(judged(*disc_alone(pixels, edge)))
        if scene is None or scene.aperture is None or abs(scene.aperture.radius - edge.radius) > SAME * edge.radius:
            return None
        if frame.photograph:  # it shows the screen's rim
            return scene
        a, reduced = scene.aperture, reduce_picture(pixels)
        found = in_blocks((a.x, a.y, a.radius, a.e1, a.e2), reduced.size)
        sigma = 0.0 if scene.noise is None else block_sigma(scene.noise, reduced)
        return None if edge_beyond(reduced, found, sigma) else scene

    if rough.surround is not None and rough.surround[1] > SURROUND:
        x, y, radius, e1, e2 = (float(v) for v in rough.surround[0][:5])
        scene = alone(Edge((x + 0.5) * size, (y + 0.5) * size, radius * size, e1, e2))
        if scene is not None:
            return scene
    core = Edge((rough.center[0] + 0.5) * size, (rough.center[1] + 0.5) * size, float(rough.outline[0][0][2]) * size)
    third = False
    for reach in REACHES:
        scene = around(core, reach)
        if scene is None or scene.aperture is None:
            continue
        third |= _holds(whole, scene)
        # Once more with little around the aperture, then with nothing else.
        scene = better(around(scene.aperture, AROUND), scene) or alone(scene.aperture)
        if scene is not None:
            return scene
    return _without_numbers(whole) if third else None


def _without_numbers(scene: Scene) -> Scene:
    """The scene when its numbers may be of the wrong edges."""
    return replace(scene, covariance=None, why=(*scene.why, "not-measured"))


def _agree(one: Scene, other: Scene) -> bool:
    """Whether two scenes in the same coordinates have the same edges."""
    return all(
        a is not None
        and b is not None
        and float(np.hypot(np.hypot(a.x - b.x, a.y - b.y), a.radius - b.radius)) < SLIP * b.radius
        for a, b in ((one.aperture, other.aperture), (one.beam, other.beam))
    )


def _holds(whole: Scene, inner: Scene) -> bool:
    """Whether a scene and that of a part of it have three edges between them.

    What the first has for its beam's edge is an aperture's there, with a beam's own edge in it; or the beam's edge is the
    same, and the aperture's lies nearer. Not when both have the same two.
    """
    beam, aperture = whole.beam, inner.aperture
    if whole.covariance is None or whole.aperture is None or beam is None or aperture is None or inner.beam is None:
        return False
    if inner.beam.width > NO_EDGE * inner.beam.radius or _agree(inner, whole):
        return False
    nearer = aperture.radius < (1.0 - NEARLY) * whole.aperture.radius and aperture.seen > AS_SEEN * whole.aperture.seen
    return _near(aperture, beam) or (_near(inner.beam, beam) and nearer)


def _near(one: Edge, other: Edge) -> bool:
    """Whether two edges are about the same."""
    apart = float(np.hypot(one.x - other.x, one.y - other.y))
    return max(apart, abs(one.radius - other.radius)) < NEARLY * other.radius


def _of_nearer_edge(scene: Scene, pixels: NDArray[Any], frame: Frame, hints: Hints, drawn: bool) -> Scene:
    """The scene within a round edge nearer than what was taken for the aperture's; without numbers when that is not read."""
    nearer = Edge(*(scene.extra[f"nearer_{k}"] for k in ("x", "y", "radius")))
    part, corner = part_about(pixels, nearer, AROUND)
    closer, _ = _locate_in(part, frame, shifted(hints, corner), drawn)
    aperture = closer.aperture
    if aperture is not None and closer.covariance is not None and "nearer_radius" not in closer.extra:
        found = moved(closer, corner, scene.shape)
        if abs(aperture.radius - nearer.radius) < SAME * nearer.radius and contains(part, aperture):
            return found
    return _without_numbers(scene)


def _reads_within(beam: Edge, pixels: NDArray[Any], frame: Frame, hints: Hints, drawn: bool) -> bool:
    """Whether what was taken for the beam's edge is as well an aperture's, with a beam of its own within it."""
    part, corner = disc_alone(pixels, beam)  # what lies farther out is the other edge's
    inner, _ = _locate_in(part, frame, shifted(hints, corner), drawn)
    aperture = inner.aperture
    if aperture is None or inner.beam is None or inner.covariance is None or inner.kind not in FOLLOWED:
        return False
    deeper = inner.beam.radius < DEEPER * aperture.radius  # nearer to the edge lie its fringes
    deeper &= inner.beam.width < NO_EDGE * inner.beam.radius  # a bright middle is a beam's own light
    return deeper and abs(aperture.radius - beam.radius) < SAME * beam.radius


def _locate_in(pixels: NDArray[Any], frame: Frame, hints: Hints, drawn: bool) -> tuple[Scene, Rough | None]:
    shape = (int(pixels.shape[0]), int(pixels.shape[1]))
    unknown = Scene(SceneKind.OTHER_VIEW, 0.5, shape, why=("not-this-view",))
    if min(shape) < LEAST_SIDE:
        return unknown, None
    reduced = reduce_picture(pixels)
    levels = levels_of(reduced)
    if levels.size < LEAST_BLOCKS:
        return unknown, None
    if looks_inverted(reduced.mean, levels):
        pixels, frame = turned(pixels, frame)
        reduced = reduce_picture(pixels)
        levels = levels_of(reduced)
    low, high = exceeding(levels, 0.02), float(levels[-1])
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
        scene = best_reading(first, frame, hints).scene
    if scene.covariance is not None and scene.kind in FOLLOWED and twin_elsewhere(scene, reduced):
        scene = replace(unknown, background=scene.background, noise=noise)
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


def _lit(rough: Rough, noise: Noise, reduced: Reduced) -> bool:
    """Whether the picture holds more than noise."""
    sigma = block_sigma(noise, reduced)
    area = max(rough.lit_share * reduced.mean.size, 1.0)
    # The brightest of many equal blocks stands about 4σ above; a lit region also has an extent.
    contrast = rough.bright - rough.dark
    faint_and_wide = contrast > 6 * sigma and contrast * np.sqrt(area) > 120 * sigma
    return bool(faint_and_wide or (contrast > 8 * sigma and contrast * np.sqrt(area) > 40 * sigma))
