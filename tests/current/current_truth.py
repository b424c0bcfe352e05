"""Simulated instruments with known currents: for the tests of the curves and for their benchmark.

The truth is written apart from the estimator: current = emission × what passes the aperture of a beam whose radius
grows with the distance from crossover, by the transmission integral; the estimator knows only a smooth falling curve.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from apertrue.model.transmission import PlaneBeam, passed_fraction

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


@dataclass(frozen=True)
class TrueSide:
    all_pa: float  # the beam's whole current
    slope: float  # beam radius ÷ aperture radius per unit of focus
    rim: float  # light as 1 + rim·ρ²
    sign: float

    def current(self, distance: float, gain: float = 0.0) -> float:
        return self.all_pa * np.exp(gain) * passed_fraction(self.beam(distance, 0.0))

    def beam(self, distance: float, offset: float) -> PlaneBeam:
        return PlaneBeam.round(offset, 0, np.hypot(0.05, self.slope * abs(distance)), (self.rim,), softness=0.02)

    def score(self, distance: float, offset: float) -> float:
        return 100 * min(passed_fraction(self.beam(distance, offset)) / passed_fraction(self.beam(distance, 0.0)), 1.0)


@dataclass(frozen=True)
class TrueInstrument:
    crossover: float
    wander: float
    emission: float
    meter: float
    sides: dict[str, TrueSide]

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> "TrueInstrument":
        def side(sign, low, high):
            return TrueSide(
                5 * float(np.exp(rng.uniform(np.log(low), np.log(high)))),
                1 / rng.uniform(15, 40),
                rng.uniform(-0.6, 0.6),
                sign,
            )

        return cls(
            float(rng.normal(0, 1.5)),
            float(rng.uniform(0, 0.8)),
            float(rng.choice([0.02, 0.05, 0.12])),
            float(rng.choice([0.005, 0.02])),
            {"positive": side(1.0, 15, 600), "negative": side(-1.0, 200, 4000)},
        )

    def session(self, rng: np.random.Generator) -> tuple[float, float]:
        """(crossover, ln emission) of a session."""
        return self.crossover + float(rng.normal(0, self.wander)), float(rng.normal(0, self.emission))

    def records(
        self, rng: np.random.Generator, sessions: int, *, radii: bool, most: int = 6, off_center: float = 0.05
    ) -> list[dict]:
        """What a careful operator would log over some sessions: 3 to ``most`` currents a side and session."""
        out = []
        for s in range(sessions):
            crossover, gain = self.session(rng)
            for name, side in self.sides.items():
                for k in range(int(rng.integers(3, most + 1))):
                    focus = round(crossover + side.sign * rng.uniform(0.3, 2.0) / side.slope, 1)
                    distance = (focus - crossover) * side.sign
                    score = side.score(distance, abs(rng.normal(0, off_center)))
                    read = side.current(distance, gain) * score / 100 * np.exp(rng.normal(0, self.meter))
                    record = {
                        "gun_focus": focus,
                        "focus_side": name,
                        "current_pa": read,
                        "score": score,
                        "score_sigma": 0.2,
                        "kv": 200.0,
                        "aperture_um": 70.0,
                        "taken_at": START + timedelta(days=7 * s, minutes=5 * k),
                    }
                    ratio = side.slope * distance
                    if radii and ratio < 1.0:
                        record |= {
                            "beam_radius_px": 200 * ratio * (1 + rng.normal(0, 0.003)),
                            "beam_radius_px_sigma": 0.6,
                            "aperture_radius_px": 200.0,
                            "aperture_radius_px_sigma": 0.2,
                        }
                    out.append(record)
        return out
