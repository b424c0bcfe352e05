"""The instrument file: aperture diameters, cameras, limits and costs of one microscope (TOML)."""

from .complete import completed
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
    "calibrations_beside",
    "completed",
    "default_instrument_path",
    "dumps_instrument",
    "find_instrument",
    "load_instrument",
    "loads_instrument",
]
