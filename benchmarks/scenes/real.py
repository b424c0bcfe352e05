"""Real round discs from open packages: read from where they are installed, with truth where a header states it.

    python benchmarks/scenes/real.py

lists what is there. Nothing is downloaded; a picture whose package is missing is left out by name.
"""

import re
import sys
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
    from scenes.case import NUMBERS, Case
else:
    from .case import NUMBERS, Case

#: One round edge and nothing that tells whose.
_ONE = ("one-edge", "overfilled", "beam-only", "other-view")


def package_folder(name: str) -> Path:
    """Folder of an installed package, without importing it; ``FileNotFoundError`` when it is not installed."""
    spec = find_spec(name)
    if spec is None or spec.origin is None:
        raise FileNotFoundError(f"the package {name} is not installed")
    return Path(spec.origin).parent


def read_fits(path: Path) -> tuple[np.ndarray, dict[str, float | str]]:
    """First image and header of a FITS file (FITS standard 4.0: 2880-byte blocks, 80-byte cards, big-endian data)."""
    raw = path.read_bytes()
    cards: dict[str, float | str] = {}
    at = 0
    while True:
        card = raw[at : at + 80].decode("ascii", "replace")
        at += 80
        if card.startswith("END"):
            break
        if card[8:10] == "= ":
            text = card[10:].split("/")[0].strip()
            try:
                cards[card[:8].strip()] = float(text)
            except ValueError:
                cards[card[:8].strip()] = text.strip("' ")
    at = -(-at // 2880) * 2880
    rows, columns, bits = (int(cards[k]) for k in ("NAXIS2", "NAXIS1", "BITPIX"))
    kind = {8: ">u1", 16: ">i2", 32: ">i4", -32: ">f4", -64: ">f8"}[bits]
    data = np.frombuffer(raw, kind, rows * columns, at).reshape(rows, columns).astype(float)
    return data * float(cards.get("BSCALE", 1)) + float(cards.get("BZERO", 0)), cards


def sun_center(header: dict[str, float]) -> tuple[float, float, float]:
    """(x, y, radius) of the solar disc, px, 0-based, in the file's row order (rows upward are turned by the caller).

    World coordinates (0, 0) are the disc's center; CRPIX counts from 1 (FITS world coordinates, Thompson 2006).
    """
    turn = np.radians(header.get("CROTA2", 0.0))
    dx, dy = -header.get("CRVAL1", 0.0), -header.get("CRVAL2", 0.0)
    x = (np.cos(turn) * dx + np.sin(turn) * dy) / header["CDELT1"]
    y = (-np.sin(turn) * dx + np.cos(turn) * dy) / header["CDELT2"]
    return header["CRPIX1"] - 1 + x, header["CRPIX2"] - 1 + y, header["RSUN_OBS"] / header["CDELT1"]


def solar_disc_small() -> dict[str, Any]:
    """The visible solar disc, 100²; the header's truth is (49.620, 49.583), 46.895 px."""
    data, header = read_fits(package_folder("sunpy") / "data/test/resampled_hmi.fits")
    x, y, r = sun_center({k: v for k, v in header.items() if isinstance(v, float)})
    return {
        "pixels": np.nan_to_num(data).astype(np.float32),
        "truth": {"beam_x_px": x, "beam_y_px": y, "beam_radius_px": r},
        "source": "sunpy, sunpy/data/test/resampled_hmi.fits (SDO/HMI continuum)",
        "license": "BSD-3-Clause; the observation is public domain",
    }


def solar_disc() -> dict[str, Any]:
    """The visible solar disc, 512², 8 bits; center and radius from the header in the JPEG 2000 file."""
    import imagecodecs

    path = package_folder("sunpy") / "data/test/2023_01_31__03_39_23_200__SDO_HMI_HMI_continuum.jp2"
    raw = path.read_bytes()
    header = {k.upper(): _card(raw, k) for k in ("crpix1", "crpix2", "cdelt1", "cdelt2", "rsun_obs", "crota2")}
    pixels = np.asarray(imagecodecs.jpeg2k_decode(raw))
    x, y, r = sun_center(header)
    return {
        "pixels": pixels,
        # The file's first row is the top one; the header counts rows upward.
        "truth": {"beam_x_px": x, "beam_y_px": pixels.shape[0] - 1 - y, "beam_radius_px": r},
        "about": {"linear": False, "saturation": 255.0, "lossy": True},
        "source": f"sunpy, sunpy/data/test/{path.name} (SDO/HMI continuum)",
        "license": "BSD-3-Clause; the observation is public domain",
    }


def _card(raw: bytes, name: str) -> float:
    found = re.search(rb"<" + name.encode() + rb">\s*([^<]+?)\s*<", raw)
    if not found:
        raise ValueError(f"no {name} in the header")
    return float(found.group(1))


def solar_corona() -> dict[str, Any]:
    """The sun in the extreme ultraviolet, 128²: a fuzzy limb with bright spots; no truth to a pixel."""
    data, _ = read_fits(package_folder("sunpy") / "data/test/aia_171_level1.fits")
    return {
        "pixels": np.maximum(data, 0).astype(np.float32),
        "source": "sunpy, sunpy/data/test/aia_171_level1.fits (SDO/AIA 171 Å)",
        "license": "BSD-3-Clause; the observation is public domain",
    }


def coronagraph() -> dict[str, Any]:
    """A coronagraph's picture, 102²: a round occulter on an arm, a real counterpart of a beam stop."""
    import imagecodecs

    path = package_folder("sunpy") / "data/test/2013_05_13__16_54_06_137__SOHO_LASCO_C3_white-light.jp2"
    return {
        "pixels": np.asarray(imagecodecs.jpeg2k_decode(path.read_bytes())),
        "allowed": ("other-view", "one-edge"),
        "about": {"linear": False, "saturation": 255.0, "lossy": True},
        "source": f"sunpy, sunpy/data/test/{path.name} (SOHO/LASCO C3)",
        "license": "BSD-3-Clause; the observation is public domain",
    }


def retina() -> dict[str, Any]:
    """A fundus camera's round field, 1411², with a notch at the top right; no truth."""
    from PIL import Image

    path = package_folder("skimage") / "data/retina.jpg"
    return {
        "pixels": np.asarray(Image.open(path)).max(axis=2),
        "about": {"linear": False, "saturation": 255.0, "lossy": True, "color": True},
        "source": "scikit-image, skimage/data/retina.jpg (M. Häggström, 2014)",
        "license": "CC0-1.0",
    }


PICTURES: dict[str, Callable[[], dict[str, Any]]] = {
    "solar disc, 100²": solar_disc_small,
    "solar disc, 512²": solar_disc,
    "solar corona, 128²": solar_corona,
    "coronagraph, 102²": coronagraph,
    "retina, 1411²": retina,
}


def scenes() -> Iterator[Case]:
    """All that are installed. Whose the one edge is cannot be told: no number but the edge itself may be given.

    ``truth`` names the edge ``beam_*``; an engine that reports the edge as the aperture's is compared with the same.
    """
    for name, load in PICTURES.items():
        try:
            made = load()
        except FileNotFoundError as error:
            print(f"left out: {name} ({error})", file=sys.stderr)
            continue
        made = {"allowed": _ONE, "must_be_null": NUMBERS} | made
        yield Case(name, "real", made.pop("pixels"), **made)


def recounted(case: Case, n: int, seed: int = 41, counts: float = 400.0) -> Iterator[Case]:
    """``n`` repeats of a picture with counting noise of its own: its light scaled to ``counts`` electrons at the top.

    Needs a picture whose own noise is small against it; the repeats must agree within their σ.
    """
    from dataclasses import replace

    light = np.asarray(case.pixels, float)
    light = light - np.percentile(light, 1)
    light = np.clip(light / np.percentile(light, 99), 0, None) * counts
    for k, s in enumerate(np.random.SeedSequence(seed).spawn(n)):
        rng = np.random.default_rng(s)
        gray = 50.0 + 8.0 * rng.poisson(light) + rng.normal(0, 6.0, light.shape)
        pixels = np.clip(np.rint(gray), 0, 65535).astype(np.uint16)
        yield replace(case, name=f"{case.name} #{k}", pixels=pixels, about={"saturation": 65535.0})


def main() -> None:
    for case in scenes():
        truth = ", ".join(f"{k} {v:.3f}" for k, v in case.truth.items())
        print(f"{case.name:20s} {case.pixels.shape} {case.pixels.dtype}  {truth}\n    {case.source}; {case.license}")


if __name__ == "__main__":
    main()
