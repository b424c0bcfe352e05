"""All reported numbers of one picture, each with its 1σ, from what was located in it."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..advice import Context
from ..assessment import Assessment
from ..frame import Frame
from ..instrument import Instrument
from ..registry import FLAGS, SceneKind
from ..scene import Edge, Scene
from .current import currents, plane_beam
from .geometry import Measured, ellipticity, gap, gradient, length_and_direction, plane_offset, steps_for

Array = NDArray[np.float64]

#: An offset is not given when its 1σ exceeds this share of the aperture radius and that share of its own length: half a
#: beam cut off leaves short arcs, and an offset of 60 ± 10 % still says where to turn.
MOST_SIGMA, MOST_RELATIVE = 0.05, 0.2
#: Relative 1σ of the halo under the beam, which is continued from around it (from halos of other shapes that were drawn
#: without the simulator: they peak under the beam, or fade with another power of the distance).
HIDDEN_HALO = 0.3


def assess_scene(scene: Scene, frame: Frame, instrument: Instrument, context: Context) -> Assessment:
    """Derive all numbers, with their uncertainties, from a scene.

    Args:
        scene: what was located.
        frame: the picture, for its name, time and state.
        instrument: for the aperture's diameter and the working illumination.
        context: for age, repeated frames, changes of state and the session's working illumination.

    Returns:
        the assessment without verdict, reasons and nudge. What the scene does not bear is ``None``.
    """
    values: dict[str, Any] = {"scene": str(scene.kind), "scene_confidence": round(scene.confidence, 4)}
    values.update(_about(frame))
    values["flags"] = with_context_flags(scene.flags, instrument, context)
    if scene.aperture is not None and scene.beam is not None and scene.covariance is not None and scene.sign_known:
        values.update(_two_edges(scene, frame, instrument, context))
    elif not scene.sign_known:
        pass  # both edges are measured, but not whose they are
    elif scene.beam is not None and scene.covariance is not None:
        values.update(_edge("beam", scene.beam, scene.covariance[6:12, 6:12]))
    elif scene.aperture is not None and scene.covariance is not None:
        values.update(_edge("aperture", scene.aperture, scene.covariance[:6, :6]))
        values["aperture_source"] = "remembered" if scene.aperture_remembered else "picture"
    if scene.unevenness is not None and scene.levels_linear:
        _put(values, "unevenness_percent", scene.unevenness)
    return Assessment(**values)


def with_context_flags(flags: Iterable[str], instrument: Instrument, context: Context) -> tuple[str, ...]:
    """A picture's flags and those that only its history tells, in the registry's order."""
    raised = set(flags)
    if context.frozen:
        raised.add("frozen")
    if context.age_min is not None and context.age_min > instrument.limits.stale_min:
        raised.add("stale")
    if context.state_changed:
        raised.add("state-changed")
    return tuple(f for f in FLAGS if f in raised)


def _put(values: dict[str, Any], name: str, measured: Measured | None) -> None:
    if measured is not None and np.isfinite(measured).all():
        values[name], values[name + "_sigma"] = float(measured[0]), float(measured[1])


def _about(frame: Frame) -> dict[str, Any]:
    state = frame.state
    sources = ",".join(f"{k}={v}" for k, v in sorted(state.sources.items()))
    return {
        "file": frame.file,
        "page": frame.page,
        "taken_at": None if frame.taken_at is None else frame.taken_at.isoformat(),
        "taken_at_source": frame.taken_at_source,
        **state.values(),
        "state_source": sources or None,
    }


def _edge(which: str, edge: Edge, covariance: Array) -> dict[str, Any]:
    values: dict[str, Any] = {}
    sigma = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    for name, value, s in (
        (f"{which}_x_px", edge.x, sigma[0]),
        (f"{which}_y_px", edge.y, sigma[1]),
        (f"{which}_radius_px", edge.radius, sigma[2]),
        (f"{which}_edge_px", edge.width, sigma[5]),
    ):
        _put(values, name, (value, float(s)))
    e, axis = ellipticity(edge.e1, edge.e2, covariance[3:5, 3:5])
    _put(values, f"{which}_ellipticity", e)
    _put(values, f"{which}_axis_deg", axis)
    return values


def parameters(scene: Scene) -> Array:
    """Aperture's and beam's six parameters as one array, shape (12,)."""
    assert scene.aperture is not None
    assert scene.beam is not None
    return np.array(
        [v for e in (scene.aperture, scene.beam) for v in (e.x, e.y, e.radius, e.e1, e.e2, e.width)], dtype=np.float64
    )


def _two_edges(scene: Scene, frame: Frame, instrument: Instrument, context: Context) -> dict[str, Any]:
    assert scene.aperture is not None
    assert scene.beam is not None
    assert scene.covariance is not None
    covariance = scene.covariance
    values = _edge("aperture", scene.aperture, covariance[:6, :6]) | _edge("beam", scene.beam, covariance[6:12, 6:12])
    values["aperture_source"] = "remembered" if scene.aperture_remembered else "picture"
    p = parameters(scene)
    c12 = covariance[:12, :12]

    def derived(q: Array) -> Array:
        return np.concatenate([q[..., 6:8] - q[..., 0:2], 100 * plane_offset(q), 100 * gap(q)[..., None]], axis=-1)

    at = derived(p)
    jacobian = gradient(derived, p, steps_for(p))
    c = jacobian @ c12 @ jacobian.T
    sigma = np.sqrt(np.maximum(np.diag(c), 0.0))
    if sigma[2:4].max() > max(100 * MOST_SIGMA, MOST_RELATIVE * float(np.hypot(at[2], at[3]))):
        return values
    for i, name in enumerate(("offset_x_px", "offset_y_px", "offset_x_percent", "offset_y_percent")):
        _put(values, name, (at[i], sigma[i]))
    if sigma[0] > 0 and sigma[1] > 0:
        values["offset_xy_correlation"] = float(np.clip(c[0, 1] / (sigma[0] * sigma[1]), -1.0, 1.0))
    length, direction = length_and_direction(float(at[2]), float(at[3]), c[2:4, 2:4])
    _put(values, "offset_percent", length)
    _put(values, "offset_direction_deg", direction)
    if direction is not None:
        _put(values, "move_direction_deg", ((direction[0] + 180.0) % 360.0, direction[1]))
    if frame.state.aperture_um is not None:
        k = frame.state.aperture_um / 2 / 100
        _put(values, "offset_um", (length[0] * k, length[1] * k))
    if scene.kind is SceneKind.CROSSOVER:
        return values
    _put(values, "gap_percent", (float(at[4]), float(sigma[4])))
    if scene.profile is not None and scene.levels_linear:
        ratio = working_ratio(frame, instrument, context)
        shares = currents(p, scene.profile, covariance, ratio)
        _put(values, "clipped_fraction", shares.clipped)
        _put(values, "score", shares.score)
        _put(values, "working_score", shares.working_score)
        _put(values, "halo_fraction", _halo_share(scene, p, shares.clipped))
    return values


def working_ratio(frame: Frame, instrument: Instrument, context: Context) -> float:
    """Beam radius ÷ aperture radius in the working illumination: from the log, the instrument file, else 1."""
    if context.working_ratio is not None:
        return context.working_ratio
    working = instrument.working
    by_side = {"positive": working.beam_ratio_positive, "negative": working.beam_ratio_negative}
    side = by_side.get(frame.state.focus_side or "")
    return side or working.beam_ratio or 1.0


def _halo_share(scene: Scene, p: Array, clipped: Measured | None) -> Measured | None:
    """Halo ÷ (halo + beam) inside the aperture; the halo under the beam is continued from around it."""
    if scene.halo_mean is None or scene.profile is None or clipped is None or scene.covariance is None:
        return None
    profile = scene.profile
    disc = 1.0 + sum(k / (i + 2) for i, k in enumerate(profile.radial))  # mean of the light over the beam's disc
    ratio = plane_beam(p, profile.radial, profile.tilt_x, profile.tilt_y).ratio
    beam = profile.level * disc * ratio**2 * (1.0 - clipped[0])
    halo = max(scene.halo_mean, 0.0)
    if beam + halo <= 0:
        return None
    share = halo / (halo + beam)
    sigma_halo = float(np.sqrt(max(scene.covariance[-1, -1], 0.0)))
    hidden = HIDDEN_HALO * halo * min(ratio**2, 1.0)  # the part that no one sees
    sigma_beam = float(np.sqrt(max(scene.covariance[12, 12], 0.0))) * disc * ratio**2
    sigma = np.hypot(np.hypot(sigma_halo, hidden) * beam, sigma_beam * halo) / (halo + beam) ** 2
    return share, float(max(sigma, 1e-6))


def unread(file: str, message: str) -> Assessment:
    """The assessment of a file that could not be read: only its name and the reader's message."""
    return replace(Assessment(), file=file, error=message)
