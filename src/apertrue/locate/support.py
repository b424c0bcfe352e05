"""Does the edge really stand there, all along? Each stretch of an edge is asked on its own for its step."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.edges import distance, step
from ..model.normal import cdf_pdf
from .cells import Cells
from .refine import Fit

Array = NDArray[np.float64]

SECTORS = 48
#: How far from an edge (in its widths) its stretches are looked at.
BAND = 4.5
#: How much a sector's floor may differ from the fit's, relative to its step (1σ).
FLOOR = 0.5
#: An edge is hidden where its step is less than this share of what its clearest quarter has, and another's step comes on top
#: where it is this many times the middle one.
HIDDEN, TOPPED = 0.02, 10.0
#: An edge with fewer confirmed sectors than this and no more than so many σ all round shows nowhere. (Of 282 readings that
#: were told in the end, none had less than 9 σ at first; in very dim frames a true edge may have.)
CONFIRMED, NOWHERE = 4, 4.0
#: An edge is plain to see where this share of the sectors in which it should show confirms it.
PLAIN = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class Support:
    """An edge in sectors of equal angle about its center, from +x toward +y (clockwise on the screen).

    Attributes:
        expected: the step that the fit has there, gray levels, shape (SECTORS,).
        found: the step that the sector's cells alone show, with the light's slope free; NaN where there are none.
        sigma: its 1σ.
        inside: whether the sector lies in the picture.
        steady: whether the step is about the same all over the sector (not where the edges cross).
        topped: whether the other edge's light comes on top of this one's (the beam's on the aperture's).
    """

    expected: Array
    found: Array
    sigma: Array
    inside: NDArray[np.bool_]
    steady: NDArray[np.bool_]
    topped: bool

    @property
    def visible(self) -> NDArray[np.bool_]:
        """Sectors whose step should stand out clearly."""
        return self.inside & self.steady & np.isfinite(self.found) & (self.expected > 4 * self.sigma)

    @property
    def height(self) -> float:
        """The step in the middle of what should be visible of it, gray levels; 0 when nothing should."""
        return float(np.median(self.expected[self.visible])) if self.visible.any() else 0.0

    @property
    def mean_height(self) -> float:
        """The step's mean over what lies in the picture, as the stretches themselves show it, gray levels."""
        found = self.found[self.inside & np.isfinite(self.found)]
        return float(found.mean()) if len(found) else 0.0

    @property
    def downward(self) -> float:
        """Share of the stretches in the picture at which the light falls outward, however little."""
        found = self.found[self.inside & np.isfinite(self.found)]
        return float(np.mean(found > 0)) if len(found) else 0.0

    @property
    def cut(self) -> float:
        """Share of the edge's lit part that lies outside the picture: lit by a share of the most, or enough to show."""
        known = self.sigma[np.isfinite(self.sigma)]
        shows = 4.0 * float(np.median(known)) if len(known) else np.inf
        lit = self.expected > min(HIDDEN * float(self.expected.max(initial=0.0)), shows)
        return float((lit & ~self.inside).sum()) / max(int(lit.sum()), 1)

    @property
    def confirmed(self) -> NDArray[np.bool_]:
        """Visible sectors that show about the step that the fit has."""
        low, high = 0.5 * self.expected - 3 * self.sigma, 1.7 * self.expected + 3 * self.sigma
        return self.visible & (self.found > low) & (self.found < high) & (self.found > 3 * self.sigma)

    @property
    def contradicted(self) -> NDArray[np.bool_]:
        """Visible sectors that do not."""
        return self.visible & ~self.confirmed

    @property
    def significance(self) -> float:
        """How many σ the step has over the whole edge, from the sectors' own values.

        Left out: sectors where the edge is hidden, and those where the other edge's much larger step comes on top.
        """
        return self.but(np.zeros(len(self.expected), dtype=bool))

    def but(self, left_out: NDArray[np.bool_]) -> float:
        """As ``significance``, without further sectors."""
        size = np.abs(self.expected)
        ok = np.isfinite(self.found) & (self.sigma > 0) & (size > HIDDEN * float(np.quantile(size, 0.75))) & ~left_out
        if self.topped:
            ok &= size < TOPPED * float(np.median(size))
        if not ok.any():
            return 0.0
        w = 1.0 / self.sigma[ok] ** 2
        return float((w * self.found[ok]).sum() / np.sqrt(w.sum()))


def edge_points(edge: Array, n: int = SECTORS) -> tuple[Array, Array]:
    """Points (x, y) on an elliptical edge in the middle of ``n`` sectors of its round angle, px."""
    t = (np.arange(n) + 0.5) * (2 * np.pi / n)
    e1, e2 = float(edge[3]), float(edge[4])
    k = 1.0 / np.sqrt(1 - e1 * e1 - e2 * e2)
    w1, w2 = edge[2] * np.cos(t), edge[2] * np.sin(t)
    # S⁻¹ for S = [[1 − e1, −e2], [−e2, 1 + e1]]/√(1 − e²), det S = 1
    return edge[0] + k * ((1 + e1) * w1 + e2 * w2), edge[1] + k * (e2 * w1 + (1 - e1) * w2)


def step_heights(fit: Fit, which: str, n: int = SECTORS) -> Array:
    """The light's step across an edge along its circumference, gray levels, shape (n,)."""
    edge = fit.aperture if which == "aperture" else fit.beam
    assert edge is not None
    x, y = edge_points(edge, n)
    nb, nh, np_ = fit.basis.counts
    _, halo, light = fit.basis.polynomials(x, y)
    beam_light = fit.linear[nb + nh : nb + nh + np_] @ light if fit.beam is not None else np.zeros(n)
    if which == "beam":
        inside = step(distance(x, y, fit.aperture), fit.aperture[5]) if fit.aperture is not None else 1.0
        return np.asarray(inside * beam_light)
    value = fit.linear[nb : nb + nh] @ halo if nh else np.zeros(n)
    if fit.beam is not None:
        value = value + step(distance(x, y, fit.beam), fit.beam[5]) * beam_light
    return np.asarray(value)


def support(fit: Fit, cells: Cells, which: str, shape: tuple[int, int]) -> Support:
    """Ask every sector of an edge for its own step.

    Args:
        fit: the joint fit.
        cells: the cells it was made on.
        which: ``aperture`` or ``beam``.
        shape: (rows, columns) of the picture in the fit's units.
    """
    edge = fit.aperture if which == "aperture" else fit.beam
    assert edge is not None
    at = cells.at
    x, y = (at.aperture_x, at.aperture_y) if which == "aperture" else (at.beam_x, at.beam_y)
    near = cells.near
    band = Band(x[near], y[near], (fit.z * fit.sigma)[near], fit.sigma[near])
    topped = which == "aperture" and fit.beam is not None
    return along(band, edge, step_heights(fit, which, 3 * SECTORS), shape, topped=topped)


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """Cells about an edge: where they are (px), what a fit leaves of them and their 1σ (gray levels), each of shape (n,)."""

    x: Array
    y: Array
    left: Array
    sigma: Array


def along(
    band: Band, edge: Array, heights: Array, shape: tuple[int, int], *, topped: bool = False, least: float = 0.0
) -> Support:
    """Ask every sector of an edge for its own step.

    Args:
        band: cells about the edge; those farther off than :data:`BAND` of its widths are left out.
        edge: its six parameters.
        heights: the step that the fit has, three to a sector, gray levels, shape (3·SECTORS,).
        shape: (rows, columns) of the picture.
        topped: whether another edge's light comes on top of this one's.
        least: step (gray levels) whose share the floor may differ by even where the fit has less.
    """
    fine = heights.reshape(SECTORS, 3)
    expected = fine[:, 1]
    around = np.concatenate([np.roll(fine, 1, axis=0), fine, np.roll(fine, -1, axis=0)], axis=1)[:, 2:7]
    steady = np.ptp(around, axis=1) < 0.3 * np.abs(expected)
    px, py = edge_points(edge)
    rows, columns = shape
    inside = (px >= -0.5) & (py >= -0.5) & (px <= columns - 0.5) & (py <= rows - 0.5)
    found = np.full(SECTORS, np.nan)
    sigma = np.full(SECTORS, np.inf)
    u = distance(band.x, band.y, edge)
    use = np.abs(u) < BAND * max(float(edge[5]), 0.5)
    u, left, own = u[use], band.left[use], band.sigma[use]
    if len(u) < 8:
        return Support(expected, found, sigma, inside, steady, topped)
    sector = sector_of(round_angle(band.x[use], band.y[use], edge))
    phi = step(u, edge[5])
    # What is left when all but this edge's own step is taken out: the sector's step on a nearly flat floor.
    y = left + phi * expected[sector]
    w = 1.0 / own**2
    terms = (np.ones_like(u), u / edge[5], phi)
    normal, rhs = _per_sector(terms, y, w, sector)
    count = np.bincount(sector, minlength=SECTORS)
    trace = np.einsum("kii->k", normal)
    ok = (count >= 5) & (trace > 0)
    # The floor and its slope may differ from the fit's by a share of the step: enough to unmask a smooth fall of light
    # that was taken for a step, not so much that a neighboring edge's remains hide a true one.
    freedom = FLOOR * np.maximum(np.abs(expected[ok]), max(least, 1e-300))
    regular = normal[ok] + 1e-9 * trace[ok][:, None, None] * np.eye(3)
    regular[:, 0, 0] += 1 / freedom**2
    regular[:, 1, 1] += 16 / freedom**2
    inverse = np.linalg.inv(regular)
    found[ok] = np.einsum("kj,kj->k", inverse[:, 2], rhs[ok])
    sigma[ok] = np.sqrt(np.maximum(inverse[:, 2, 2], 0.0))
    spread = max(1.0, 1.4826 * float(np.median(np.abs(left / own))))  # the other edge may be explained far worse
    return Support(expected, found, sigma * spread, inside, steady, topped)


def _along(cells: Cells, which: str, edge: Array) -> tuple[NDArray[np.bool_], Array, NDArray[np.intp]]:
    """Cells in an edge's band: which ones, their distance inward from it (px) and their sector."""
    at_x, at_y = (
        (cells.at.aperture_x, cells.at.aperture_y) if which == "aperture" else (cells.at.beam_x, cells.at.beam_y)
    )
    u = distance(at_x, at_y, edge)
    use = cells.near & (np.abs(u) < BAND * max(edge[5], 0.5))
    return use, u[use], sector_of(round_angle(at_x[use], at_y[use], edge))


def round_angle(x: Array, y: Array, edge: Array) -> Array:
    """Angle about an edge's center where the edge is round, rad, 0 to 2π, from +x toward +y."""
    d1, d2, e1, e2 = x - edge[0], y - edge[1], float(edge[3]), float(edge[4])
    return np.asarray(np.arctan2((1 + e1) * d2 - e2 * d1, (1 - e1) * d1 - e2 * d2) % (2 * np.pi))


def sector_of(angle: Array) -> NDArray[np.intp]:
    """The sector in which a round angle lies."""
    return np.floor(angle * (SECTORS / (2 * np.pi))).astype(np.intp) % SECTORS


def _per_sector(terms: tuple[Array, ...], y: Array, w: Array, sector: NDArray[np.intp]) -> tuple[Array, Array]:
    """Normal matrix (SECTORS, n, n) and right-hand side (SECTORS, n) of a weighted fit of ``terms`` to ``y`` in each sector."""
    n = len(terms)
    normal = np.zeros((SECTORS, n, n))
    rhs = np.zeros((SECTORS, n))
    for i in range(n):
        weighted = w * terms[i]
        rhs[:, i] = np.bincount(sector, weights=weighted * y, minlength=SECTORS)
        for j in range(i, n):
            normal[:, i, j] = normal[:, j, i] = np.bincount(sector, weights=weighted * terms[j], minlength=SECTORS)
    return normal, rhs


def displaced(fit: Fit, cells: Cells, which: str, at: Support) -> float:
    """How far the stretches that bear an edge out lie from its fitted ellipse, px (root mean square; infinite without any).

    In each sector the step is moved until it fits best, its height and floor free: (∂/∂u) of the step times its height is
    what a small move adds.

    Args:
        fit, cells, which: as for :func:`support`.
        at: what that tells.
    """
    edge = fit.aperture if which == "aperture" else fit.beam
    assert edge is not None
    use, u, sector = _along(cells, which, edge)
    width = max(float(edge[5]), 0.5)
    height = at.expected[sector]
    slope = cdf_pdf(u / width)[1] / width
    terms = np.ones_like(u), step(u, edge[5]) * height, slope * height
    normal, rhs = _per_sector(terms, (fit.z * fit.sigma)[use], 1.0 / fit.sigma[use] ** 2, sector)
    asked = at.confirmed & (np.bincount(sector, minlength=SECTORS) >= 2 * len(terms))
    if not asked.any():
        return float("inf")
    normal = normal[asked] + 1e-9 * np.einsum("kii->k", normal[asked])[:, None, None] * np.eye(len(terms))
    moved = np.linalg.solve(normal, rhs[asked][..., None])[:, 2, 0]
    return float(np.sqrt(np.mean(moved**2)))


def supports(fit: Fit, cells: Cells, shape: tuple[int, int]) -> dict[str, Support]:
    """What :func:`support` tells of each edge that the fit has, by its name."""
    edges = {"aperture": fit.aperture, "beam": fit.beam}
    return {name: support(fit, cells, name, shape) for name, edge in edges.items() if edge is not None}


def shows(fit: Fit, cells: Cells, shape: tuple[int, int]) -> bool:
    """Whether each edge of a fit shows anywhere: what shows nowhere is there by no mending of the fit.

    Args:
        fit, cells, shape: as for :func:`support`.
    """
    at = supports(fit, cells, shape).values()
    return all(int(a.confirmed.sum()) >= CONFIRMED or a.significance > NOWHERE for a in at)


def plainly(fit: Fit, cells: Cells, shape: tuple[int, int]) -> bool:
    """Whether both edges of a fit are plain to see, however badly it explains the light elsewhere.

    Args:
        fit, cells, shape: as for :func:`support`.
    """
    if fit.aperture is None or fit.beam is None:
        return False
    seen = [(int(a.visible.sum()), int(a.confirmed.sum())) for a in supports(fit, cells, shape).values()]
    return all(visible >= SECTORS // 4 and confirmed >= PLAIN * visible for visible, confirmed in seen)


def arcs_of(used: NDArray[np.bool_]) -> tuple[tuple[float, float], ...]:
    """Runs of used sectors as (start, end) in degrees counter-clockwise from +x on the screen (sectors run clockwise)."""
    n = len(used)
    if used.all():
        return ((0.0, 360.0),)
    if not used.any():
        return ()
    size = 360.0 / n
    first = int(np.flatnonzero(~used)[0])
    rolled = np.roll(used, -first)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rolled.astype(np.int8), [0]])))
    runs = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        start, end = (a + first) * size, (b + first) * size
        runs.append(((-end) % 360.0, (-end) % 360.0 + (end - start)))
    return tuple(sorted((float(s), float(e)) for s, e in runs))
