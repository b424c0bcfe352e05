"""What ``apertrue calibrate`` prints: tables and sentences for people, objects for programs."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from ._output import note, print_json, print_sentence, print_table, print_text

if TYPE_CHECKING:
    from ..calibration import Calibration, Confirmation, Contradiction, Estimate, Quality, Question


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
    odd: "Contradiction | None" = None,
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
        "contradiction": None if odd is None else asdict(odd),
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
    from ..calibration.model import date_words
    from ..registry.format import with_minus

    kept = load_calibrations(place)
    if as_json:
        print_json({"file": str(place), "calibrations": [{**to_dict(c), "description": c.description} for c in kept]})
        return
    if not kept:
        print_text(f"No calibrations in {place}. Make one with: apertrue calibrate --guide")
        return
    rows = []
    for number, c in enumerate(kept, 1):
        s, d = c.state, c.description
        radius = None if s.aperture_radius_px is None else f"{s.aperture_radius_px[0]:.1f} px"
        known = (s.focus_side, s.gun_focus, s.kv, s.aperture_um, s.spot, s.magnification, s.camera, s.mode, radius)
        words = ("", "focus", "kV", "µm", "spot", "×", "", "", "aperture radius")
        state = ", ".join(f"{w} {v}".strip() for w, v in zip(words, known, strict=True) if v is not None)
        axes = [f"{d[f'gain_{k}_percent']:.2f} toward {d[f'direction_{k}_deg']:.0f}°" for k in "xy"]
        doubt = f"{100 * float(d['relative_doubt']):.1f}"
        rows.append([str(number), date_words(c), with_minus(state), *axes, doubt, str(c.n_points)])
    headings = ["no.", "made or confirmed", "state", "X +1 moves %", "Y +1 moves %", "doubt %", "points"]
    print_table(headings, rows, right=[0, 5, 6])
    print_text("Moves in % of the aperture radius, 90° is up. Of those that hold in a state the newest one is used.")
    print_text("Take a wrong one out: apertrue calibrate --forget NUMBER")


def confirmation_record(outcome: "Confirmation", place: Path | None) -> dict[str, Any]:
    """A confirmation for JSON."""
    from dataclasses import asdict

    return {**asdict(outcome), "kept": None if place is None else str(place)}
