"""The weighted mean of the scenes of single frames, with its covariance: pure."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..assess.derive import parameters
from ..scene import BeamProfile, Edge, Scene
from .effects import RandomEffects, widening

Array = NDArray[np.float64]

#: Where a scene's covariance has the centers of aperture and beam: x, y, x, y.
PLACES = np.array([0, 1, 6, 7])


def covariance_of(scene: Scene) -> Array:
    """The covariance of a scene that has one."""
    assert scene.covariance is not None
    return scene.covariance


def average(scenes: Sequence[Scene], effects: RandomEffects) -> Scene:
    """The weighted mean of scenes, with its covariance."""
    w = effects.weights
    radial = max(covariance_of(s).shape[0] for s in scenes) - 16
    covariances = np.array([_padded(covariance_of(s), radial) for s in scenes])
    covariance = np.einsum("i,ijk->jk", w**2, covariances)
    covariance[np.ix_(PLACES, PLACES)] += widening(effects.freedom) ** 2 * effects.between
    # What a frame's residuals show beyond its noise is the same in each frame, and does not average out.
    common = w * np.array([1.0 - 1.0 / max(s.chi2 or 1.0, 1.0) for s in scenes])
    covariance += (1.0 - (w**2).sum()) * np.einsum("i,ijk->jk", common, covariances)
    middle = scenes[len(scenes) // 2]
    place = w @ np.array([parameters(s) for s in scenes])

    def mean(name: str) -> Any:
        values = [getattr(s, name) for s in scenes]
        return None if any(v is None for v in values) else float(w @ np.array(values))

    kinds = [s.kind for s in scenes]
    spread = [s.unevenness for s in scenes]
    uneven = None if any(u is None for u in spread) else w @ np.array(spread)
    return replace(
        middle,
        kind=max(set(kinds), key=kinds.count),
        confidence=float(w @ np.array([s.confidence for s in scenes])),
        aperture=_edge(middle.aperture, place[:6]),
        beam=_edge(middle.beam, place[6:]),
        covariance=covariance,
        profile=_profile(scenes, w, radial),
        halo_mean=mean("halo_mean"),
        background=mean("background"),
        core=mean("core"),
        unevenness=None if uneven is None else (float(uneven[0]), float(uneven[1])),
        chi2=mean("chi2"),
        levels_linear=all(s.levels_linear for s in scenes),
    )


def _edge(like: Edge | None, p: Array) -> Edge:
    assert like is not None
    x, y, radius, e1, e2, width = (float(v) for v in p)
    return replace(like, x=x, y=y, radius=radius, e1=e1, e2=e2, width=width)


def _padded(covariance: Array, radial: int) -> Array:
    """A scene's covariance with rows of nothing for radial terms that its profile lacks."""
    missing = radial - (covariance.shape[0] - 16)
    if missing == 0:
        return covariance
    n = covariance.shape[0]
    at = np.concatenate([np.arange(n - 3), np.arange(n - 3, n) + missing])
    out = np.zeros((n + missing, n + missing))
    out[np.ix_(at, at)] = covariance
    return out


def _profile(scenes: Sequence[Scene], w: Array, radial: int) -> BeamProfile | None:
    profiles = [s.profile for s in scenes if s.profile is not None]
    if len(profiles) < len(scenes):
        return None
    rows = np.array([[p.level, p.tilt_x, p.tilt_y, *p.radial, *[0.0] * (radial - len(p.radial))] for p in profiles])
    level, tilt_x, tilt_y, *powers = (float(v) for v in w @ rows)
    return BeamProfile(level, tuple(powers), tilt_x, tilt_y)
