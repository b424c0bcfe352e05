"""What a drift estimate is made from: sightings of the beam and what was done to it, in the order of time.

Times are hours from any common origin. Offsets are in % of the aperture radius in the aperture plane, x right, y down
(`offset_x_percent`, `offset_y_percent` of the registry); covariances in %².
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import isfinite


@dataclass(frozen=True, slots=True)
class Sighting:
    """The beam's offset as one picture showed it.

    Attributes:
        t_h: time, h.
        x, y: offset, %.
        xx, xy, yy: covariance of its error, %².
    """

    t_h: float
    x: float
    y: float
    xx: float
    xy: float
    yy: float

    def __post_init__(self) -> None:
        values = (self.t_h, self.x, self.y, self.xx, self.xy, self.yy)
        if not all(isfinite(v) for v in values):
            raise ValueError(f"a sighting needs finite numbers, got {values}")
        if self.xx <= 0 or self.yy <= 0 or self.xy**2 > self.xx * self.yy:
            raise ValueError(f"not a covariance: xx {self.xx}, xy {self.xy}, yy {self.yy}")

    @classmethod
    def from_sigmas(
        cls, t_h: float, x: float, y: float, x_sigma: float, y_sigma: float, correlation: float | None = None
    ) -> "Sighting":
        """From 1σ errors (%) and their correlation (``None`` counts as 0)."""
        rho = max(-0.999, min(0.999, correlation or 0.0))
        return cls(t_h, x, y, x_sigma**2, rho * x_sigma * y_sigma, y_sigma**2)


@dataclass(frozen=True, slots=True)
class Step:
    """The beam was moved at this time: a nudge, the automatic routine, a recalled setting.

    Attributes:
        t_h: time, h.
        dx, dy: displacement through the calibration, %; both ``None`` when it is not known (it is fitted around).
        xx, xy, yy: covariance of that displacement's error, %².
        what: the kind of event, for people.
    """

    t_h: float
    dx: float | None = None
    dy: float | None = None
    xx: float = 0.0
    xy: float = 0.0
    yy: float = 0.0
    what: str = "nudge"

    def __post_init__(self) -> None:
        if (self.dx is None) != (self.dy is None):
            raise ValueError("a step's two displacements are known together or not at all")
        if self.xx < 0 or self.yy < 0 or self.xy**2 > self.xx * self.yy * (1 + 1e-9):
            raise ValueError(f"not a covariance: xx {self.xx}, xy {self.xy}, yy {self.yy}")

    @property
    def known(self) -> bool:
        """Whether the displacement is known."""
        return self.dx is not None


@dataclass(frozen=True, slots=True)
class Settling:
    """High tension, emission or the monochromator was changed at this time: the gun settles exponentially after it."""

    t_h: float
    what: str = "high tension"


@dataclass(frozen=True, slots=True)
class Restart:
    """The instrument's state changed so that nothing measured before tells about what comes after."""

    t_h: float
    what: str = "state changed"


Event = Sighting | Step | Settling | Restart

#: At identical times, what was done to the beam comes before what was seen of it.
_RANK = {Restart: 0, Settling: 1, Step: 2, Sighting: 3}


def ordered(events: Iterable[Event]) -> tuple[Event, ...]:
    """Events by time; at identical times restarts, settlings and steps come before sightings, else order is kept."""
    return tuple(sorted(events, key=lambda e: (e.t_h, _RANK[type(e)])))


def since_restart(events: Iterable[Event]) -> tuple[Event, ...]:
    """The ordered events from the last restart on (without it)."""
    track = ordered(events)
    last = max((i for i, e in enumerate(track) if isinstance(e, Restart)), default=-1)
    return track[last + 1 :]
