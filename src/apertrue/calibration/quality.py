"""How good a calibration is, in numbers and words, and which further point would help most."""

from dataclasses import dataclass
from math import cos, pi, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from .estimate import Estimate

Array = NDArray[np.float64]

#: Largest offset, % of the aperture radius, to which a suggested point may take the beam.
SAFE_OFFSET = 25.0


@dataclass(frozen=True, slots=True)
class NextPoint:
    """The readings whose snapshot would sharpen the matrix most (D-optimality: the smallest volume of doubt).

    Attributes:
        shift_x, shift_y: readings, console units.
        offset_percent: offset to expect there, % of the aperture radius.
        sharper: factor by which the typical 1σ of a matrix entry shrinks.
    """

    shift_x: float
    shift_y: float
    offset_percent: float
    sharper: float


@dataclass(frozen=True, slots=True)
class Quality:
    """How good it is.

    Attributes:
        word: ``good``, ``fair`` or ``poor``.
        direction_doubt_deg: 1σ doubt of the direction of a nudge, deg.
        relative_doubt: 1σ of a nudge's effect ÷ its length, in the worst direction.
        spread_condition: spread of the readings along their wide ÷ narrow direction.
        residual_percent: rms residual, % of the aperture radius; ``None`` without a degree of freedom.
        p_value: probability of residuals this large if the pictures' σ hold; ``None`` where it can't be told.
        sentences: the same for people.
        next_point: which further point would help most; ``None`` when none lies within reach.
    """

    word: str
    direction_doubt_deg: float
    relative_doubt: float
    spread_condition: float
    residual_percent: float | None
    p_value: float | None
    sentences: tuple[str, ...]
    next_point: NextPoint | None


def relative_doubts(matrix: Array, covariance: Array) -> tuple[float, float]:
    """(relative 1σ of the length, 1σ of the direction in rad) of A·u, each for the worst direction u of 24."""
    length = direction = 0.0
    for k in range(24):
        u = np.array([cos(k * pi / 24), sin(k * pi / 24)])
        v = matrix @ u
        n = float(np.hypot(*v))
        if n == 0.0:
            return float("inf"), float("inf")
        j = np.kron(np.eye(2), u)
        c = j @ covariance @ j.T
        along, across = v / n, np.array([-v[1], v[0]]) / n
        length = max(length, sqrt(max(float(along @ c @ along), 0.0)) / n)
        direction = max(direction, sqrt(max(float(across @ c @ across), 0.0)) / n)
    return length, direction


def quality(
    result: Estimate, *, shift_min: float = -np.inf, shift_max: float = np.inf, safe_offset: float = SAFE_OFFSET
) -> Quality:
    """Judge an estimate.

    Args:
        result: from :func:`apertrue.calibration.estimate.estimate`.
        shift_min: lower end of the console's range, console units.
        shift_max: its upper end.
        safe_offset: largest offset to which the next point may take the beam, % of the aperture radius.
    """
    unknown = not np.isfinite(result.covariance).all()
    length, direction = (np.inf, np.inf) if unknown else relative_doubts(result.matrix, result.covariance)
    worst = max(length, direction)
    residual = float(np.sqrt(np.mean(result.residuals**2))) if result.dof > 0 else None
    p = result.p_value
    word = "good" if worst <= 0.03 else "fair" if worst <= 0.10 else "poor"
    if result.enlarged > 3 and word == "good":
        word = "fair"
    following = None if unknown else next_point(result, shift_min, shift_max, safe_offset)
    return Quality(
        word,
        float(np.degrees(direction)),
        length,
        result.spread_condition,
        residual,
        p,
        _sentences(result, word, length, direction, residual, p, following),
        following,
    )


def _sentences(
    e: Estimate,
    word: str,
    length: float,
    direction: float,
    residual: float | None,
    p: float | None,
    following: NextPoint | None,
) -> tuple[str, ...]:
    says: list[str] = []
    if np.isfinite(length):
        says.append(
            f"The calibration is {word}: a nudge's length is known to {100 * length:.1f} % (1σ) and its direction to "
            f"{np.degrees(direction):.1f}° (1σ), in the worst direction."
        )
    else:
        says.append(
            "The doubt of the calibration is unknown: three points without their own 1σ leave nothing to judge by. "
            "Add a point, or use pictures instead of typed offsets."
        )
    if e.spread_condition > 10:
        says.append(
            f"The points lie almost on a line (wide ÷ narrow = {e.spread_condition:.0f}): add one across that line."
        )
    else:
        says.append(
            f"The readings spread over both axes (wide ÷ narrow = {e.spread_condition:.1f}; 1 is best, 10 is poor)."
        )
    if residual is None:
        says.append("Three points fit exactly whatever they say: only a fourth can show a mistake.")
    elif p is None:
        says.append(f"Residuals: {residual:.2f} % of the aperture radius (rms).")
    elif p < 0.001:
        says.append(
            f"The residuals ({residual:.2f} % rms) are far larger than the pictures' doubt (p = {p:.1g}): a typing "
            f"error, "
            "a drift with jumps, or a view that changed. The doubt was enlarged "
            f"{e.enlarged:.1f} times to cover them."
        )
    elif p < 0.05:
        says.append(
            f"The residuals ({residual:.2f} % rms) are larger than the pictures' doubt (p = {p:.2g}); "
            f"the doubt was enlarged {e.enlarged:.1f} times to cover them."
        )
    else:
        says.append(f"The residuals ({residual:.2f} % rms) agree with the pictures' doubt (p = {p:.2g}).")
    if e.drift is not None and e.drift_sigma is not None:
        if e.drift_separable:
            says.append(
                f"Drift during the calibration: x {e.drift[0]:+.1f} ± {e.drift_sigma[0]:.1f}, y {e.drift[1]:+.1f} ± "
                f"{e.drift_sigma[1]:.1f} % per hour (y down), taken out."
            )
        else:
            says.append(
                "These points and times can't show a drift (too short, or it can't be told apart from the shift); "
                "what it may "
                "have done is in the doubt. A later picture at the first readings would tell."
            )
    elif e.sigma_known and all(p.minutes is None for p in e.points):
        says.append("The pictures carry no times: a drift between them could not be looked for.")
    if e.backlash is not None and e.backlash_sigma is not None:
        for name, value, sigma in zip("XY", e.backlash, e.backlash_sigma, strict=True):
            if abs(value) > 2 * sigma:
                says.append(
                    f"Axis {name} has a backlash of {abs(value):.2f} ± {sigma:.2f} console units between approach "
                    "directions: always come from the same side."
                )
    if following is not None:
        needed = word != "good" or e.dof == 0
        says.append(
            f"{'The next point that helps most' if needed else 'No further point is needed; the one that would help'}: "
            f"X {following.shift_x:g}, Y {following.shift_y:g} "
            f"(doubt ÷ {following.sharper:.2f}; offset there about {following.offset_percent:.0f} %)."
        )
    return tuple(says)


def next_point(
    result: Estimate,
    shift_min: float = -np.inf,
    shift_max: float = np.inf,
    safe_offset: float = SAFE_OFFSET,
) -> NextPoint | None:
    """The point within reach that enlarges the determinant of the matrix's information most.

    Candidates lie on circles of predicted offset around the centered readings, at 1, ½ and ¼ of the safe offset,
    rounded to the step.
    """
    a, cov = result.matrix, result.joint
    if result.gains[1] <= 0:
        return None
    inverse = np.linalg.inv(a)
    centered = -inverse @ result.intercept
    known = [p.covariance for p in result.points if p.covariance is not None]
    noise = np.mean(known, axis=0) if known else np.eye(2) * float(np.mean(result.residuals**2) + 1e-12)
    noise = noise * result.enlarged**2 + result.step**2 / 12 * a @ a.T
    before = _log_volume(cov)
    best: NextPoint | None = None
    for size in (safe_offset, safe_offset / 2, safe_offset / 4):
        for k in range(16):
            angle = 2 * pi * k / 16
            s = centered + inverse @ (size * np.array([cos(angle), sin(angle)]))
            if result.step > 0:
                s = np.round(s / result.step) * result.step
            if (s < shift_min).any() or (s > shift_max).any():
                continue
            row = np.concatenate([np.eye(2), np.kron(np.eye(2), s)], axis=1)
            gain = np.linalg.solve(row @ cov @ row.T + noise, row @ cov)
            after = cov - (row @ cov).T @ gain
            sharper = float(np.exp((before - _log_volume(after)) / 8.0))
            if best is None or sharper > best.sharper * (1 + 1e-9):
                best = NextPoint(float(s[0]), float(s[1]), float(np.hypot(*(result.intercept + a @ s))), sharper)
    return best


def _log_volume(joint: Array) -> float:
    return float(np.linalg.slogdet(joint[2:6, 2:6])[1])
