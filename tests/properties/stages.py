"""The stages behind the fit on made-up scenes: their numbers, for comparison with those of the day they were frozen.

    python tests/properties/stages.py        freezes them anew, after a change that is meant

The scenes are drawn at random, once and for all, over everything that a scene may be; no picture is behind them, so
that a better fit changes nothing here. What may change it is a change of a formula or of a decision.
"""

import json
from collections import defaultdict
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from apertrue.advice import Context, Nudge
from apertrue.advise import advise, budget
from apertrue.assess import assess_scene
from apertrue.frame import State, as_frame
from apertrue.instrument import Instrument, loads_instrument
from apertrue.model.edges import distance
from apertrue.model.transmission import PlaneBeam, best_passed_fraction, lens_area, passed_fraction
from apertrue.registry import SceneKind
from apertrue.scene import BeamProfile, Edge, Scene

FROZEN = Path(__file__).with_name("stages.json")
COUNT = 60

_INSTRUMENTS = (
    "",
    "[working]\nbeam_ratio_positive = 1.2\nbeam_ratio_negative = 0.8\n",
    "[working]\nbeam_ratio = 0.9\n",
)


def instruments() -> tuple[Instrument, ...]:
    """Without a word about the work, with a spread for each side, with one for both."""
    return tuple(loads_instrument(text) if text else Instrument() for text in _INSTRUMENTS)


def _scene(rng: np.random.Generator) -> Scene:
    radius = float(rng.uniform(80, 400))
    angle, length = float(rng.uniform(0, 2 * np.pi)), float(rng.choice([0.002, 0.02, 0.08, 0.2, 0.5, 0.8])) * radius
    aperture = Edge(500.0, 480.0, radius, *rng.normal(0, 0.02, 2), float(rng.uniform(0.8, 3)))
    beam = Edge(
        500 + length * np.cos(angle), 480 + length * np.sin(angle), radius * float(rng.uniform(0.5, 1.15)),
        *rng.normal(0, 0.03, 2), float(rng.uniform(0.8, 5)),
    )  # fmt: skip
    radial = tuple(float(v) for v in rng.uniform(-0.3, 0.3, int(rng.integers(0, 3))))
    profile = BeamProfile(float(rng.uniform(300, 3000)), radial, *(float(v) for v in rng.normal(0, 0.05, 2)))
    n = 12 + 1 + len(radial) + 2 + 1
    size = np.concatenate([[0.1, 0.1, 0.1, 4e-4, 4e-4, 0.1] * 2, [8.0], [0.01] * (len(radial) + 2), [3.0]])
    root = rng.normal(0, 1, (n, n)) / np.sqrt(n) * size[:, None] * float(rng.choice([0.3, 1, 5]))
    kind = rng.choice(
        [SceneKind.BOTH_EDGES] * 6 + [SceneKind.CLIPPED] * 2 + [SceneKind.CROSSOVER, SceneKind.BEAM_ONLY]
        + [SceneKind.OVERFILLED, SceneKind.ONE_EDGE, SceneKind.DARK]
    )  # fmt: skip
    remembered = bool(kind == SceneKind.BEAM_ONLY and rng.random() < 0.5)
    has_aperture = kind in (SceneKind.BOTH_EDGES, SceneKind.CLIPPED, SceneKind.CROSSOVER, SceneKind.OVERFILLED)
    has_beam = kind not in (SceneKind.OVERFILLED, SceneKind.ONE_EDGE, SceneKind.DARK)
    return Scene(
        SceneKind(kind),
        float(rng.uniform(0.4, 1)),
        (1000, 1024),
        tuple(str(f) for f in rng.choice(["noisy", "uneven", "in-the-way", "afterglow"], 1))
        if rng.random() < 0.3
        else (),
        aperture=aperture if has_aperture or remembered else None,
        beam=beam if has_beam else None,
        edge=aperture if kind == SceneKind.ONE_EDGE else None,
        covariance=None if kind == SceneKind.DARK else root @ root.T,
        profile=profile if has_beam else None,
        halo_mean=float(rng.uniform(-5, 80)) if rng.random() < 0.9 else None,
        unevenness=(float(rng.uniform(0, 9)), 0.4) if rng.random() < 0.7 else None,
        aperture_remembered=remembered,
        sign_known=bool(rng.random() > 0.07),
        levels_linear=bool(rng.random() > 0.1),
        why=("aperture-unconfirmed",) if rng.random() < 0.07 else (),
    )


def _context(rng: np.random.Generator) -> Context:
    def maybe(value: Any, share: float = 0.35) -> Any:
        return value if rng.random() < share else None

    early = float(rng.uniform(5, 200))
    move = Nudge(*(float(v) for v in rng.normal(0, 5, 2)), *(float(v) for v in rng.uniform(0.02, 0.8, 2)))
    return Context(
        age_min=maybe(float(rng.choice([1.0, 20.0, 1e4])), 0.6),
        frozen=bool(rng.random() < 0.06),
        state_changed=("kv",) if rng.random() < 0.06 else (),
        nudge=maybe(move, 0.5),
        nudges_failed=int(rng.choice([0, 0, 0, 1, 2])),
        hangs_today=int(rng.choice([0, 0, 0, 1, 2])),
        drift_percent_per_h=maybe((float(rng.uniform(0.5, 4)), float(rng.uniform(0.1, 2)))),
        minutes_to_limit=maybe((early, 2 * early, 3 * early)),
        current_expected_pa=maybe((100.0, 5.0)),
        aperture_confirmed=bool(rng.random() > 0.06),
        working_ratio=maybe(float(rng.uniform(0.8, 1.3)), 0.2),
        learned_offset_percent=maybe((float(rng.normal(0, 2)), float(rng.normal(0, 2))), 0.2),
        auto_residual_percent=maybe(float(rng.uniform(0.5, 4)), 0.3),
    )


def line(number: int) -> dict[str, Any]:
    """Scene ``number`` through assess and advise: what a user would be told, in numbers and ids."""
    rng = np.random.default_rng([97, number])
    scene, context = _scene(rng), _context(rng)
    instrument = instruments()[number % 3]
    state = State().updated(
        "file", aperture_um=float(rng.choice([50, 70, 150])), focus_side=str(rng.choice(["positive", "negative"])),
        current_pa=float(rng.uniform(50, 120)),
    )  # fmt: skip
    taken = datetime(2026, 3, 14, 9, 26, 53, tzinfo=UTC) + timedelta(minutes=number)
    frame = as_frame(np.zeros((4, 4), np.uint16), file=f"{number}.tif", state=state, taken_at=taken)
    assessment = assess_scene(scene, frame, instrument, context)
    advice = advise(assessment, scene, instrument, context)
    told = {k: v for k, v in assessment.to_dict().items() if v is not None}
    options = [
        {"way": str(o.verdict), "minutes": o.minutes, "terms": dict(o.terms), "allowed": o.allowed,
         "barred_by": list(o.barred_by)} for o in advice.options
    ]  # fmt: skip
    move = None if advice.nudge is None else asdict(advice.nudge)
    return {
        "told": told,
        "verdict": str(advice.verdict),
        "reasons": list(advice.reasons),
        "options": options,
        "move": move,
    }


def formulas() -> dict[str, list[float]]:
    """The bare formulas on a grid."""
    rng = np.random.default_rng(31)
    out: dict[str, list[float]] = defaultdict(list)
    for _ in range(24):
        tilt, soft = (float(v) for v in rng.normal(0, 0.15, 2)), float(rng.choice([0.0, 0.005, 0.04]))
        radial = tuple(float(v) for v in rng.uniform(-0.4, 0.5, int(rng.integers(0, 3))))
        m = np.diag([1.0, 1.0]) * rng.uniform(0.3, 1.6) + rng.normal(0, 0.05, (2, 2))
        beam = PlaneBeam(*(float(v) for v in (*rng.uniform(-0.8, 0.8, 2), *m.ravel())), radial, *tilt, soft)
        out["passed"].append(passed_fraction(beam))
        out["best"] += [float(v) for v in best_passed_fraction(beam)]
    for d in np.linspace(0, 2.2, 23):
        out["lens"] += [lens_area(float(d), r, R) for r, R in ((0.5, 1.0), (1.0, 1.0), (1.3, 0.7))]
    x, y = rng.uniform(-50, 150, (2, 40))
    for edge in ([50.0, 40.0, 30.0, 0.05, -0.1, 1.0], [50.0, 40.0, 30.0, 0.0, 0.0, 1.0]):
        out["distance"] += [float(v) for v in distance(x, y, np.array(edge))]
    for radial in ((), (0.4,), (-0.3, 0.2), (-0.9,), (3.0, 5.0)):
        out["rim"] += [budget.rim_scale(radial, float(r)) for r in (0.4, 0.8, 1.0, 1.3, 2.0)]
    for _ in range(24):
        offset, doubt, speed, spread = (float(v) for v in rng.uniform(0, [40, 8, 5, 3]))
        ratio, scale, soft = float(rng.uniform(0.6, 1.5)), float(rng.uniform(0.5, 3)), float(rng.choice([0.0, 0.03]))
        minutes = float(rng.uniform(5, 180))
        out["mean lost"].append(budget.mean_lost(offset, doubt, (speed, spread), minutes, ratio, scale, soft))
        out["by hand"] += budget.by_hand(offset, float(rng.uniform(0, 1)), 2.0, float(rng.uniform(0.1, 3)))
        out["anchor"].append(budget.anchor(offset, float(rng.uniform(40, 100)), ratio, soft, (0.2,)))
    return out


def frozen() -> dict[str, Any]:
    """Everything, ready for JSON."""
    return {"lines": [line(n) for n in range(COUNT)], "formulas": dict(formulas())}


def shortened(value: Any) -> Any:
    """Ten digits of each number: the last ones differ between processors, and would hide what really changed."""
    if isinstance(value, dict):
        return {k: shortened(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [shortened(v) for v in value]
    return float(f"{value:.10g}") if isinstance(value, float) else value


def main() -> None:
    """Freeze anew."""
    text = json.dumps(shortened(frozen()), indent=1, sort_keys=True) + "\n"
    FROZEN.write_text(text, encoding="utf-8", newline="\n")
    print(f"{FROZEN.name}: {FROZEN.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
