"""The current curves as plain records: one source for the command line, JSON and the report."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from .answers import covered_foci, current_at
from .costs import Cost
from .curve import CurrentModel
from .recall import RecallSummary
from .switching import Switching


def curve_records(model: CurrentModel, steps: int = 9) -> list[dict[str, Any]]:
    """The curve of each side at ``steps`` foci within what readings cover: focus, current and its intervals."""
    out = []
    for side in model.curves:
        low, high = covered_foci(model, side) or (0.0, 0.0)
        for focus in np.linspace(low, high, steps):
            answer = current_at(model, float(focus), side)
            if answer.current_pa is None or answer.interval_68 is None or answer.interval_95 is None:
                continue
            out.append(
                {
                    **_state(model),
                    "focus_side": side,
                    "gun_focus": float(focus),
                    "current_pa": answer.current_pa,
                    "current_pa_sigma": answer.sigma_pa,
                    "low_68_pa": answer.interval_68[0],
                    "high_68_pa": answer.interval_68[1],
                    "low_95_pa": answer.interval_95[0],
                    "high_95_pa": answer.interval_95[1],
                }
            )
    return out


def model_record(model: CurrentModel) -> dict[str, Any]:
    """What the fit rests on: state, crossover, numbers of pairs and sessions, what was set aside."""
    crossover = model.crossover
    return {
        **_state(model),
        "crossover": crossover.focus,
        "crossover_sigma": crossover.sigma if crossover.measured else None,
        "crossover_wander": crossover.wander if crossover.measured else None,
        "crossover_measured": crossover.measured,
        "session": model.today,
        "sides": {
            side: {"pairs": c.n_pairs, "sessions": c.n_sessions, "gun_focus_covered": covered_foci(model, side)}
            for side, c in model.curves.items()
        },
        "rising_sides": list(model.rising),
        "set_aside": [asdict(a) for a in model.aside],
    }


def _state(model: CurrentModel) -> dict[str, Any]:
    return {"kv": model.state.kv, "spot": model.state.spot, "aperture_um": model.state.aperture_um}


def cost_record(cost: Cost) -> dict[str, Any]:
    """A cost as JSON-ready values; each measured one with its ``_sigma``."""
    out: dict[str, Any] = {}
    for name, value in asdict(cost).items():
        if isinstance(value, Mapping):
            out[name], out[name + "_sigma"] = value["value"], value["sigma"]
        else:
            out[name] = list(value) if isinstance(value, tuple) else value
    return out


def recall_record(summary: RecallSummary) -> dict[str, Any]:
    """A recall summary as JSON-ready values; readings in console units, offsets in % of the aperture radius."""
    start = summary.start
    sigma = None if start is None else np.sqrt(np.diag(start.covariance))
    growth = summary.growth_percent_per_week
    return {
        "setting": summary.setting,
        "focus_side": summary.side,
        "recalls": len(summary.recalls),
        "unseen": summary.unseen,
        "offset_rms_percent": summary.rms_percent,
        "offset_x_percent": float(summary.mean[0]),
        "offset_x_percent_sigma": float(summary.mean_sigma[0]),
        "offset_y_percent": float(summary.mean[1]),
        "offset_y_percent_sigma": float(summary.mean_sigma[1]),
        "growth_percent_per_week": None if growth is None else growth[0],
        "growth_percent_per_week_sigma": None if growth is None else growth[1],
        "growth_significant": summary.growth_significant,
        "start_gun_shift_x": None if start is None else float(start.readings[0]),
        "start_gun_shift_x_sigma": None if sigma is None else float(sigma[0]),
        "start_gun_shift_y": None if start is None else float(start.readings[1]),
        "start_gun_shift_y_sigma": None if sigma is None else float(sigma[1]),
        "start_expected_offset_percent": None if start is None else start.expected_offset_percent,
        "minutes_per_recall": summary.minutes_per_recall,
        "minutes_with_start": summary.minutes_with_start,
        "pays_after_recalls": summary.pays_after,
        "sentences": list(summary.sentences),
        "history": [
            {
                "at": r.at.isoformat(),
                "age_days": r.age_days,
                "offset_x_percent": float(r.offset[0]),
                "offset_y_percent": float(r.offset[1]),
                "offset_percent": r.length,
            }
            for r in summary.recalls
        ],
    }


def switching_record(found: Switching) -> dict[str, Any]:
    """The switching test as JSON-ready values."""
    out = asdict(found)
    out["sentences"] = list(found.sentences)
    return out
