"""Current against gun-lens focus: one monotone curve a state and side, with its doubt, fitted over many sessions.

Model, for pair i of session s on side k: ln I = g_k(d) + γ_s + noise, d = |focus − crossover − δ_s|. g_k falls with d;
it is drawn from a Gaussian process around a straight line in x = ½ ln(1 + (d/d₀)²) (flat at crossover, a power law far
away); γ_s is the session's emission, δ_s its step of the crossover reading. The two sides share γ and δ (one gun, one
crossover) and never a curve. Amplitude, length, emission, wander and noise are not fitted but averaged over a grid with
their posterior weights, so that few pairs give wide intervals instead of false confidence; draws of g are made monotone
by projection onto falling curves (see :func:`apertrue.fitting.monotone.monotone_rows`).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ..fitting.monotone import isotonic, monotone_rows
from .crossover import Crossover, fit_crossover
from .pairs import Aside, GunState, Pair, RadiusReading
from .posterior import SIDES, PairData, Posterior, arrays_of, session_crossover, side_of

Array = NDArray[np.float64]

__all__ = ["SIDES", "CurrentModel", "SideCurve", "by_state", "fit_current", "side_of"]

#: Most pairs that enter a fit; the cost grows with the cube of their number.
MOST_PAIRS = 120
_DRAWS = 1200


@dataclass(frozen=True, slots=True, eq=False)
class SideCurve:
    """The curve of one side, as draws.

    Attributes:
        side: ``positive`` or ``negative``.
        distance: |focus − crossover| of the grid, console units, rising from 0, shape (m,).
        log_current: ln(pA) of a centered beam, draws of the falling curve, shape (k, m).
        reach: least and greatest distance that pairs cover, console units.
        n_pairs, n_sessions: behind it.
    """

    side: str
    distance: Array
    log_current: Array
    reach: tuple[float, float]
    n_pairs: int
    n_sessions: int

    @property
    def sign(self) -> float:
        """+1 for the positive side, −1 for the negative."""
        return 1.0 if self.side == "positive" else -1.0


@dataclass(frozen=True, slots=True, eq=False)
class CurrentModel:
    """Both curves of one state, and what one session's readings may differ by.

    Attributes:
        state: what it belongs to.
        crossover: the crossover's reading.
        curves: side → curve; a side without pairs, or whose readings rise, is missing.
        gain: draws of the session's ln emission factor γ, shape (k,): today's where it was fitted, else a new one's.
        shift: draws of the session's crossover minus the mean crossover, console units, shape (k,).
        noise: draws of a single reading's own 1σ in ln I beyond its stated one, shape (k,).
        today: the session that ``gain`` and ``shift`` belong to; ``None`` = a new session of which nothing is known.
        pairs: those behind it.
        aside: pairs set aside, with the reason.
        rising: sides whose readings rise away from crossover beyond their doubt, which no beam does; they have no curve.
    """

    state: GunState
    crossover: Crossover
    curves: Mapping[str, SideCurve]
    gain: Array
    shift: Array
    noise: Array
    today: str | None
    pairs: tuple[Pair, ...]
    aside: tuple[Aside, ...]
    rising: tuple[str, ...] = ()


def by_state(pairs: Iterable[Pair]) -> dict[GunState, list[Pair]]:
    """Pairs sorted into states, those with most pairs first."""
    out: dict[GunState, list[Pair]] = {}
    for pair in pairs:
        out.setdefault(pair.state, []).append(pair)
    return dict(sorted(out.items(), key=lambda item: (-len(item[1]), item[0].label)))


def fit_current(
    pairs: Sequence[Pair],
    radii: Sequence[RadiusReading] = (),
    *,
    today: str | None = None,
    rng: np.random.Generator,
) -> CurrentModel:
    """The curves of one state.

    Args:
        pairs: of one state (see :func:`by_state`), at least three on a side for that side's curve.
        radii: radius readings of the same instrument, for the crossover.
        today: the session whose emission and crossover step shall hold for answers; ``None`` = a new session.
        rng: source of the draws.

    Raises:
        ValueError: pairs of several states, or no side with three pairs at two different foci.
    """
    if len({p.state for p in pairs}) > 1:
        raise ValueError("pairs of several states never share a curve: fit each state alone")
    crossover = fit_crossover(radii) or Crossover(measured=False)
    aside: list[Aside] = []
    kept: list[Pair] = []
    near = 2.0 * (crossover.sigma + crossover.wander)
    for pair in thinned(pairs, crossover.focus, today):
        distance = (pair.focus - session_crossover(crossover, pair.session)[0]) * (
            1.0 if side_of(pair, crossover.focus) == "positive" else -1.0
        )
        if distance < -near - 1e-9:
            aside.append(Aside(pair.source, "its stated side does not fit the sign of its focus reading"))
        elif pair.side is None and abs(distance) <= near and near > 0:
            aside.append(Aside(pair.source, "too near the crossover to tell its side"))
        else:
            kept.append(pair)
    usable = {
        s for s in SIDES if len({p.focus for p in kept if side_of(p, crossover.focus) == s}) >= 2
        and sum(side_of(p, crossover.focus) == s for p in kept) >= 3
    }  # fmt: skip
    for pair in [p for p in kept if side_of(p, crossover.focus) not in usable]:
        aside.append(
            Aside(pair.source, f"fewer than three pairs at two foci on the {side_of(pair, crossover.focus)} side")
        )
    kept = [p for p in kept if side_of(p, crossover.focus) in usable]
    if not kept:
        raise ValueError(
            "no side has three currents at two different foci; note the current at a few more readings of the focus"
        )
    posterior, data, suspects = _without_outliers(kept, crossover, today)
    aside += [Aside(kept[i].source, why) for i, why in suspects.items()]
    kept = [p for i, p in enumerate(kept) if i not in suspects]
    rising = tuple(s for s in SIDES if _rises([p for p in kept if side_of(p, crossover.focus) == s], crossover))
    falling = [p for p in kept if side_of(p, crossover.focus) not in rising]
    if rising and falling:
        # What no beam does must not shape the other side, which shares emission and crossover.
        kept = falling
        posterior, data, suspects = _without_outliers(kept, crossover, today)
        aside += [Aside(kept[i].source, why) for i, why in suspects.items()]
        kept = [p for i, p in enumerate(kept) if i not in suspects]
    curves, gain, shift, noise = posterior.draw(_DRAWS, rng)
    names = sorted({side_of(p, crossover.focus) for p in kept} - set(rising), reverse=True)
    made = {}
    for name in names:
        mine = np.array([side_of(p, crossover.focus) == name for p in kept])
        d = data.d0 * np.sqrt(np.expm1(2 * data.x[mine]))
        grid = data.d0 * np.sqrt(np.expm1(2 * data.x_grid))
        made[name] = SideCurve(
            name,
            grid,
            monotone_rows(curves[name], increasing=False),
            (float(d.min()), float(d.max())),
            int(mine.sum()),
            len({p.session for p in kept if side_of(p, crossover.focus) == name}),
        )
    known = today if today in data.names else None
    return CurrentModel(
        kept[0].state,
        crossover,
        MappingProxyType(made),
        gain,
        shift,
        noise,
        known,
        tuple(kept),
        tuple(aside),
        rising,
    )


def _rises(pairs: Sequence[Pair], crossover: Crossover) -> bool:
    """Whether the readings of one side contradict a current that falls away from crossover.

    Session by session (emission cancels), against the nearest falling sequence: residuals beyond twice the doubt in the
    mean square, and beyond 4 %.
    """
    chi2 = square = 0.0
    n = 0
    for session in {p.session for p in pairs}:
        mine = sorted(
            (p for p in pairs if p.session == session),
            key=lambda p: abs(p.focus - session_crossover(crossover, session)[0]),
        )
        if len(mine) < 2:
            continue
        y, s = np.array([p.log_current for p in mine]), np.array([p.log_sigma for p in mine])
        rest = y - isotonic(y, 1.0 / s**2, increasing=False)
        chi2 += float(((rest / s) ** 2).sum())
        square += float((rest**2).sum())
        n += len(mine)
    return n >= 3 and chi2 > 4.0 * n and square > 0.04**2 * n


def thinned(pairs: Sequence[Pair], crossover: float, today: str | None = None, most: int = MOST_PAIRS) -> list[Pair]:
    """At most ``most`` pairs that tell nearly as much, in the order given.

    First go further readings of one session and side at nearly the same focus (a tenth of the distance from the
    crossover): they share the session's emission and tell the curve once. Then the oldest. Today's all stay.
    """
    if len(pairs) <= most:
        return list(pairs)
    stamps = [p.at.timestamp() if p.at is not None else 0.0 for p in pairs]
    newest = sorted(range(len(pairs)), key=lambda i: (-stamps[i], -i))
    seen: set[tuple[str, str, int]] = set()
    first: list[int] = []
    again: list[int] = []
    for i in newest:
        p = pairs[i]
        place = (p.session, side_of(p, crossover), round(10.0 * float(np.log(max(abs(p.focus - crossover), 1e-3)))))
        (again if place in seen and p.session != today else first).append(i)
        seen.add(place)
    return [pairs[i] for i in sorted((first + again)[:most])]


def _without_outliers(
    pairs: Sequence[Pair], crossover: Crossover, today: str | None
) -> tuple[Posterior, PairData, dict[int, str]]:
    """The posterior without pairs that no smooth falling curve explains: typing errors, wrong units, a lost beam."""
    suspects: dict[int, str] = {}
    while True:
        index = [i for i in range(len(pairs)) if i not in suspects]
        data = arrays_of([pairs[i] for i in index], crossover)
        posterior = Posterior(data, crossover, today)
        if len(index) < 6 or len(suspects) >= max(1, len(pairs) // 5):
            return posterior, data, suspects
        z, rest = posterior.left_out()
        worst = int(np.argmax(np.abs(z)))
        # Far off both in its own doubt and in plain size: a factor of two is never the meter's noise.
        if abs(z[worst]) < 4.0 or abs(rest[worst]) < 0.4:
            return posterior, data, suspects
        factor = float(np.exp(rest[worst]))
        digit = " (a digit too many or too few?)" if 7 < factor < 14 or 7 < 1 / factor < 14 else ""
        suspects[index[worst]] = f"its current is {factor:.2g} times what the other pairs tell{digit}"
