"""The instrument file: aperture diameters, cameras, limits and costs of one microscope (TOML)."""

from .complete import completed
from .knobs import axis_words, console_digits, reading_words
from .settings import Camera, Console, Costs, Instrument, Limits, Working
from .toml import (
    ENVIRONMENT_VARIABLE,
    calibrations_beside,
    default_instrument_path,
    dumps_instrument,
    find_instrument,
    load_instrument,
    loads_instrument,
)

__all__ = [
    "ENVIRONMENT_VARIABLE",
    "Camera",
    "Console",
    "Costs",
    "Instrument",
    "Limits",
    "Working",
    "axis_words",
    "calibrations_beside",
    "completed",
    "console_digits",
    "default_instrument_path",
    "dumps_instrument",
    "find_instrument",
    "load_instrument",
    "loads_instrument",
    "reading_words",
]
