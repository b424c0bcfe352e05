"""Step 3a: whose edge is it? Start values for the joint fit from rough ellipses."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance
from .find import Rough
from .shapes import fit_ellipse

Array = NDArray[np.float64]


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
    if surround is not None and share > 0.85:
        yield surround
    if second is not None and second[1] >= 0.08 and _crosses(main, second[0]):
        yield from _two_arcs(rough, main, second[0])
    if surround is not None:
        yield surround
    alone = second is None or second[1] < 0.15
    grown = main.copy()
    grown[2] *= 1.06
    if alone:
        yield Start(grown, main, guess=True)
    # Both arcs may have been taken together as one ellipse, and a stretch of them as the second.
    arcs = split_lens(rough, main)
    if arcs is not None:
        yield from _two_arcs(rough, *arcs)
    if alone:
        yield Start(main, grown, guess=True)


def _close(a: Array | None, b: Array | None) -> bool:
    if a is None or b is None:
        return a is b
    return bool(np.hypot(a[0] - b[0], a[1] - b[1]) + abs(a[2] - b[2]) < 0.015 * a[2])


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


def split_lens(rough: Rough, ellipse: Array) -> tuple[Array, Array] | None:
    """Two circles whose common part has the boundary's shape, if they explain it better than one ellipse does."""
    points = rough.rays.points(rough.inner.radius)
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) < 24:
        return None
    u = distance(points[:, 0], points[:, 1], ellipse)
    near = np.abs(u) < max(2.0, 0.08 * ellipse[2])
    points = points[near]
    if len(points) < 24:
        return None
    one = float(np.sqrt(np.mean(u[near] ** 2)))
    minor = 0.5 * np.arctan2(ellipse[4], ellipse[3]) + np.pi / 2
    best: tuple[float, Array, Array] | None = None
    for shift in (0.06, 0.2):
        for k in range(4):
            phi = minor + k * np.pi / 4
            d = shift * ellipse[2] * np.array([np.cos(phi), np.sin(phi)])
            a = np.array([ellipse[0] + d[0], ellipse[1] + d[1], ellipse[2] * (1 + shift / 2), 0.0, 0.0])
            b = np.array([ellipse[0] - d[0], ellipse[1] - d[1], ellipse[2] * (1 + shift / 2), 0.0, 0.0])
            result = _alternate(points, a, b)
            if result is not None and (best is None or result[0] < best[0]):
                best = result
    if best is None or best[0] > 0.8 * one:
        return None
    return best[1], best[2]


def _alternate(points: Array, a: Array, b: Array) -> tuple[float, Array, Array] | None:
    """Assign each boundary point to the circle it is nearer to, refit, repeat."""
    for _ in range(8):
        ua = distance(points[:, 0], points[:, 1], a)
        ub = distance(points[:, 0], points[:, 1], b)
        on_a = np.abs(ua) < np.abs(ub)
        if on_a.sum() < 6 or (~on_a).sum() < 6:
            return None
        new_a = fit_ellipse(points[on_a], a, 0.3, prior=0.01)
        new_b = fit_ellipse(points[~on_a], b, 0.3, prior=0.01)
        if new_a is None or new_b is None or max(new_a[2], new_b[2]) > 3 * min(a[2], b[2]):
            return None
        a, b = new_a, new_b
    ua = distance(points[:, 0], points[:, 1], a)
    ub = distance(points[:, 0], points[:, 1], b)
    return float(np.sqrt(np.mean(np.minimum(np.abs(ua), np.abs(ub)) ** 2))), a, b
