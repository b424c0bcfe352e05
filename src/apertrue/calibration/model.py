"""A shift calibration as it is kept: the matrix with its doubt, the state it belongs to, its date, and when it ends."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from ..errors import CalibrationError
from ..frame import State
from .estimate import Estimate
from .quality import relative_doubts
from .state_key import FOCUS_TOLERANCE, StateKey, changed_words, open_words

Array = NDArray[np.float64]

#: Hours after which a calibration asks for one small move per axis.
CONFIRM_AFTER_H = 14.0
# Nothing is known of the state.
_ANY = StateKey()


@dataclass(frozen=True, slots=True)
class Validity:
    """Whether a calibration may be used now.

    Attributes:
        valid: it may.
        changed: names of the state fields that differ from its own.
        unknown: names of those that only it or only the present state tells: nobody knows whether they changed.
        confirm: it is older than a working day: confirm it with one small move per axis.
        age_h: hours since it was made or confirmed; ``None`` when a date is missing.
        sentences: the same for people.
    """

    valid: bool
    changed: tuple[str, ...]
    unknown: tuple[str, ...]
    confirm: bool
    age_h: float | None
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Calibration:
    """One shift calibration.

    Attributes:
        matrix: ((xX, xY), (yX, yY)), % of the aperture radius per console unit; y down.
        covariance: 4 × 4, of (xX, xY, yX, yY).
        state: the state it belongs to.
        made_at: when, with zone; ``None`` if unknown.
        confirmed_at: when last confirmed.
        n_points: number of points.
        chi2, dof: of the fit.
        backlash: (X, Y), console units; ``None`` when not seen.
        step: the console's step when it was made, console units.
        note: a sentence.
    """

    matrix: tuple[tuple[float, float], tuple[float, float]]
    covariance: tuple[tuple[float, ...], ...]
    state: StateKey = _ANY
    made_at: datetime | None = None
    confirmed_at: datetime | None = None
    n_points: int = 0
    chi2: float = 0.0
    dof: int = 0
    backlash: tuple[float, float] | None = None
    step: float = 0.0
    note: str = ""

    def __post_init__(self) -> None:
        a, c = np.array(self.matrix, dtype=float), np.array(self.covariance, dtype=float)
        if a.shape != (2, 2) or c.shape != (4, 4) or not np.isfinite(a).all() or not np.isfinite(c).all():
            raise CalibrationError("a calibration needs a 2 × 2 matrix and its 4 × 4 covariance, all finite")
        if abs(np.linalg.det(a)) <= 1e-9 * float(np.abs(a).max()) ** 2 or not np.abs(a).max() > 0:
            raise CalibrationError("the calibration's matrix can't be inverted: its two axes act along one line")
        if np.linalg.eigvalsh((c + c.T) / 2).min() < -1e-9 * max(float(np.trace(c)), 1e-300):
            raise CalibrationError("the calibration's covariance is not positive")

    @property
    def a(self) -> Array:
        """The matrix as an array, shape (2, 2)."""
        return np.array(self.matrix, dtype=float)

    @property
    def cov(self) -> Array:
        """The covariance as an array, shape (4, 4)."""
        return np.array(self.covariance, dtype=float)

    def displacement(self, change: Array) -> tuple[Array, Array]:
        """Displacement (%, shape (2,)) that a change of readings (console units, (2,)) makes, and its covariance."""
        j = np.kron(np.eye(2), np.asarray(change, dtype=float))
        return self.a @ change, j @ self.cov @ j.T

    @property
    def description(self) -> dict[str, float | bool]:
        """Gains (% per unit), skew, rotation (deg, counter-clockwise on the screen) and mirror, for people."""
        a = self.a
        gx, gy = np.hypot(*a[:, 0]), np.hypot(*a[:, 1])
        dx = np.degrees(np.arctan2(-a[1, 0], a[0, 0]))
        dy = np.degrees(np.arctan2(-a[1, 1], a[0, 1]))
        mirrored = bool(np.linalg.det(a) > 0)  # y points down: an unmirrored pair of axes has a negative determinant
        between = (dy - dx + 180.0) % 360.0 - 180.0
        skew = between + 90.0 if mirrored else between - 90.0
        length, direction = relative_doubts(a, self.cov)
        return {
            "gain_x_percent": float(gx),
            "gain_y_percent": float(gy),
            "direction_x_deg": float(dx % 360),
            "direction_y_deg": float(dy % 360),
            "skew_deg": float(skew),
            "mirrored": mirrored,
            "relative_doubt": length,
            "direction_doubt_deg": float(np.degrees(direction)),
        }

    def valid_for(
        self,
        state: State | StateKey,
        now: datetime | None = None,
        mode: str | None = None,
        *,
        as_taken: bool = False,
    ) -> Validity:
        """Whether it may be used in a state, and what to do first.

        Args:
            state: the present state.
            now: the present time, with zone; ``None`` = age not judged.
            mode: illumination mode, where it is known beside a :class:`State`.
            as_taken: ``now`` is when the picture was taken: a calibration made later is no fault of a clock.
        """
        key = state if isinstance(state, StateKey) else StateKey.of(state, mode)
        changed = self.state.changed(key)
        since = self.confirmed_at or self.made_at
        age = (now - since).total_seconds() / 3600.0 if now is not None and since is not None else None
        says = []
        if changed:
            what = changed_words(changed, self.state, key)
            says.append(f"The shift calibration does not hold: {what} changed since. Calibrate in this state.")
        later = age is not None and age < -1.0
        confirm = age is not None and (age > CONFIRM_AFTER_H or (later and not as_taken))
        if later and as_taken and not changed:
            says.append(
                "The picture is judged as of when it was taken, before the shift calibration was made: the move holds only "
                "if the state was the same then."
            )
        elif later and not as_taken:
            says.append("The shift calibration is dated in the future: check the clock, then confirm it.")
        elif confirm and age is not None and not changed:
            says.append(
                f"The shift calibration is {_age_words(age)} old: confirm it with one small move of each axis before "
                "you rely on it (apertrue calibrate --confirm)."
            )
        unknown = self.state.unknown(key)
        if unknown and not changed:
            what = ", ".join(open_words(u, self.state, key) for u in unknown)
            says.append(f"Nothing tells whether the state is still the calibration's. Check yourself: {what}.")
        return Validity(not changed, changed, unknown, confirm, age, tuple(says))


def from_estimate(
    result: Estimate, state: StateKey | None = None, made_at: datetime | None = None, *, note: str = ""
) -> Calibration:
    """The calibration that an estimate gives in a state (``None`` = nothing of it is known).

    Raises:
        CalibrationError: the doubt is unknown (three points without σ), or so large that even the direction is open.
    """
    if not np.isfinite(result.covariance).all():
        raise CalibrationError(
            "the doubt of this calibration is unknown: three points without their own 1σ. Add a fourth point or the σ"
        )
    length, direction = relative_doubts(result.matrix, result.covariance)
    if max(length, direction) > 0.5:
        if result.enlarged > 2.0:
            raise CalibrationError(
                "the points contradict each other so much that not even the direction is known. Check the readings, "
                "and whether view, focus or aperture changed in between"
            )
        raise CalibrationError(
            "the moves were too small for the pictures' doubt: not even the direction is known. Make larger steps"
        )
    return Calibration(
        matrix=_pair(result.matrix),
        covariance=tuple(tuple(float(v) for v in row) for row in result.covariance),
        state=state or StateKey(),
        made_at=made_at,
        n_points=len(result.points),
        chi2=result.chi2,
        dof=result.dof,
        backlash=result.backlash,
        step=result.step,
        note=note,
    )


def _pair(a: Array) -> tuple[tuple[float, float], tuple[float, float]]:
    return (float(a[0, 0]), float(a[0, 1])), (float(a[1, 0]), float(a[1, 1]))


def at_focus(calibrations: Sequence[Calibration], focus: float) -> Calibration:
    """The calibration at another focus of the same state, learned from two or more foci.

    Each entry of the matrix is a straight line in the focus (weighted least squares with its covariance). Beyond the
    known foci by more than a tenth of their range it refuses.

    Raises:
        CalibrationError: fewer than two foci, different states or sides, or a focus out of reach.
    """
    known = [c for c in calibrations if c.state.gun_focus is not None]
    foci = np.array([float(c.state.gun_focus or 0.0) for c in known])
    if len(known) < 2 or np.ptp(foci) <= FOCUS_TOLERANCE * max(float(np.abs(foci).max()), 1.0):
        raise CalibrationError("scaling between foci needs calibrations at two different foci or more")
    # Another focus may draw the aperture at another size: its radius does not tell the view here.
    base = replace(known[0].state, gun_focus=None, aperture_radius_px=None)
    if any(base.changed(replace(c.state, gun_focus=None)) for c in known[1:]):
        raise CalibrationError("the calibrations belong to different states or sides: they share no scaling")
    low, high = float(foci.min()), float(foci.max())
    margin = 0.1 * (high - low)
    if not low - margin <= focus <= high + margin:
        raise CalibrationError(
            f"focus {focus:g} lies outside the calibrated range {low:g} to {high:g}: calibrate there"
        )
    from .leastsquares import least_squares

    n = len(known)
    center = float(foci.mean())
    design = np.zeros((4 * n, 8))
    cov = np.zeros((4 * n, 4 * n))
    for i, c in enumerate(known):
        rows = slice(4 * i, 4 * i + 4)
        design[rows, :4] = np.eye(4)
        design[rows, 4:] = np.eye(4) * (foci[i] - center)
        cov[rows, rows] = c.cov
    fit = least_squares(design, np.concatenate([c.a.ravel() for c in known]), cov)
    scale = max(1.0, fit.scale or 1.0)
    row = np.hstack([np.eye(4), np.eye(4) * (focus - center)])
    value, value_cov = fit.predict(row)
    dates = [c.made_at for c in known if c.made_at is not None]
    return Calibration(
        matrix=_pair(value.reshape(2, 2)),
        covariance=tuple(tuple(float(v) for v in r) for r in value_cov * scale**2),
        state=replace(base, gun_focus=focus),
        made_at=min(dates) if dates else None,
        n_points=sum(c.n_points for c in known),
        chi2=fit.chi2,
        dof=fit.dof,
        step=known[0].step,
        note=f"interpolated between {n} foci",
    )


def _age_words(hours: float) -> str:
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} days"


def _stamp(c: Calibration) -> float:
    when = c.confirmed_at or c.made_at
    return when.timestamp() if when is not None else 0.0


def date_words(c: Calibration) -> str:
    """When it was made or last confirmed, to the minute and with its zone; empty where that is not known."""
    when = c.confirmed_at or c.made_at
    return "" if when is None else when.isoformat(" ", "minutes")


def why_none(calibrations: Sequence[Calibration], state: StateKey) -> str:
    """Why none of the calibrations holds in a state: what changed against the nearest (then newest) one."""
    if not calibrations:
        return "No shift calibration was made yet."
    nearest = min(calibrations, key=lambda c: (len(c.state.changed(state)), -_stamp(c)))
    return " ".join(nearest.valid_for(state).sentences)


def newest_valid(calibrations: Sequence[Calibration], state: StateKey) -> Calibration | None:
    """The newest of the calibrations that hold in a state, whatever its age; ``None`` where none does."""
    return max((c for c in calibrations if c.valid_for(state).valid), key=_stamp, default=None)


def choose(calibrations: Sequence[Calibration], state: StateKey) -> Calibration | None:
    """The calibration to use in a state: the newest valid one, else one interpolated between foci, else ``None``."""
    valid = newest_valid(calibrations, state)
    if valid is not None:
        return valid
    if state.gun_focus is None:
        return None
    elsewhere = [c for c in calibrations if c.state.changed(state) == ("gun_focus",)]
    try:
        return at_focus(elsewhere, state.gun_focus)
    except CalibrationError:
        return None
