"""The instrument file: aperture diameters, cameras, limits and costs of one microscope (TOML)."""

from .settings import Camera, Console, Costs, Instrument, Limits, Working

__all__ = ["Camera", "Console", "Costs", "Instrument", "Limits", "Working"]
