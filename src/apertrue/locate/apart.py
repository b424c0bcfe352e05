"""The reading of last resort: both edges found one by one, each as a round step in its own band.

For pictures whose light no smooth terms follow (a filament's image, a bright rim, fibres, film) while both edges are plain
to see. Only a beam that lies inside the aperture all round is read so, and nothing is told of its light.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..model.edges import distance
from ..scene import Hints
from .basis import final_basis
from .classify import Judged, judge_pair, stands, tightest_gap
from .contours import contour_height
from .doubts import doubt_of
from .faint import faint_edges
from .find import Look, Rough, block_sigma, look
from .gather import cells_about
from .glow import with_glow
from .levels import profile_of
from .lone_edge import CLEAR, LoneEdge, lone_edge
from .refine import refine
from .roundness import plainer
from .shapes import alike, out_of_blocks
from .solution import DISCREPANCY, Solution
from .support import edge_points

Array = NDArray[np.float64]

#: Share of the rays on which the core's boundary must follow one ellipse.
ROUND_CORE = 0.7
#: Light that outshines the beam is cut off at this share of the contrast.
DIMMED = 0.3
#: A beam's edge shows over this share of its circumference, and is no more elliptical than this.
SHOWN, MOST_OVAL = 0.45, 0.15
#: The beam's edge at first, in its radii.
WIDTH = 0.015
#: An aperture's edge stands out by so many σ all round, and is no wider than the beam's by this factor and so many px.
STANDS_OUT, AS_SHARP, BLUR = 12.0, 1.5, 1.0
#: … and its mean step by so many with the light's slopes on both sides free (true ones of the pictures of others: 4 at least).
HIGH = 3.5
#: This share of its stretches steps down, however faintly.
DOWN = 0.88
#: So many contours of light that fades steeply may lie in one band.
CONTOURS = 3.5
#: It is a step in its band: what is left of it there (mean squared residual).
LEFT = 25.0
#: A band that leaves more than this is fitted with richer light, too.
BETTER = 1.5
#: It lies clear of the beam's flank over this share of its circumference.
APART = 0.7
#: An aperture is round to this (ellipticity), or as the beam is.
ROUND = 0.02
#: Fits alike to this share of their radii found one edge.
SAME = 0.05
#: Smallest gap all round, aperture radii.
GAP = 0.005
#: Places of both edges' parameters.
EDGES = tuple(range(12))


def apart(first: Look, frame: Frame, hints: Hints) -> Judged | None:
    """The scene of two edges found one by one, with numbers; ``None`` when they do not both stand, one inside the other.

    Args:
        first: the picture.
        frame, hints: what is known of it.
    """
    beam = _beam(first, first.rough) or _beam(first, _dimmed(first))
    if beam is None:
        return None
    assert first.rough is not None
    steep = CONTOURS * contour_height(first.pixels, first.rough.dark + 0.5 * (first.rough.bright - first.rough.dark))
    tries = [_around(first, beam, edge, steep) for edge in faint_edges(first.pixels, beam.edge[:5])]
    around = [a for a in tries if a is not None]
    if not around:
        return None
    nearest = min(around, key=lambda a: float(a.edge[2])).edge  # farther out lies the screen's rim
    same = [a for a in around if alike(a.edge, nearest, SAME)]
    return _judged(first, max(same, key=lambda a: a.at.significance), beam, frame, hints)


def _beam(first: Look, rough: Rough | None) -> LoneEdge | None:
    """The edge along the core's boundary, if that is round and shows."""
    if rough is None or not rough.outline or rough.outline[0][1] < ROUND_CORE:
        return None
    core = out_of_blocks(rough.outline[0][0], first.reduced.size)
    beam = lone_edge(first, np.array([*core, max(WIDTH * core[2], 0.5)]))
    if beam is None or not stands(beam.at) or float(np.hypot(*beam.edge[3:5])) > MOST_OVAL:
        return None
    return beam if float(beam.at.confirmed.mean()) > SHOWN else None


def _dimmed(first: Look) -> Rough | None:
    """A look at the picture with its brightest light cut off: a filament's image may outshine the beam around it."""
    assert first.rough is not None
    top = first.rough.dark + DIMMED * (first.rough.bright - first.rough.dark)
    dim = replace(first.reduced, mean=np.minimum(first.reduced.mean, top))
    return look(dim, block_sigma(first.noise, first.reduced))


def _around(first: Look, beam: LoneEdge, start: Array, steep: float) -> LoneEdge | None:
    """The aperture's edge near a start, if it stands there, sharp, all round the beam, higher than contours (``steep``)."""
    begin = np.array([*start, max(float(beam.edge[5]), 0.5)])
    tries = [lone_edge(first, begin, beam.edge, faint=True)]
    if tries[0] is None or tries[0].left > BETTER:
        tries.append(lone_edge(first, begin, beam.edge))
    found = min((t for t in tries if t is not None), key=lambda t: t.left, default=None)
    if found is None or not found.settled or found.left > LEFT:
        return None
    # The more of the light is free, the less is left to a step: the plainer fit of the same edge tells how high it stands.
    high = max(t.high for t in tries if t is not None and alike(t.edge, found.edge, SAME))
    seen = float(found.at.inside.mean())  # half a circle finds more to lie on
    if found.at.significance * seen**2 < STANDS_OUT or high < HIGH:
        return None
    x, y = edge_points(found.edge)
    away = -distance(x, y, beam.edge) > CLEAR * beam.edge[5] + found.edge[5]
    if away.mean() < APART or not _as_round(found.edge, beam.edge):
        return None
    sharp = found.edge[5] < AS_SHARP * beam.edge[5] + BLUR
    falls = found.at.downward > DOWN and found.at.mean_height > steep
    return found if sharp and falls and stands(found.at) and tightest_gap(found.edge, beam.edge) > GAP else None


def _as_round(edge: Array, beam: Array) -> bool:
    """Whether an edge is round, or as elliptical as the beam's is in the same view."""
    return min(float(np.hypot(*edge[3:5])), float(np.hypot(*(edge[3:5] - beam[3:5])))) < ROUND


def _judged(first: Look, aperture: LoneEdge, beam: LoneEdge, frame: Frame, hints: Hints) -> Judged | None:
    """The scene of both edges, held where they were found while the light is fitted as well as it can be."""
    assert first.rough is not None
    contrast = first.rough.bright - first.rough.dark
    scale = float(aperture.edge[2]) / 6
    cells = cells_about(first.pixels, first.reduced, aperture.edge, beam.edge, scale)
    if cells is None:
        return None
    basis = final_basis(aperture.edge, beam.edge)
    fit = refine(
        cells, basis, aperture.edge, beam.edge, first.noise,
        scale=contrast, discrepancy=DISCREPANCY, iterations=4, pinned=EDGES,
    )  # fmt: skip
    pair = with_glow(Solution(fit, cells), first.reduced, first.noise, contrast, EDGES)
    if profile_of(pair.fit) is None:
        plain = plainer(pair, first, contrast, EDGES)
        if plain is None:
            return None
        pair = plain
    lacking = np.zeros_like(pair.fit.normal)
    lacking[:6, :6], lacking[6:12, 6:12] = aperture.covariance, beam.covariance
    at = {"aperture": aperture.at, "beam": beam.at}
    judged = judge_pair(pair, True, first, frame, hints, lacking / doubt_of(pair) ** 2, at)
    if judged is None or judged.scene.covariance is None:
        return None
    return Judged(replace(judged.scene, profile=None, halo_mean=None, unevenness=None))
