"""What ``apertrue calibrate`` prints: tables and sentences for people, objects for programs."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from ._output import note, print_json, print_sentence, print_table, print_text

if TYPE_CHECKING:
    from ..calibration import Calibration, Confirmation, Estimate, Quality, Question


def print_calibration(
    made: "Calibration",
    result: "Estimate",
    judged: "Quality",
    asked: tuple["Question", ...],
    place: Path | None,
) -> None:
    """Points, matrix in words, quality and where it is kept."""
    rows = []
    for i, (p, rest) in enumerate(zip(result.points, result.residuals, strict=True), 1):
        sx = "" if p.x_sigma is None else f" ± {p.x_sigma:.2f}"
        sy = "" if p.y_sigma is None else f" ± {p.y_sigma:.2f}"
        rows.append(
            [
                str(i),
                p.label,
                f"{p.shift_x:g}",
                f"{p.shift_y:g}",
                f"{p.offset_x:+.2f}{sx}",
                f"{p.offset_y:+.2f}{sy}",
                f"{rest[0]:+.2f}",
                f"{rest[1]:+.2f}",
            ]
        )
    print_table(
        ["point", "picture", "X", "Y", "offset x", "offset y", "residual x", "residual y"],
        rows,
        right=[0, 2, 3, 4, 5, 6, 7],
    )
    print_text("Offsets and residuals in % of the aperture radius, x right, y down.")
    print_text()
    describe(made)
    for sentence in judged.sentences:
        print_sentence(sentence)
    for question in asked:
        note(f"accepted in spite of: {question.sentence}")
    print_text("Not kept." if place is None else f"Kept in {place}")
    print_text(
        "It holds for this state only; confirm it each day with one small move of each axis "
        "(apertrue calibrate --confirm). Not yet verified on an instrument."
    )


def describe(made: "Calibration") -> None:
    """What one unit of each axis does."""
    d = made.description
    for axis, key in (("X", "x"), ("Y", "y")):
        print_text(
            f"Gun shift {axis} +1 moves the beam {d[f'gain_{key}_percent']:.2f} % of the aperture radius toward "
            f"{d[f'direction_{key}_deg']:.0f}° (90° is up)."
        )
    print_text(f"Angle between the axes {abs(90 + float(d['skew_deg'])):.0f}°{', mirrored' if d['mirrored'] else ''}.")


def question_record(q: "Question") -> dict[str, Any]:
    """A question for JSON."""
    return {"point": q.index + 1, "kind": q.kind, "sentence": q.sentence, "suggestion": q.suggestion}


def calibration_record(
    made: "Calibration",
    result: "Estimate",
    judged: "Quality",
    asked: tuple["Question", ...],
    place: Path | None,
) -> dict[str, Any]:
    """Everything about a calibration for JSON."""
    from dataclasses import asdict

    from ..calibration.files import to_dict

    return {
        "kept": None if place is None else str(place),
        "calibration": to_dict(made),
        "description": made.description,
        "drift_percent_per_h": result.drift,
        "drift_percent_per_h_sigma": result.drift_sigma,
        "drift_separable": result.drift_separable,
        "backlash": result.backlash,
        "backlash_sigma": result.backlash_sigma,
        "chi2": result.chi2,
        "dof": result.dof,
        "p_value": result.p_value,
        "enlarged": result.enlarged,
        "quality": {k: v for k, v in asdict(judged).items() if k != "sentences"},
        "sentences": list(judged.sentences),
        "questions": [question_record(q) for q in asked],
        "points": [
            {
                "label": p.label,
                "gun_shift_x": p.shift_x,
                "gun_shift_y": p.shift_y,
                "offset_x_percent": p.offset_x,
                "offset_x_percent_sigma": p.x_sigma,
                "offset_y_percent": p.offset_y,
                "offset_y_percent_sigma": p.y_sigma,
                "residual_x_percent": float(r[0]),
                "residual_y_percent": float(r[1]),
            }
            for p, r in zip(result.points, result.residuals, strict=True)
        ],
    }


def print_list(place: Path, as_json: bool) -> None:
    """The kept calibrations."""
    from ..calibration import load_calibrations
    from ..calibration.files import to_dict
    from ..registry.format import with_minus

    kept = load_calibrations(place)
    if as_json:
        print_json({"file": str(place), "calibrations": [{**to_dict(c), "description": c.description} for c in kept]})
        return
    if not kept:
        print_text(f"No calibrations in {place}. Make one with: apertrue calibrate --guide")
        return
    rows = []
    for c in kept:
        s, d = c.state, c.description
        known = (s.focus_side, s.gun_focus, s.kv, s.aperture_um, s.spot, s.magnification, s.camera, s.mode)
        words = ("", "focus", "kV", "µm", "spot", "×", "", "")
        state = ", ".join(f"{w} {v}".strip() for w, v in zip(words, known, strict=True) if v is not None)
        when = c.confirmed_at or c.made_at
        rows.append(
            [
                when.strftime("%Y-%m-%d %H:%M") if when else "",
                with_minus(state),
                f"{d['gain_x_percent']:.2f}",
                f"{d['gain_y_percent']:.2f}",
                f"{100 * float(d['relative_doubt']):.1f}",
                str(c.n_points),
            ]
        )
    print_table(["made or confirmed", "state", "X %/unit", "Y %/unit", "doubt %", "points"], rows, right=[2, 3, 4, 5])


def confirmation_record(outcome: "Confirmation", place: Path | None) -> dict[str, Any]:
    """A confirmation for JSON."""
    from dataclasses import asdict

    return {**asdict(outcome), "kept": None if place is None else str(place)}
