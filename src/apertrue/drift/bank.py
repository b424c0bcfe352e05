"""A bank of Kalman filters over the noise parameters: forecasts that carry the doubt about the parameters too.

Putting one best set of noise parameters into a forecast makes its interval too narrow when pictures are few. The bank
runs the filter for a grid of parameters, weighs each by prior × likelihood (its largest is the maximum-likelihood
estimate with priors) and forecasts with all of them. It takes one picture at a time and keeps no history: memory
stays flat.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from .kalman import distance2, inverse_2x2, predict, update
from .priors import Priors, grid, log_sum
from .state_space import DESIGN, DriftNoise, motion, seen_noise, settle_effect, start_state, step_effect
from .track import Event, Restart, Settling, Sighting, Step, ordered

Array = NDArray[np.float64]

#: Squared distance of a picture from what was expected beyond which the beam was moved without a log entry (p = 3e-7).
UNEXPLAINED = 30.0
#: Grid points whose weight falls below this share of the largest are dropped.
_DROP = 1e-5
_SETTLE_NODES = 5


@dataclass(frozen=True, eq=False)
class Mixture:
    """A weighted sum of normal distributions of a two-component quantity.

    Attributes:
        weight: (n,), sums to 1. mean: (n, 2). cov: (n, 2, 2).
    """

    weight: Array
    mean: Array
    cov: Array

    @cached_property
    def moments(self) -> tuple[Array, Array]:
        """Mean (2,) and covariance (2, 2) of the mixture."""
        mean = self.weight @ self.mean
        apart = self.mean - mean
        cov = np.einsum("g,gij->ij", self.weight, self.cov) + np.einsum("g,gi,gj->ij", self.weight, apart, apart)
        return mean, cov

    def draw(self, n: int, rng: np.random.Generator) -> Array:
        """``n`` values, shape (n, 2)."""
        pick = rng.choice(len(self.weight), size=n, p=self.weight)
        a, b, d = self.cov[pick, 0, 0], self.cov[pick, 0, 1], self.cov[pick, 1, 1]
        z = rng.standard_normal((n, 2))
        first = np.sqrt(np.maximum(a, 0.0))
        slope = np.divide(b, first, out=np.zeros_like(b), where=first > 0)
        second = np.sqrt(np.maximum(d - slope**2, 0.0))
        out: Array = self.mean[pick] + np.stack([first * z[:, 0], slope * z[:, 0] + second * z[:, 1]], axis=1)
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Bank:
    """Where the drift estimate stands after the events so far.

    Attributes:
        t_h: time of the last event, h; ``None`` before any.
        log_weight: (n,), normalized.
        walk, wander, start_speed, jitter, settle_h: the parameters, (n,).
        mean, cov: states, (n, 6) and (n, 6, 6).
        priors: what was assumed before.
        seen: sightings since the last restart.
        last_seen_h: time of the last sighting, h.
        settling_h: time of the last settling event since the restart, h.
        unexplained: times of moves that no log entry explains, h (the last 20).
    """

    t_h: float | None
    log_weight: Array
    walk: Array
    wander: Array
    start_speed: Array
    jitter: Array
    settle_h: Array
    mean: Array
    cov: Array
    priors: Priors
    seen: int = 0
    last_seen_h: float | None = None
    settling_h: float | None = None
    unexplained: tuple[float, ...] = ()

    @classmethod
    def start(cls, priors: Priors | None = None) -> "Bank":
        """Before any event."""
        return _start(priors or Priors())

    @classmethod
    def of(cls, events: Iterable[Event], priors: Priors | None = None) -> "Bank":
        """After all the given events, in the order of time."""
        bank = cls.start(priors)
        for event in ordered(events):
            bank = bank.after(event)
        return bank

    def after(self, event: Event) -> "Bank":
        """After one more event; an event earlier than the last one counts as happening at the last one's time."""
        if isinstance(event, Restart):
            return replace(_start(self.priors), t_h=event.t_h)
        bank = self.moved_to(event.t_h)
        if isinstance(event, Step):
            shift, added = step_effect(event)
            return replace(bank, mean=bank.mean + shift, cov=bank.cov + added)
        if isinstance(event, Settling):
            return bank._with_settling(event)
        return bank._with_sighting(event)

    def moved_to(self, t_h: float) -> "Bank":
        """The same at a later time, nothing seen in between."""
        if self.t_h is None or t_h <= self.t_h:
            return replace(self, t_h=t_h if self.t_h is None else self.t_h)
        f, q = motion(t_h - self.t_h, self.walk, self.wander, self.settle_h)
        mean, cov = predict(self.mean, self.cov, f, q)
        return replace(self, t_h=t_h, mean=mean, cov=cov)

    def _with_sighting(self, event: Sighting) -> "Bank":
        seen = np.array([event.x, event.y])
        noise = seen_noise(event, self.jitter)
        bank = self
        if self.seen >= 2:
            expected = self.offset_at(event.t_h, noise)
            mean, cov = expected.moments
            if float(distance2(seen - mean, inverse_2x2(cov)[0])) > UNEXPLAINED:
                moved = Step(event.t_h, what="unexplained move")
                bank = replace(self.after(moved), unexplained=(*self.unexplained, event.t_h)[-20:])
        mean, cov, _, _, gained = update(bank.mean, bank.cov, seen, DESIGN, noise)
        weight = bank.log_weight + gained
        weight = weight - log_sum(weight)
        out = replace(bank, mean=mean, cov=cov, log_weight=weight, seen=bank.seen + 1, last_seen_h=event.t_h)
        return out._pruned()

    def _with_settling(self, event: Settling) -> "Bank":
        bank = self
        if self.settling_h is None:
            values, weights = self.priors.settle_h.nodes(_SETTLE_NODES)
            n, m = len(self.log_weight), len(values)
            weight = (self.log_weight[:, None] + np.array(weights)).ravel()
            bank = self._picked(np.repeat(np.arange(n), m), weight)
            bank = replace(bank, settle_h=np.tile(np.array(values), n))
        return replace(bank, cov=bank.cov + settle_effect(self.priors.settle), settling_h=event.t_h)

    def _pruned(self) -> "Bank":
        keep = self.log_weight > self.log_weight.max() + np.log(_DROP)
        if keep.all():
            return self
        return self._picked(np.flatnonzero(keep), self.log_weight[keep])

    def _picked(self, index: NDArray[np.intp], log_weight: Array) -> "Bank":
        return replace(
            self,
            log_weight=log_weight - log_sum(log_weight),
            walk=self.walk[index],
            wander=self.wander[index],
            start_speed=self.start_speed[index],
            jitter=self.jitter[index],
            settle_h=self.settle_h[index],
            mean=self.mean[index],
            cov=self.cov[index],
        )

    @property
    def weight(self) -> Array:
        """Posterior weights, (n,), summing to 1."""
        w = np.exp(self.log_weight)
        out: Array = w / w.sum()
        return out

    @property
    def best(self) -> DriftNoise:
        """The most probable parameters on the grid (maximum likelihood with priors)."""
        i = int(np.argmax(self.log_weight))
        return DriftNoise(
            float(self.walk[i]),
            float(self.wander[i]),
            float(self.start_speed[i]),
            float(self.jitter[i]),
            self.priors.settle,
            float(self.settle_h[i]),
        )

    def offset_at(self, t_h: float, noise: Array | None = None) -> Mixture:
        """The offset at a later time, % (with a picture's noise added where given, (n, 2, 2))."""
        later = self.moved_to(t_h)
        cov = DESIGN @ later.cov @ DESIGN.T
        return Mixture(self.weight, later.mean @ DESIGN.T, cov if noise is None else cov + noise)

    def velocity(self) -> Mixture:
        """The creep now, %/h, without the settling part."""
        return Mixture(self.weight, self.mean[:, 2:4], self.cov[:, 2:4, 2:4])

    def settling(self) -> Mixture:
        """What is left of the settling, % (it will go away by itself)."""
        return Mixture(self.weight, self.mean[:, 4:6], self.cov[:, 4:6, 4:6])


@lru_cache(maxsize=8)
def _start(priors: Priors) -> Bank:
    g = grid(priors)
    mean, cov = start_state(g.start_speed)
    for array in (mean, cov):
        array.setflags(write=False)
    return Bank(None, g.log_weight, g.walk, g.wander, g.start_speed, g.jitter, g.settle_h, mean, cov, priors)
