"""The drift model: where the beam lies, how fast it creeps, and how it settles.

Per axis, with W independent Brownian motions and hours as the unit of time:

    dp = v dt + σ_p dW₁        position: an integrated velocity plus a random walk of its own
    dv = σ_v dW₂               velocity: a random walk
    ds = −s/τ dt               settling after a high-tension, emission or monochromator change

A picture sees p + s with its own covariance plus a jitter (vibration). The state is (x, y, v_x, v_y, s_x, s_y).
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .kalman import predict, smooth_back, update
from .track import Event, Restart, Settling, Sighting, Step, ordered

Array = NDArray[np.float64]

N_STATE = 6
#: Seen = position + settling.
DESIGN: Array = np.array([[1.0, 0, 0, 0, 1, 0], [0, 1, 0, 0, 0, 1]])
#: 1σ of a position or a step of which nothing is known, %: two aperture radii (beyond that no beam passes).
UNKNOWN_PERCENT = 200.0


@dataclass(frozen=True, slots=True)
class DriftNoise:
    """The model's noise parameters.

    Attributes:
        walk: σ_p, %/√h.
        wander: σ_v, (%/h)/√h.
        start_speed: 1σ of each velocity component before anything was seen, %/h.
        jitter: 1σ of each component beside a picture's own σ, %.
        settle: 1σ of each settling amplitude, %.
        settle_h: time constant τ of the settling, h.
    """

    walk: float
    wander: float
    start_speed: float
    jitter: float = 0.0
    settle: float = 15.0
    settle_h: float = 0.67


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """States along a track for one set of noise parameters.

    Attributes:
        t_h: times of the sightings, h, shape (n,).
        mean: states, shape (n, 6).
        cov: their covariances, shape (n, 6, 6).
        log_likelihood: of all sightings, 2π included.
    """

    t_h: Array
    mean: Array
    cov: Array
    log_likelihood: float

    @property
    def offset(self) -> Array:
        """Offset (x, y) in %, shape (n, 2)."""
        return self.mean @ DESIGN.T

    @property
    def offset_cov(self) -> Array:
        """Covariance of the offset, %², shape (n, 2, 2)."""
        out: Array = DESIGN @ self.cov @ DESIGN.T
        return out


def start_state(start_speed: Array | float, unknown: float = UNKNOWN_PERCENT) -> tuple[Array, Array]:
    """A start of which only the usual speed is known: mean (…, 6) and covariance (…, 6, 6)."""
    speed = np.asarray(start_speed, dtype=float)
    cov = np.zeros((*speed.shape, N_STATE, N_STATE))
    cov[..., 0, 0] = cov[..., 1, 1] = unknown**2
    cov[..., 2, 2] = cov[..., 3, 3] = speed**2
    return np.zeros((*speed.shape, N_STATE)), cov


def motion(dt: float, walk: Array | float, wander: Array | float, settle_h: Array | float) -> tuple[Array, Array]:
    """Transition and process covariance over ``dt`` hours, shapes (…, 6, 6); parameters broadcast."""
    walk, wander, settle_h = np.broadcast_arrays(
        np.asarray(walk, float), np.asarray(wander, float), np.asarray(settle_h, float)
    )
    transition = np.zeros((*walk.shape, N_STATE, N_STATE))
    process = np.zeros_like(transition)
    decay = np.exp(-dt / settle_h)
    qp, qv = walk**2 * dt, wander**2
    for axis in (0, 1):
        p, v, s = axis, axis + 2, axis + 4
        transition[..., p, p] = transition[..., v, v] = 1.0
        transition[..., p, v] = dt
        transition[..., s, s] = decay
        process[..., p, p] = qp + qv * dt**3 / 3
        process[..., p, v] = process[..., v, p] = qv * dt**2 / 2
        process[..., v, v] = qv * dt
    return transition, process


def step_effect(step: Step) -> tuple[Array, Array]:
    """What a step does to the state: known move (6,) and covariance added (6, 6); an unknown one is diffuse."""
    shift, added = np.zeros(N_STATE), np.zeros((N_STATE, N_STATE))
    if step.dx is None or step.dy is None:
        added[0, 0] = added[1, 1] = UNKNOWN_PERCENT**2
    else:
        shift[:2] = step.dx, step.dy
        added[:2, :2] = [[step.xx, step.xy], [step.xy, step.yy]]
    return shift, added


def seen_noise(sighting: Sighting, jitter: Array | float) -> Array:
    """A picture's covariance with the jitter added, %², shape (…, 2, 2)."""
    own = np.array([[sighting.xx, sighting.xy], [sighting.xy, sighting.yy]])
    extra = np.asarray(jitter, dtype=float) ** 2
    return np.asarray(own + extra[..., None, None] * np.eye(2), dtype=np.float64)


def settle_effect(settle: float) -> Array:
    """Covariance added by a change after which the gun settles, (6, 6), %²."""
    added = np.zeros((N_STATE, N_STATE))
    added[0, 0] = added[1, 1] = UNKNOWN_PERCENT**2
    added[4, 4] = added[5, 5] = settle**2
    return added


def follow(
    events: Iterable[Event], noise: DriftNoise, *, smooth: bool = False, unknown: float = UNKNOWN_PERCENT
) -> Path:
    """Filter (or smooth) a track with given noise parameters.

    Args:
        events: sightings, steps, settlings and restarts, any order.
        noise: the model's noise parameters.
        smooth: use later sightings for earlier states too.
        unknown: 1σ of the start position, %.

    Returns:
        the states at the sightings' times.
    """
    mean, cov = start_state(noise.start_speed, unknown)
    identity = np.eye(N_STATE)
    links: list[tuple[Array, Array, Array]] = []  # how each sighting's state came from the one before
    forward, process, shift = identity, np.zeros((N_STATE, N_STATE)), np.zeros(N_STATE)
    times, means, covs, total, now = [], [], [], 0.0, None

    def chain(f: Array, q: Array, u: Array) -> None:
        nonlocal forward, process, shift, mean, cov
        forward, process, shift = f @ forward, f @ process @ f.T + q, f @ shift + u
        mean, cov = predict(mean, cov, f, q)
        mean = mean + u

    for event in ordered(events):
        if now is not None and event.t_h > now:
            f, q = motion(event.t_h - now, noise.walk, noise.wander, noise.settle_h)
            chain(f, q, np.zeros(N_STATE))
        now = event.t_h
        if isinstance(event, Restart):
            start, start_cov = start_state(noise.start_speed, unknown)
            chain(np.zeros((N_STATE, N_STATE)), start_cov, start)
        elif isinstance(event, Settling):
            chain(identity, settle_effect(noise.settle), np.zeros(N_STATE))
        elif isinstance(event, Step):
            u, q = step_effect(event)
            chain(identity, q, u)
        else:
            seen = np.array([event.x, event.y])
            mean, cov, _, _, ll = update(mean, cov, seen, DESIGN, seen_noise(event, noise.jitter))
            total += float(ll)
            times.append(event.t_h)
            means.append(mean)
            covs.append(cov)
            links.append((forward, process, shift))
            forward, process, shift = identity, np.zeros((N_STATE, N_STATE)), np.zeros(N_STATE)
    if smooth:
        for i in range(len(means) - 2, -1, -1):
            f, q, u = links[i + 1]
            means[i], covs[i] = smooth_back(means[i], covs[i], means[i + 1], covs[i + 1], f, q, u)
    n = len(times)
    return Path(
        np.array(times), np.array(means).reshape(n, N_STATE), np.array(covs).reshape(n, N_STATE, N_STATE), total
    )
