"""Simulated pictures as files: the picture, and its truth as JSON beside it."""

import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..whole_file import whole_file, write_whole
from .picture import Simulated

#: File types that can be written, by suffix.
SUFFIXES = (".tif", ".png", ".jpg", ".npy", ".mrc")


def natural_suffix(shot: Simulated) -> str:
    """The file type that suits a picture: JPEG if it was compressed so, PNG for 8 bits and color, else TIFF."""
    if shot.recipe.jpeg_quality:
        return ".jpg"
    return ".png" if shot.picture.dtype == np.uint8 else ".tif"


def save_picture(path: Path, picture: NDArray[Any], *, quality: int = 90) -> None:
    """Write a picture in the file type of the path's suffix (:data:`SUFFIXES`).

    Args:
        path: where to.
        picture: (rows, columns) of uint8, uint16 or float32, a stack (pages, rows, columns) for TIFF and MRC, or RGB
            uint8. TIFF is compressed with zlib without a date, so that the same picture gives the same bytes.
        quality: of a JPEG.

    Raises:
        ValueError: when the file type cannot hold the picture.
    """
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise ValueError(f"unknown file type {suffix or path.name!r}; allowed: {', '.join(SUFFIXES)}")
    if suffix == ".jpg" and picture.dtype != np.uint8:
        raise ValueError("a JPEG holds 8 bits only: add --set bits=8, or choose another format")
    if suffix == ".png" and picture.dtype == np.float32:
        raise ValueError("a PNG holds no floats: choose tif, npy or mrc")
    with whole_file(path) as place:
        _write(place, suffix, picture, quality)


def _write(place: Path, suffix: str, picture: NDArray[Any], quality: int) -> None:
    if suffix == ".tif":
        import tifffile

        rgb = picture.ndim == 3 and picture.shape[2] == 3
        tifffile.imwrite(
            place,
            picture,
            compression="zlib",
            predictor=picture.dtype.kind == "u",
            photometric="rgb" if rgb else "minisblack",
            metadata=None,
            software="apertrue simulate",
        )
    elif suffix == ".npy":
        with place.open("wb") as stream:  # numpy.save would add an ending to a name
            np.save(stream, picture, allow_pickle=False)
    elif suffix == ".mrc":
        import mrcfile

        data = picture.astype(np.uint16) if picture.dtype == np.uint8 else picture
        # First row first, as the reader takes it; the standard leaves open which way is up.
        with mrcfile.new(place, overwrite=True) as out:
            out.set_data(np.ascontiguousarray(data))
            out.header.label = b""  # the library's label holds the time of writing
            out.header.nlabl = 0
    else:
        from PIL import Image

        kind = "JPEG" if suffix == ".jpg" else "PNG"
        Image.fromarray(picture).save(place, format=kind, quality=quality)


def save(shot: Simulated, path: Path) -> Path:
    """Write a simulated picture, and ``<name>.truth.json`` beside it, whose path is returned."""
    save_picture(path, shot.picture, quality=shot.recipe.jpeg_quality or 90)
    truth = path.with_name(path.stem + ".truth.json")
    record = {"file": path.name, "truth": shot.truth.to_dict(), "recipe": shot.recipe.to_dict()}
    write_whole(truth, json.dumps(record, indent=1, ensure_ascii=False) + "\n")
    return truth
