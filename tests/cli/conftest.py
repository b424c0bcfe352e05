"""Running the command line in this process, and a few pictures to run it on."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import tifffile

from apertrue.cli import main
from apertrue.instrument import ENVIRONMENT_VARIABLE
from apertrue.simulate import Recipe, simulate


@dataclass(frozen=True)
class Ran:
    """What a command did."""

    status: int
    out: str
    err: str


@pytest.fixture
def run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory
) -> Callable[..., Ran]:
    """Run ``apertrue ARGUMENTS…``, with no instrument file of the person who runs the tests in the way."""
    monkeypatch.delenv(ENVIRONMENT_VARIABLE, raising=False)
    monkeypatch.delenv("FORCE_COLOR", raising=False)
    nowhere = tmp_path_factory.mktemp("settings")
    monkeypatch.setattr("platformdirs.user_config_path", lambda *_, **__: nowhere)

    def call(*arguments: object) -> Ran:
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main([str(a) for a in arguments])
        out, err = capsys.readouterr()
        return Ran(int(ended.value.code or 0), out, err)

    return call


@pytest.fixture(scope="session")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """``centered.tif``, ``off.tif`` (12 % toward 0°, clipped), ``stack.tif`` (both), ``dark.tif``, ``broken.tif``."""
    folder = tmp_path_factory.mktemp("pictures")

    def shot(**recipe: float) -> np.ndarray:
        full = Recipe(rows=256, columns=256, aperture_radius_px=90, **recipe)
        return simulate(full, np.random.default_rng(5), truth=False).picture

    centered = shot(offset_x_percent=0.5, offset_y_percent=0.0, beam_ratio=0.9)
    off = shot(offset_x_percent=12.0, offset_y_percent=0.0, beam_ratio=0.95)
    dark = shot(peak_electrons=0.0)
    tifffile.imwrite(folder / "centered.tif", centered)
    tifffile.imwrite(folder / "off.tif", off)
    tifffile.imwrite(folder / "dark.tif", dark)
    tifffile.imwrite(folder / "stack.tif", np.stack([centered, off]), photometric="minisblack")
    (folder / "broken.tif").write_bytes((folder / "off.tif").read_bytes()[:500])
    return folder
