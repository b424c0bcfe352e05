"""Sample data: simulated pictures with a made-up scenario, and a virtual microscope's view."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from ..frame import Frame
from ..microscope import VirtualMicroscope
from ..simulate import Recipe, simulate
from ._live import live_frame, start_live
from ._origin import KEY, Origin, bare, weak

LayerData = tuple[Any, dict[str, Any], str]

_SIZE = 640
_BASE = Recipe(rows=_SIZE, columns=_SIZE, aperture_radius_px=230.0, halo_level=0.06)


def centered() -> list[LayerData]:
    """A beam that may be left as it is."""
    return _layer("centered (simulated)", [_frame(_recipe(1.0, -0.5), 1)])


def off_center() -> list[LayerData]:
    """A beam that drifted off by 15 % of the aperture radius."""
    return _layer("off center (simulated)", [_frame(_recipe(12.0, -9.0), 2)])


def clipped() -> list[LayerData]:
    """A beam of which the aperture cuts a part off."""
    return _layer("partly cut off (simulated)", [_frame(_recipe(-38.0, 20.0), 3)])


def creep() -> list[LayerData]:
    """Eight pictures a quarter of an hour apart, of a beam that creeps off."""
    now = datetime.now(UTC)
    frames = [
        _frame(_recipe(1.0 + 2.4 * k, 0.5 - 1.3 * k), 10 + k, now - timedelta(minutes=15.0 * (7 - k))) for k in range(8)
    ]
    return _layer("creeping beam (simulated)", frames)


def microscope() -> list[LayerData]:
    """A virtual microscope's live view: a beam that creeps off, sped up. To turn its knobs, open the practice widget."""
    scope = VirtualMicroscope(7, size=_SIZE)
    scope.misalign(2.0, 200.0)
    layers = _layer("live virtual microscope", [live_frame(scope)])
    start_live(scope, layers[0][1]["metadata"][KEY])
    return layers


def _recipe(x: float, y: float) -> Recipe:
    return replace(_BASE, offset_x_percent=x, offset_y_percent=y)


def _frame(recipe: Recipe, seed: int, taken_at: datetime | None = None) -> Frame:
    frame = simulate(recipe, np.random.default_rng(seed)).frame
    return replace(frame, taken_at=taken_at or datetime.now(UTC), taken_at_source="simulation")


def _layer(name: str, frames: Sequence[Frame]) -> list[LayerData]:
    pixels = frames[0].pixels if len(frames) == 1 else np.stack([f.pixels for f in frames])
    origin = Origin(None, tuple(bare(f) for f in frames), held=weak(pixels), simulated=True)
    return [(pixels, {"name": name, "metadata": {KEY: origin}}, "image")]
