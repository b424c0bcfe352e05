"""The virtual microscope as its operator sees it: readings, knobs, a camera, a meter, a clock and a routine."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from math import hypot

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame, State
from ..instrument import Console
from ..model.transmission import best_passed_fraction, passed_fraction
from .automatic import AutomaticRun, maximize_current
from .hidden import Hidden, random_hidden
from .motion import Drift, Play, Walk
from .optics import (
    Setting,
    beam_current,
    beam_ratio,
    clipped_fraction,
    halo_current,
    matrix_at,
    offset_at,
    plane_beam,
    recipe_of,
    side_of,
)
from .picture import expose, light_of

Array = NDArray[np.float64]

#: What things take, min: a move by hand, a picture with its look, a current reading, a change of focus or tilt.
MOVE_MIN, SNAPSHOT_MIN, METER_MIN, LENS_MIN = 0.4, 0.3, 0.025, 0.3
#: What a hang of the automatic routine costs, min.
HANG_MIN = 15.0
#: The day on which every virtual microscope is switched on.
START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Position:
    """The truth at one moment, for reviews and tests; the operator does not see it.

    Attributes:
        offset_x_percent, offset_y_percent, offset_percent: beam center − aperture center, % of the aperture radius, y
            down.
        beam_ratio: beam radius ÷ aperture radius.
        clipped_fraction: share of the beam's current that the aperture stops.
        score: 100 × beam current now ÷ most over all shifts; ``working_score`` the same spread to just fill the
            aperture.
        current_pa: the beam's current through the aperture, without halo and noise.
    """

    offset_x_percent: float
    offset_y_percent: float
    offset_percent: float
    beam_ratio: float
    clipped_fraction: float
    score: float
    working_score: float
    current_pa: float


class VirtualMicroscope:
    """A microscope with a hidden misalignment.

    Args:
        seed: everything follows from it.
        hidden: a truth of one's own instead of the seed's.
        size: rows and columns of its pictures, px.
        console: step and range of the shift readings.
        age_min: how long ago the gun was last disturbed at the start, min (what is left of settling follows).
    """

    def __init__(
        self,
        seed: int,
        *,
        hidden: Hidden | None = None,
        size: int = 512,
        console: Console | None = None,
        age_min: float = 60.0,
    ) -> None:
        streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(8)]
        self.seed, self.size = seed, size
        self.hidden = hidden or random_hidden(streams[0])
        self.console = console or Console()
        self._camera, self._meter, self._events, self._start = streams[1], streams[2], streams[3], streams[4]
        h = self.hidden
        walks = (Walk(streams[5], h.wander), Walk(streams[6], h.wander))
        self._drift = Drift(h.trend, walks, h.settling_min)
        left = float(np.exp(-age_min / h.settling_min))
        self._drift.disturb(0.0, h.settling[0] * left, h.settling[1] * left)
        self._crossover = Walk(streams[7], h.crossover_wander)
        self.minutes = 0.0
        self.moves = self.snapshots = self.meter_readings = self.routine_runs = 0
        self._focus = h.positive.focus + h.crossover
        self._tilt = np.zeros(2)
        self._view = np.zeros(2)
        self._magnification, self._kv, self._camera_name = 100.0, h.kv, "screen camera"
        self._stored: dict[str, tuple[float, float, float]] = {}
        self._frozen: Frame | None = None
        start = self._round(np.array(h.positive.center))
        self._shift = start
        self._play = [Play(h.backlash[k], float(start[k])) for k in (0, 1)]
        self._lens = Play(h.focus_backlash, self._focus)
        self.misalign(float(self._start.uniform(8.0, 60.0)), float(self._start.uniform(0.0, 360.0)))

    # --- what the operator reads -------------------------------------------------------------------------------------
    @property
    def shift(self) -> tuple[float, float]:
        """Readings of gun shift X and Y, console units."""
        return float(self._shift[0]), float(self._shift[1])

    @property
    def focus(self) -> float:
        """Reading of the gun-lens focus."""
        return self._focus

    @property
    def tilt(self) -> tuple[float, float]:
        """Readings of the gun tilt, tilt units."""
        return float(self._tilt[0]), float(self._tilt[1])

    @property
    def now(self) -> datetime:
        """The virtual time, with zone."""
        return START + timedelta(minutes=self.minutes)

    def state(self) -> State:
        """The readings as a picture carries them (without current: that takes a reading)."""
        return State().updated(
            "microscope",
            gun_shift_x=self.shift[0],
            gun_shift_y=self.shift[1],
            gun_focus=self._focus,
            focus_side="positive" if self._focus >= 0 else "negative",
            kv=self._kv,
            aperture_um=self.hidden.aperture_um,
            magnification=self._magnification,
            camera=self._camera_name,
        )

    def snapshot(self) -> Frame:
        """A picture of the present view, with state and time; takes its time."""
        self.wait(SNAPSHOT_MIN)
        self.snapshots += 1
        if self._frozen is not None:
            return replace(self._frozen, taken_at=self.now)
        return self.frame()

    def frame(self) -> Frame:
        """The same without taking time and without counting: for a live view."""
        setting = self._setting()
        dense = (0.9 / setting.ratio) ** 2
        # The operator (or the camera) exposes shorter when it is brighter; a spot stays saturated all the same.
        exposure = min(4.0, max(1.0 / dense, 0.02))
        recipe = recipe_of(self.hidden, setting, self.size, exposure)
        pixels = expose(light_of(recipe), recipe, self._camera)
        return Frame(
            pixels,
            file=None,
            taken_at=self.now,
            taken_at_source="microscope",
            state=self.state(),
            saturation=65535.0,
            linear=True,
            exposure_s=exposure,
        )

    def current_pa(self) -> float:
        """A reading of the current meter, pA: beam and halo through the aperture, with noise; takes its time."""
        self.wait(METER_MIN)
        self.meter_readings += 1
        return self._read_current()

    # --- what the operator turns --------------------------------------------------------------------------------------
    def set_shift(self, x: float, y: float) -> None:
        """Set both readings, rounded to the console's step.

        Raises:
            ValueError: out of the console's range, or no number.
        """
        self._turn(x, y)
        self.wait(MOVE_MIN)
        self.moves += 1

    def move(self, dx: float, dy: float) -> None:
        """Change both readings."""
        self.set_shift(self._shift[0] + dx, self._shift[1] + dy)

    def set_focus(self, focus: float) -> None:
        """Set the gun-lens focus (−100 … 100)."""
        if not -100.0 <= focus <= 100.0:
            raise ValueError(f"the focus must lie between −100 and 100, got {focus:g}")
        self._focus = float(focus)
        self._lens.follow(self._focus)
        self.wait(LENS_MIN)

    def set_tilt(self, x: float, y: float) -> None:
        """Set the gun tilt (−5 … 5 each)."""
        if not max(abs(x), abs(y)) <= 5.0:
            raise ValueError("the gun tilt must lie between −5 and 5")
        self._tilt = np.array([float(x), float(y)])
        self.wait(LENS_MIN)

    def normalize(self) -> None:
        """Normalize the lenses: their hysteresis is gone until the next change of focus."""
        self._lens.output = self._focus
        self.wait(LENS_MIN)

    def deflect(self, dx: float, dy: float) -> None:
        """Turn the wrong knob: a deflector below the aperture moves the whole view (px of a 512 px picture)."""
        self._view = self._view + np.array([dx, dy])
        self.wait(MOVE_MIN)

    def change_tension(self, kv: float) -> None:
        """Change the high tension: the beam jumps and settles anew."""
        self._kv = float(kv)
        jump = self._events.normal(0.0, 12.0, 4)
        self._drift.disturb(self.minutes - 1e-9, float(jump[0]), float(jump[1]))
        self._drift.disturb(self.minutes - 50 * self.hidden.settling_min, float(jump[2]), float(jump[3]))

    def store(self, name: str) -> None:
        """Store shift and focus under a name."""
        self._stored[name] = (*self.shift, self._focus)

    def recall(self, name: str) -> None:
        """Recall a stored setting: the readings come back, the beam has moved on."""
        x, y, focus = self._stored[name]
        self._turn(x, y)
        self.set_focus(focus)

    def freeze(self, frozen: bool = True) -> None:
        """Let the camera show the same frame from now on, or not any more."""
        self._frozen = self.frame() if frozen else None

    def wait(self, minutes: float) -> None:
        """Let time pass, min."""
        if minutes < 0:
            raise ValueError("time does not run backward")
        self.minutes += minutes

    def run_automatic(self, *, can_hang: bool = True) -> AutomaticRun:
        """Run the automatic routine: it maximizes current, or hangs and leaves the shift where it stood by then."""
        self.routine_runs += 1
        start, began = self.shift, self.minutes
        hangs = bool(self._events.random() < self.hidden.hang_probability) and can_hang
        self.wait(0.3)
        if hangs:
            nudge = self._events.normal(0.0, 1.0, 2)
            low, high = self.console.shift_min, self.console.shift_max
            self._turn(*np.clip(self._shift + nudge, low, high))
            self.wait(HANG_MIN)
            return AutomaticRun("hung", self.minutes - began, 0, start, self.shift)

        def measure(x: float, y: float) -> float:
            self._turn(x, y)
            self.wait(METER_MIN)
            return self._read_current()

        reach = self.scan_reach()
        _, _, n = maximize_current(measure, start, reach, low=self.console.shift_min, high=self.console.shift_max)
        return AutomaticRun("done", self.minutes - began, n, start, self.shift)

    def scan_reach(self) -> tuple[float, float]:
        """Half width of the routine's first scan, console units: about half the aperture's radius."""
        setting = self._setting()
        a = matrix_at(self.hidden.side(setting.side), setting.defocus)
        return 50.0 / float(np.hypot(*a[:, 0])), 50.0 / float(np.hypot(*a[:, 1]))

    # --- the truth ----------------------------------------------------------------------------------------------------
    def truth(self) -> Position:
        """The truth now."""
        setting = self._setting()
        x, y = setting.offset
        return Position(
            x,
            y,
            hypot(x, y),
            setting.ratio,
            clipped_fraction(self.hidden, setting),
            self._score(setting, None),
            self._score(setting, 1.0),
            beam_current(self.hidden, setting),
        )

    def true_matrix(self) -> Array:
        """The true matrix at the present focus, % of the aperture radius per console unit, shape (2, 2)."""
        setting = self._setting()
        return matrix_at(self.hidden.side(setting.side), setting.defocus)

    def misalign(self, offset_percent: float, direction_deg: float) -> None:
        """Set the readings so that the beam stands off by about this much (to the console's step); costs no time.

        Args:
            offset_percent: % of the aperture radius.
            direction_deg: counter-clockwise from right on the screen.
        """
        t = np.radians(direction_deg)
        wish = offset_percent * np.array([np.cos(t), -np.sin(t)])
        for _ in range(3):  # backlash makes it a second try
            change = np.linalg.solve(self.true_matrix(), wish - np.array(self._setting().offset))
            low, high = self.console.shift_min, self.console.shift_max
            self._turn(*np.clip(self._shift + change, low, high))

    # --- inside -------------------------------------------------------------------------------------------------------
    def _round(self, shift: Array) -> Array:
        step = self.console.shift_step
        return np.round(np.round(shift / step) * step, 10) if step > 0 else shift

    def _turn(self, x: float, y: float) -> None:
        wish = np.array([float(x), float(y)])
        low, high = self.console.shift_min, self.console.shift_max
        if not (np.isfinite(wish).all() and (wish >= low - 1e-9).all() and (wish <= high + 1e-9).all()):
            raise ValueError(f"the gun shift readings must lie between {low:g} and {high:g}, got {x:g}, {y:g}")
        self._shift = self._round(wish)
        for k in (0, 1):
            self._play[k].follow(float(self._shift[k]))

    def _setting(self) -> Setting:
        h = self.hidden
        defocus = self._lens.output - h.crossover - self._crossover.at(self.minutes)
        shift = np.array([p.output for p in self._play])
        tilt_error = self._tilt - np.array(h.tilt)
        offset = offset_at(h, shift, defocus, tilt_error, self._drift.at(self.minutes))
        side = side_of(defocus)
        moved = matrix_at(h.side(side), defocus) @ (shift - np.array(h.side(side).center)) / 100.0 * h.aperture_px
        view = self._view + h.shadow * moved
        return Setting(
            side,
            beam_ratio(h, defocus),
            (float(offset[0]), float(offset[1])),
            (float(tilt_error[0]), float(tilt_error[1])),
            defocus,
            (float(view[0]), float(view[1])),
        )

    def _read_current(self) -> float:
        setting = self._setting()
        true = beam_current(self.hidden, setting) + halo_current(self.hidden, setting)
        noise = hypot(self.hidden.meter_relative * true, self.hidden.meter_pa)
        return float(true + self._meter.normal(0.0, noise))

    def _score(self, setting: Setting, ratio: float | None) -> float:
        beam = plane_beam(self.hidden, setting, ratio)
        best, _, _ = best_passed_fraction(beam)
        return 100.0 * min(passed_fraction(beam) / best, 1.0) if best > 0 else 0.0
