"""Damage to real multi-page TIFF files, for the tests of whoever reads them (importable by name, see conftest.py)."""

from pathlib import Path

import tifffile


def spoil(path: Path, *pages: int) -> None:
    """Overwrite the compressed bytes of these pages with zeros: they no longer decode."""
    with tifffile.TiffFile(path) as tif:
        places = [(tif.pages[k].dataoffsets[0], tif.pages[k].databytecounts[0]) for k in pages]
    with path.open("r+b") as file:
        for offset, count in places:
            file.seek(offset)
            file.write(bytes(count))
