"""From log entries to the drift estimate: what was seen, what was done to the beam, and what ended everything before.

The follower takes one entry at a time and keeps no history, so that a watch over many hours stays small. Pictures that
come within a few seconds of each other are merged first: a burst tells little more about a drift over hours.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import numpy as np

from ..calibration import Calibration, StateKey, choose
from ..calibration.state_key import FOCUS_TOLERANCE
from ..drift import Bank, Event, Priors, Restart, Settling, Sighting, Step
from ..fixed_map import FixedMap
from .entry import SessionEvent
from .words import RESTARTS, SETTLINGS, EventKind

#: Pictures within this time are merged into one sighting, s.
MERGE_S = 20.0
#: Scenes whose offset says where the beam lies.
_TELLING = ("both-edges", "clipped", "beam-only")
#: How far a beam strays within that time when nobody turns it, %, 1σ.
_SHORT_PERCENT = 0.5
#: A sighting's 1σ is never taken smaller than this, %.
_FLOOR_PERCENT = 0.003

_STATE = ("kv", "aperture_um", "spot", "focus_side", "magnification", "camera", "gun_focus")
_NONE: Mapping[str, Any] = FixedMap()


@dataclass(frozen=True, slots=True, eq=False)
class Follower:
    """The drift estimate after some entries.

    Attributes:
        bank: the estimate, without the pictures in ``recent``.
        origin: time zero of the bank; ``None`` before any entry.
        calibrations: which way and how far a nudge moves the beam.
        state: the instrument's state as last known.
        shift: readings (x, y) of the gun shift at the last picture; ``None`` if not known.
        turned: changes logged as nudges since that picture, console units.
        recent: merged sighting not yet in the bank, and when its first picture was taken.
        last_at: time of the last entry.
        pictures: sightings since the last restart.
    """

    bank: Bank
    origin: datetime | None = None
    calibrations: tuple[Calibration, ...] = ()
    state: Mapping[str, Any] = field(default_factory=lambda: _NONE)
    shift: tuple[float, float] | None = None
    turned: tuple[float, float] = (0.0, 0.0)
    recent: tuple[Sighting, datetime] | None = None
    last_at: datetime | None = None
    pictures: int = 0

    @classmethod
    def start(cls, calibrations: Sequence[Calibration] = (), priors: Priors | None = None) -> "Follower":
        """Before any entry."""
        return cls(Bank.start(priors), calibrations=tuple(calibrations))

    @classmethod
    def of(
        cls, entries: Iterable[SessionEvent], calibrations: Sequence[Calibration] = (), priors: Priors | None = None
    ) -> "Follower":
        """After all entries, which come in the order of time."""
        out = cls.start(calibrations, priors)
        for entry in entries:
            out = out.after(entry)
        return out

    def hours(self, at: datetime) -> float:
        """A moment in the bank's time, h."""
        return 0.0 if self.origin is None else (at - self.origin).total_seconds() / 3600.0

    @property
    def settled(self) -> Bank:
        """The estimate with the recent pictures taken in."""
        return self.bank if self.recent is None else self.bank.after(self.recent[0])

    def after(self, entry: SessionEvent) -> "Follower":
        """After one more entry."""
        out = replace(self, origin=self.origin or entry.at, last_at=entry.at)
        if entry.kind is EventKind.PICTURE:
            return out._picture(entry)
        if entry.kind is EventKind.NUDGE:
            return out._nudge(entry)
        if entry.kind is EventKind.ROUTINE_END:
            return out._flushed(Step(out.hours(entry.at), what="automatic routine"))._lost_readings()
        if entry.kind is EventKind.RECALL:
            return out._flushed(Step(out.hours(entry.at), what="recalled setting"))._state(entry)._lost_readings()
        if entry.kind is EventKind.SERVICE:
            t = out.hours(entry.at)
            return out._flushed(Restart(t, "service"), Settling(t, "service"))._lost_readings()
        if entry.kind is EventKind.STATE:
            return out._state(entry)
        return out

    def _flushed(self, *then: Event) -> "Follower":
        bank = self.settled
        for event in then:
            bank = bank.after(event)
        restarted = any(isinstance(e, Restart) for e in then)
        return replace(self, bank=bank, recent=None, pictures=0 if restarted else self.pictures)

    def _lost_readings(self) -> "Follower":
        return replace(self, shift=None, turned=(0.0, 0.0))

    def _state(self, entry: SessionEvent) -> "Follower":
        """Take in the state that an entry tells; what changed ends the estimate or lets the gun settle."""
        told = {k: entry.values[k] for k in _STATE if entry.get(k) is not None}
        changed = [k for k, v in told.items() if k in self.state and differs(k, self.state[k], v)]
        changed += [c for c in entry.changed if c not in changed]
        t = self.hours(entry.at)
        events: list[Event] = []
        if any(c in RESTARTS for c in changed):
            events.append(Restart(t, " and ".join(changed)))
        elif "gun_focus" in changed:
            # Another focus shows the same misalignment at another size: the place must be found anew.
            events.append(Step(t, what="gun-lens focus"))
        if any(c in SETTLINGS for c in changed):
            events.append(Settling(t, " and ".join(c for c in changed if c in SETTLINGS)))
        out = self._flushed(*events) if events else self
        return replace(out, state=FixedMap({**self.state, **told}))

    def _nudge(self, entry: SessionEvent) -> "Follower":
        x, y = entry.get("nudge_x"), entry.get("nudge_y")
        if x is None and y is None:
            return self._flushed(Step(self.hours(entry.at)))._lost_readings()
        change = (float(x or 0.0), float(y or 0.0))
        out = self._flushed(self._step(entry.at, change, "nudge"))
        return replace(out, turned=(self.turned[0] + change[0], self.turned[1] + change[1]))

    def _step(self, at: datetime, change: tuple[float, float], what: str) -> Step:
        """What a change of the readings did, through the calibration that held; unknown without one."""
        key = StateKey(**{k: self.state.get(k) for k in _STATE})
        held = [c for c in self.calibrations if c.made_at is None or c.made_at <= at] or list(self.calibrations)
        calibration = choose(held, key)
        if calibration is None:
            return Step(self.hours(at), what=what)
        moved, cov = calibration.displacement(np.array(change))
        if calibration.backlash is not None:
            slack = np.array([0.5 * b if c else 0.0 for b, c in zip(calibration.backlash, change, strict=True)])
            cov = cov + calibration.a @ np.diag(slack**2) @ calibration.a.T
        return Step(
            self.hours(at),
            float(moved[0]),
            float(moved[1]),
            float(cov[0, 0]),
            float(cov[0, 1]),
            float(cov[1, 1]),
            what,
        )

    def _picture(self, entry: SessionEvent) -> "Follower":
        out = self._state(entry)._readings(entry)
        seen = sighting(entry, out.hours(entry.at))
        if seen is None:
            return out
        out = replace(out, pictures=out.pictures + 1)
        if out.recent is None:
            return replace(out, recent=(seen, entry.at))
        merged, first = out.recent
        if 0 <= (entry.at - first).total_seconds() < MERGE_S:
            if _moved_between(merged, seen):  # turned by hand from one to the next: only the later one still holds
                return replace(out, recent=(seen, entry.at))
            return replace(out, recent=(_merged(merged, seen), first))
        return replace(out._flushed(), recent=(seen, entry.at))

    def _readings(self, entry: SessionEvent) -> "Follower":
        """A change of the readings that no nudge entry explains is a nudge nobody wrote down."""
        x, y = entry.get("gun_shift_x"), entry.get("gun_shift_y")
        if x is None or y is None:
            return self
        out = self
        if self.shift is not None:
            left = (x - self.shift[0] - self.turned[0], y - self.shift[1] - self.turned[1])
            if max(abs(left[0]), abs(left[1])) > 1e-6 * max(1.0, abs(x), abs(y)):
                out = self._flushed(self._step(entry.at, left, "nudge without entry"))
        return replace(out, shift=(x, y), turned=(0.0, 0.0))


def sighting(entry: SessionEvent, t_h: float) -> Sighting | None:
    """What a picture says about the beam's place; ``None`` when it says nothing or is a frozen frame."""
    if entry.get("scene") not in _TELLING or "frozen" in entry.flags:
        return None
    names = ("offset_x_percent", "offset_y_percent", "offset_x_percent_sigma", "offset_y_percent_sigma")
    x, y, sx, sy = (entry.get(n) for n in names)
    if x is None or y is None or sx is None or sy is None:
        return None
    return Sighting.from_sigmas(
        t_h, x, y, max(sx, _FLOOR_PERCENT), max(sy, _FLOOR_PERCENT), entry.get("offset_xy_correlation")
    )


def _moved_between(a: Sighting, b: Sighting) -> bool:
    """Whether two places differ by more than four times what doubt, jitter and creep make in such a short time."""
    cov = np.array([[a.xx + b.xx, a.xy + b.xy], [a.xy + b.xy, a.yy + b.yy]]) + _SHORT_PERCENT**2 * np.eye(2)
    step = np.array([b.x - a.x, b.y - a.y])
    return bool(step @ np.linalg.solve(cov, step) > 16.0)


def _merged(a: Sighting, b: Sighting) -> Sighting:
    """Both as one, weighted by their information; the later time."""
    ca, cb = np.array([[a.xx, a.xy], [a.xy, a.yy]]), np.array([[b.xx, b.xy], [b.xy, b.yy]])
    wa, wb = np.linalg.inv(ca), np.linalg.inv(cb)
    cov = np.linalg.inv(wa + wb)
    mean = cov @ (wa @ [a.x, a.y] + wb @ [b.x, b.y])
    cov = cov + _FLOOR_PERCENT**2 * np.eye(2)
    return Sighting(b.t_h, float(mean[0]), float(mean[1]), float(cov[0, 0]), float(cov[0, 1]), float(cov[1, 1]))


def differs(name: str, before: Any, now: Any) -> bool:
    """Whether a state field changed; the focus has a tolerance, since it is turned all day."""
    if name == "gun_focus":
        return bool(abs(before - now) > FOCUS_TOLERANCE * max(abs(before), 1.0))
    if isinstance(before, float) and isinstance(now, float):
        return abs(before - now) > 1e-6 * max(abs(before), abs(now))
    return bool(before != now)
