"""Shift calibrations on disk: one JSON file next to the instrument file, every calibration dated and kept.

The file is written to a new name and moved into place, so that a crash never leaves half a file. Newer ones are
added; none is overwritten, since scaling between foci and the lab's history need the old ones. A wrong one is taken
out by its number.
"""

import os
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec

from ..errors import CalibrationError, WriteError
from ..instrument import calibrations_beside
from ..whole_file import folder_for_output, write_whole
from .model import Calibration
from .state_key import StateKey

#: Version of the file's layout.
LAYOUT = 1
#: No calibration file comes near this, bytes.
_MOST_BYTES = 20_000_000


class _State(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    focus_side: str | None = None
    gun_focus: float | None = None
    aperture_um: float | None = None
    kv: float | None = None
    spot: str | None = None
    magnification: float | None = None
    camera: str | None = None
    mode: str | None = None
    # Files of before have none: then the view is not compared.
    aperture_radius_px: tuple[float, float] | None = None


class _Entry(msgspec.Struct, forbid_unknown_fields=True):
    matrix: tuple[tuple[float, float], tuple[float, float]]
    covariance: list[list[float]]
    state: _State = msgspec.field(default_factory=_State)
    made_at: datetime | None = None
    confirmed_at: datetime | None = None
    n_points: int = 0
    chi2: float = 0.0
    dof: int = 0
    backlash: tuple[float, float] | None = None
    step: float = 0.0
    note: str = ""


class _File(msgspec.Struct, forbid_unknown_fields=True):
    apertrue_calibrations: int
    calibrations: list[_Entry]


def calibration_path(instrument_path: str | os.PathLike[str] | None = None) -> Path:
    """Where calibrations lie: next to the instrument file, or in the user's folder for settings.

    ``microscope.toml`` has ``microscope.calibrations.json`` beside it.
    """
    return calibrations_beside(instrument_path)


def load_calibrations(path: str | os.PathLike[str]) -> tuple[Calibration, ...]:
    """The calibrations in a file, oldest first; none where there is no file.

    Raises:
        CalibrationError: it can't be read or is no calibration file; the text names it.
    """
    place = Path(path)
    try:
        if place.stat().st_size > _MOST_BYTES:
            raise CalibrationError(f"{place}: this is too large for a calibration file. Check the name")
        data = place.read_bytes()
    except FileNotFoundError:
        return ()
    except OSError as error:
        raise CalibrationError(
            f"{place}: can't be read ({error.strerror or error}). Check the file and its rights"
        ) from None
    try:
        content = msgspec.json.decode(data, type=_File)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise CalibrationError(
            f"{place}: this is no calibration file of apertrue ({error}). Move it away and calibrate anew"
        ) from None
    if content.apertrue_calibrations > LAYOUT:
        raise CalibrationError(f"{place}: written by a newer apertrue. Update this one")
    out = []
    for number, entry in enumerate(content.calibrations, 1):
        try:
            out.append(_from_entry(entry))
        except (CalibrationError, ValueError) as error:
            raise CalibrationError(f"{place}: calibration {number}: {error}") from None
    return tuple(out)


def save_calibrations(path: str | os.PathLike[str], calibrations: Sequence[Calibration]) -> None:
    """Write all calibrations to a file, in one step.

    Raises:
        CalibrationError: it can't be written; the text names it.
    """
    place = Path(path)
    content = _File(LAYOUT, [_to_entry(c) for c in calibrations])
    data = msgspec.json.format(msgspec.json.encode(content), indent=1)
    try:
        folder_for_output(place.parent)
        write_whole(place, data + b"\n")
    except WriteError as error:
        raise CalibrationError(f"{place}: {error.reason}. {error.remedy} with --out") from None


def add_calibration(path: str | os.PathLike[str], calibration: Calibration) -> tuple[Calibration, ...]:
    """Add one to a file and return all."""
    out = (*load_calibrations(path), calibration)
    save_calibrations(path, out)
    return out


def forget_calibration(path: str | os.PathLike[str], number: int) -> Calibration:
    """Take one out of a file for good, by its place there (from 1); returns it.

    Raises:
        CalibrationError: there is no such number; the text says which there are.
    """
    kept = load_calibrations(path)
    if not 1 <= number <= len(kept):
        there = f"its numbers are 1 to {len(kept)}" if kept else "it holds none"
        raise CalibrationError(f"{path}: there is no calibration {number}; {there} (apertrue calibrate --list)")
    save_calibrations(path, [c for i, c in enumerate(kept, 1) if i != number])
    return kept[number - 1]


def to_dict(calibration: Calibration) -> dict[str, Any]:
    """The calibration as plain values for JSON."""
    out = msgspec.to_builtins(_to_entry(calibration))
    assert isinstance(out, dict)
    return out


def _to_entry(c: Calibration) -> _Entry:
    state = _State(**asdict(c.state))
    return _Entry(
        c.matrix,
        [list(row) for row in c.covariance],
        state,
        c.made_at,
        c.confirmed_at,
        c.n_points,
        c.chi2,
        c.dof,
        c.backlash,
        c.step,
        c.note,
    )


def _from_entry(e: _Entry) -> Calibration:
    for when in (e.made_at, e.confirmed_at):
        if when is not None and when.tzinfo is None:
            raise ValueError("a date without a zone")
    return Calibration(
        e.matrix,
        tuple(tuple(row) for row in e.covariance),
        StateKey(**msgspec.structs.asdict(e.state)),
        e.made_at,
        e.confirmed_at,
        e.n_points,
        e.chi2,
        e.dof,
        e.backlash,
        e.step,
        e.note,
    )
