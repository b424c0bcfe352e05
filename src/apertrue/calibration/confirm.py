"""Does a calibration still hold? A test of agreement on new moves, and what changed when it does not.

One small move per axis each day confirms it, and catches a rotated, mirrored or rescaled view. The same test notices
a single nudge that contradicts it, a picture in which nothing moved, and a move in which both edges moved together.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import atan2, degrees

import numpy as np
from numpy.typing import NDArray

from ..errors import CalibrationError
from .estimate import WANDER, picture_noise
from .leastsquares import chi2_tail, update
from .model import Calibration
from .points import Point

Array = NDArray[np.float64]

#: Agreement is denied below this probability (about 3σ).
DENIED = 0.003
#: Beam displacement (px) of which the aperture's shadow may take this share without question (it moves a little along).
SHADOW_SHARE = 0.5

_WORDS = {
    "agrees": "The moves agree with the calibration: it holds.",
    "weak": "The moves were too small to confirm anything: make larger ones.",
    "one-axis": "What was moved agrees with the calibration, but only one axis was tested: a mirrored or skewed view "
    "would not show. Move the other axis as well, then take one more picture.",
    "frozen": "Nothing moved although the readings changed: frozen picture, blanked beam or the wrong knob. "
    "Take a fresh picture before any further move.",
    "wrong-deflector": "Both edges moved together: this was not gun shift but a deflector below the aperture, or the "
    "view "
    "itself. Go back to the old readings.",
    "mirrored": "The view is mirrored against the calibration.",
    "rotated": "The view is rotated against the calibration.",
    "rescaled": "The moves have another length than the calibration says.",
    "changed": "The moves contradict the calibration.",
}


@dataclass(frozen=True, slots=True)
class Confirmation:
    """The outcome.

    Attributes:
        kind: ``agrees``, ``weak``, ``one-axis`` (agrees, but one axis was not tested),
            ``frozen``, ``wrong-deflector``, ``mirrored``, ``rotated``, ``rescaled`` or
            ``changed``.
        agrees: whether the calibration may go on being used.
        p_value: probability of a disagreement this large while it holds.
        rotation_deg: by how much the view turned, counter-clockwise on the screen; ``None`` where it can't be told.
        rotation_sigma_deg: its 1σ.
        scale: length of the moves ÷ calibrated length; ``None`` where it can't be told.
        scale_sigma: its 1σ.
        sentences: the same for people.
    """

    kind: str
    agrees: bool
    p_value: float
    rotation_deg: float | None
    rotation_sigma_deg: float | None
    scale: float | None
    scale_sigma: float | None
    sentences: tuple[str, ...]


def confirm(calibration: Calibration, points: Sequence[Point], *, wander: float = WANDER) -> Confirmation:
    """Test a calibration on two or more points: the start, then one after each move.

    Args:
        calibration: to be tested.
        points: with their σ, in the order taken.
        wander: random walk of the gun between points, % per √h (1σ).

    Raises:
        CalibrationError: fewer than two points, no σ, or the readings did not change.
    """
    if len(points) < 2:
        raise CalibrationError("a confirmation needs a picture before and one after a move")
    _need_sigma(points)
    changes = np.array([p.readings - points[0].readings for p in points[1:]])
    if not np.abs(changes).max() > 0:
        raise CalibrationError("the readings did not change: make one small move of each axis")
    seen = np.array([p.offset - points[0].offset for p in points[1:]])
    predicted = changes @ calibration.a.T
    n = len(changes)
    own = _noise(points, calibration, wander)
    p_value = _agreement(calibration, changes, seen, own)
    expected = float(np.linalg.norm(predicted, axis=1).max())
    doubt = float(np.sqrt(np.trace(own) / (2 * n)))
    if _both_edges(points, predicted):
        return _outcome("wrong-deflector", False, p_value)
    still = float(seen.ravel() @ np.linalg.solve(own, seen.ravel()))
    if expected > 6.0 * doubt and chi2_tail(still, 2 * n) > 0.01:
        return _outcome("frozen", False, p_value)
    turn = _turn(changes, seen, predicted, own, calibration)
    if p_value > DENIED:
        if expected < 6.0 * doubt:
            return _outcome("weak", True, p_value, turn)
        return _outcome("agrees" if _both_axes(predicted, doubt) else "one-axis", True, p_value, turn)
    return _outcome(_kind(turn), False, p_value, turn, _other_way(calibration, changes, seen, own))


def _agreement(calibration: Calibration, changes: Array, seen: Array, own: Array) -> float:
    """Probability of displacements this far from what the calibration says of the changes, while it holds."""
    jac = np.vstack([np.kron(np.eye(2), c) for c in changes])
    rest = (seen - changes @ calibration.a.T).ravel()
    chi2 = float(rest @ np.linalg.solve(own + jac @ calibration.cov @ jac.T, rest))
    return chi2_tail(chi2, len(rest))


def _other_way(calibration: Calibration, changes: Array, seen: Array, own: Array) -> tuple[str, ...]:
    """The axes which, turned the other way, would bring the moves to agree with the calibration; empty where none."""
    for axes in (("X",), ("Y",), ("X", "Y")):
        signs = np.array([-1.0 if name in axes else 1.0 for name in "XY"])
        if (changes * (signs < 0)).any() and _agreement(calibration, changes * signs, seen, own) > DENIED:
            return axes
    return ()


@dataclass(frozen=True, slots=True)
class _Turn:
    """How the moves differ from the calibrated ones."""

    rotation: float | None = None
    rotation_sigma: float | None = None
    scale: float | None = None
    scale_sigma: float | None = None
    mirrored: bool = False


def _need_sigma(points: Sequence[Point]) -> None:
    for point in points:
        if point.covariance is None:
            raise CalibrationError(f"{point.label or 'a point'}: its 1σ is not known; a test of agreement needs it")


def _noise(points: Sequence[Point], calibration: Calibration, wander: float) -> Array:
    """Covariance of the displacements against the first point, without the calibration's own doubt, shape (2n, 2n)."""
    n = len(points) - 1
    reading = calibration.step**2 / 12.0 * calibration.a @ calibration.a.T
    whole = picture_noise(points, wander) + np.kron(np.eye(n + 1), reading)
    difference = np.hstack([-np.kron(np.ones((n, 1)), np.eye(2)), np.eye(2 * n)])
    return np.asarray(difference @ whole @ difference.T)


def _both_axes(predicted: Array, doubt: float) -> bool:
    """Whether the moves, as the calibration has them, reach beyond the doubt in two directions."""
    return len(predicted) >= 2 and bool(np.linalg.svd(predicted, compute_uv=False)[-1] > 6.0 * doubt)


def _both_edges(points: Sequence[Point], predicted: Array) -> bool:
    """Whether the aperture's edge moved along by a large share of what the beam should have moved."""
    first = points[0]
    if first.aperture_px is None or first.radius_px is None:
        return False
    for point, expected in zip(points[1:], predicted, strict=True):
        if point.aperture_px is None:
            continue
        moved = np.hypot(point.aperture_px[0] - first.aperture_px[0], point.aperture_px[1] - first.aperture_px[1])
        sigma = np.hypot(point.aperture_px[2], first.aperture_px[2])
        should = float(np.hypot(*expected)) / 100.0 * first.radius_px
        if moved > 5.0 * sigma and moved > SHADOW_SHARE * should and should > 0:
            return True
    return False


def _turn(changes: Array, seen: Array, predicted: Array, own: Array, calibration: Calibration) -> _Turn:
    """Rotation and scale between seen and calibrated moves, with 1σ of both; mirror where two axes were moved."""
    size = float(np.linalg.norm(predicted))
    if size == 0:
        return _Turn()
    # Complex regression seen = w·predicted: |w| scale, arg w rotation (y down, hence the sign).
    z, p = seen[:, 0] + 1j * seen[:, 1], predicted[:, 0] + 1j * predicted[:, 1]
    norm = float((abs(p) ** 2).sum())
    w = complex((z * p.conj()).sum() / norm)
    mirrored = False
    wide = np.linalg.svd(changes, compute_uv=False)
    if len(changes) >= 2 and wide[-1] > 0.2 * wide[0]:
        new = np.linalg.lstsq(changes, seen, rcond=None)[0].T
        mirrored = bool(np.linalg.det(new) * np.linalg.det(calibration.a) < 0)
    if mirrored:
        return _Turn(mirrored=True)
    jac = np.vstack([np.kron(np.eye(2), c) for c in changes])
    cov = own + jac @ calibration.cov @ jac.T
    # Derivative of w with respect to the displacements: Σ conj(p_i)/norm; real and imaginary parts.
    rows = np.zeros((2, 2 * len(changes)))
    for i, v in enumerate(p):
        rows[0, 2 * i : 2 * i + 2] = (v.real / norm, v.imag / norm)
        rows[1, 2 * i : 2 * i + 2] = (-v.imag / norm, v.real / norm)
    c = rows @ cov @ rows.T
    length = abs(w)
    if length < 1e-9:
        return _Turn()
    along = np.array([w.real, w.imag]) / length
    across = np.array([-along[1], along[0]])
    return _Turn(
        -degrees(atan2(w.imag, w.real)),
        degrees(float(np.sqrt(across @ c @ across)) / length),
        length,
        float(np.sqrt(along @ c @ along)),
    )


def _kind(turn: _Turn) -> str:
    if turn.mirrored:
        return "mirrored"
    if turn.rotation is None or turn.rotation_sigma is None or turn.scale is None or turn.scale_sigma is None:
        return "changed"
    rotated = abs(turn.rotation) / max(turn.rotation_sigma, 1e-9)
    scaled = abs(turn.scale - 1.0) / max(turn.scale_sigma, 1e-9)
    if max(rotated, scaled) < 3.0:
        return "changed"
    return "rotated" if rotated >= scaled else "rescaled"


def view_of(opposite: Sequence[str]) -> str:
    """What a view did in which these axes turn the beam the other way."""
    return "turned by 180°" if len(opposite) == 2 else "mirrored"


def _outcome(
    kind: str, agrees: bool, p_value: float, turn: _Turn | None = None, other_way: tuple[str, ...] = ()
) -> Confirmation:
    turn = turn or _Turn()
    says = [_WORDS[kind]]
    if other_way:
        says.append(
            f"With {' and '.join(other_way)} turned the other way the moves would agree: is a sign of the readings wrong, "
            f"here or in the calibration? If all are right, the view is {view_of(other_way)}. "
            "The kept ones, and how to take one out: apertrue calibrate --list."
        )
    told = ("rotated", "rescaled", "changed", "agrees", "one-axis")
    if turn.rotation is not None and turn.scale is not None and kind in told:
        says.append(
            f"Against the calibration: turned by {turn.rotation:+.1f} ± {turn.rotation_sigma:.1f}°, "
            f"length × {turn.scale:.3f} ± {turn.scale_sigma:.3f}."
        )
    if kind in ("mirrored", "rotated", "rescaled", "changed"):
        says.append("Do not use it for nudges. Check magnification, camera and focus side; then calibrate anew.")
    return Confirmation(
        kind,
        agrees,
        p_value,
        turn.rotation,
        turn.rotation_sigma,
        turn.scale,
        turn.scale_sigma,
        tuple(says),
    )


def confirmed(calibration: Calibration, points: Sequence[Point], when: datetime | None = None) -> Calibration:
    """The calibration sharpened by the points of an agreeing confirmation, and dated.

    Raises:
        CalibrationError: the points do not agree with it.
    """
    outcome = confirm(calibration, points)
    if not outcome.agrees:
        raise CalibrationError(" ".join(outcome.sentences))
    changes = np.array([p.readings - points[0].readings for p in points[1:]])
    seen = np.array([p.offset - points[0].offset for p in points[1:]])
    own = _noise(points, calibration, WANDER)
    jac = np.vstack([np.kron(np.eye(2), c) for c in changes])
    theta, cov, _ = update(calibration.a.ravel(), calibration.cov, jac, seen.ravel(), own)
    a = theta.reshape(2, 2)
    return replace(
        calibration,
        matrix=((float(a[0, 0]), float(a[0, 1])), (float(a[1, 0]), float(a[1, 1]))),
        covariance=tuple(tuple(float(v) for v in row) for row in cov),
        confirmed_at=(when or calibration.confirmed_at) if outcome.kind == "agrees" else calibration.confirmed_at,
    )
