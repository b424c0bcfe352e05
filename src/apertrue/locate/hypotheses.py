"""Step 3a: whose edge is it? Start values for the joint fit from rough ellipses."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from .find import Rough
from .plateau import plateau_end
from .shapes import alike, circle_by_vote, fit_ellipse

Array = NDArray[np.float64]

#: Rays that an arc must have to be one.
LEAST_ARC = 10
#: Two arcs whose common part leaves more than this share of the boundary unexplained were not told apart rightly.
MOST_LEFT = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """Start values of a fit, in block units; each edge (x, y, radius, e1, e2) or ``None``.

    Attributes:
        aperture, beam: the edges.
        guess: whether the second edge is only tried, and must show itself in the fit.
    """

    aperture: Array | None
    beam: Array | None
    guess: bool = False


def starts(rough: Rough) -> Iterator[Start]:
    """Start values worth trying, the likeliest first; the costlier ones are worked out only when asked for.

    Args:
        rough: the first look.
    """
    given: list[Start] = []
    for start in _starts(rough):
        if _close(start.aperture, start.beam):
            continue
        if not any(_close(start.aperture, o.aperture) and _close(start.beam, o.beam) for o in given):
            given.append(start)
            yield start


def _starts(rough: Rough) -> Iterator[Start]:
    if not rough.outline:
        return
    main, share = rough.outline[0]
    second = rough.outline[1] if len(rough.outline) > 1 else None
    surround = None
    if rough.surround is not None and (_encloses(rough.surround[0], main) or share > 0.85):
        surround = Start(rough.surround[0], main)
    if rough.within is not None and _encloses(main, rough.within[0]):
        yield Start(main, rough.within[0])
    if surround is not None and share > 0.85:
        yield surround
    pair = None if second is None or second[1] < 0.08 or not _crosses(main, second[0]) else (main, second[0])
    # Both arcs may have been taken together as one ellipse, and a stretch of them as the second.
    doubtful = pair is not None and _left_over(rough, *pair) > MOST_LEFT
    if doubtful:
        yield from _split_arcs(rough, main)
    if pair is not None:
        yield from _two_arcs(rough, *pair)
    if surround is not None:
        yield surround
    within = arc_within(rough)
    if within is not None:
        yield within
    alone = second is None or second[1] < 0.15
    grown = main.copy()
    grown[2] *= 1.06
    if alone:
        beyond = plateau_end(rough.rays, rough.inner.radius, float(main[2]), rough.dark)
        if beyond is not None:
            yield Start(np.array([*main[:2], main[2] + beyond, *main[3:]]), main)
        yield Start(grown, main, guess=True)
    if not doubtful:
        yield from _split_arcs(rough, main)
    if alone:
        yield Start(main, grown, guess=True)


def _split_arcs(rough: Rough, ellipse: Array) -> list[Start]:
    arcs = split_lens(rough, ellipse)
    return [] if arcs is None else _two_arcs(rough, *arcs)


def _boundary(rough: Rough) -> Array:
    """The core's boundary where rays found it, shape (n, 2), blocks."""
    points = rough.rays.points(rough.inner.radius)
    return np.asarray(points[np.isfinite(points).all(axis=1)])


def _left_over(rough: Rough, a: Array, b: Array) -> float:
    """Share of the boundary's rays that the common part of two discs does not explain."""
    points = _boundary(rough)
    miss = np.minimum(distance(points[:, 0], points[:, 1], a), distance(points[:, 0], points[:, 1], b))
    return float(np.mean(np.abs(miss) > max(1.0, 0.02 * a[2])))


def _close(a: Array | None, b: Array | None) -> bool:
    if a is None or b is None:
        return a is b
    return alike(b, a, 0.015)


def _crosses(a: Array, b: Array) -> bool:
    d = float(np.hypot(a[0] - b[0], a[1] - b[1]))
    return bool(abs(a[2] - b[2]) * 0.9 < d + 0.08 * max(a[2], b[2]) and d < a[2] + b[2])


def _encloses(outer: Array, inner: Array) -> bool:
    return bool(np.hypot(outer[0] - inner[0], outer[1] - inner[1]) + 0.9 * inner[2] < 1.05 * outer[2])


def _two_arcs(rough: Rough, a: Array, b: Array) -> list[Start]:
    """Both orders of two arcs; the one beyond which more light is left is the beam's."""
    points = rough.rays.points(rough.inner.radius)
    da = np.abs(distance(points[:, 0], points[:, 1], a))
    db = np.abs(distance(points[:, 0], points[:, 1], b))
    beyond = rough.inner.outside - rough.dark
    tolerance = max(1.0, 0.02 * a[2])
    on_a, on_b = (da < db) & (da < tolerance), (db < da) & (db < tolerance)
    clear_a, clear_b = on_a & (db > 4), on_b & (da > 4)
    ok = np.isfinite(beyond)
    pick_a = clear_a & ok if (clear_a & ok).sum() >= 3 else on_a & ok
    pick_b = clear_b & ok if (clear_b & ok).sum() >= 3 else on_b & ok
    if not pick_a.any() or not pick_b.any():
        return [Start(a, b), Start(b, a)]
    level_a, level_b = float(np.median(beyond[pick_a])), float(np.median(beyond[pick_b]))
    first_is_beam = level_a > level_b
    order = [Start(b, a), Start(a, b)]
    return order if first_is_beam else order[::-1]


def arc_within(rough: Rough) -> Start | None:
    """The surround's ellipse, and a circle through that part of the core's boundary that lies well inside it.

    Where the core touches the surround its boundary is the aperture's edge, which one ellipse through both arcs follows.
    """
    if rough.surround is None:
        return None
    outer = rough.surround[0]
    points = _boundary(rough)
    inside = distance(points[:, 0], points[:, 1], outer)
    clear = inside > max(2.0, 0.04 * outer[2])
    touching = np.abs(inside) < max(1.5, 0.03 * outer[2])
    if clear.sum() < LEAST_ARC or touching.sum() < LEAST_ARC:
        return None
    tolerance = max(0.4, 0.01 * outer[2])
    voted = circle_by_vote(points[clear], np.ones(int(clear.sum())), 2 * tolerance)
    beam = None if voted is None else fit_ellipse(points[clear], voted[0], tolerance, prior=0.01)
    return None if beam is None else Start(outer, beam)


def split_lens(rough: Rough, ellipse: Array) -> tuple[Array, Array] | None:
    """Two circles whose common part has the boundary's shape, if they explain it better than one ellipse does."""
    points = _boundary(rough)
    if len(points) < 24:
        return None
    u = distance(points[:, 0], points[:, 1], ellipse)
    near = np.abs(u) < max(2.0, 0.2 * ellipse[2])
    points = points[near]
    if len(points) < 24:
        return None
    one = float(np.sqrt(np.mean(u[near] ** 2)))
    minor = 0.5 * np.arctan2(ellipse[4], ellipse[3]) + np.pi / 2
    seeds = [(ellipse, other) for other, _ in rough.outline[1:2]]
    for shift in (0.06, 0.2):
        for k in range(4):
            phi = minor + k * np.pi / 4
            d = shift * ellipse[2] * np.array([np.cos(phi), np.sin(phi)])
            a, b = (
                np.array([ellipse[0] + s * d[0], ellipse[1] + s * d[1], ellipse[2] * (1 + shift / 2), 0.0, 0.0])
                for s in (1, -1)
            )
            seeds.append((a, b))
    results = [r for r in (_alternate(points, a, b) for a, b in seeds) if r is not None]
    best = min(results, key=lambda r: r[0], default=None)
    if best is None or best[0] > 0.8 * one:
        return None
    return best[1], best[2]


def _alternate(points: Array, a: Array, b: Array) -> tuple[float, Array, Array] | None:
    """Assign each boundary point to the circle it is nearer to, refit, repeat."""
    before = None
    for _ in range(8):
        ua = distance(points[:, 0], points[:, 1], a)
        ub = distance(points[:, 0], points[:, 1], b)
        on_a = ua < ub  # the common part ends where the first of both circles does
        if before is not None and np.array_equal(on_a, before):
            break
        before = on_a
        if on_a.sum() < 6 or (~on_a).sum() < 6:
            return None
        new_a = fit_ellipse(points[on_a], a, 0.3, prior=0.01)
        new_b = fit_ellipse(points[~on_a], b, 0.3, prior=0.01)
        if new_a is None or new_b is None or max(new_a[2], new_b[2]) > 3 * min(a[2], b[2]):
            return None
        a, b = new_a, new_b
    ua = distance(points[:, 0], points[:, 1], a)
    ub = distance(points[:, 0], points[:, 1], b)
    return float(np.sqrt(np.mean(np.minimum(ua, ub) ** 2))), a, b
