"""PNG.

Specification: ISO/IEC 15948 and W3C "Portable Network Graphics (PNG) Specification" (second edition, 2003; third,
2025): header 11.2.2, gamma 11.3.3.2 (a value of 1.0 means samples proportional to light), textual information 11.3.4.

Pillow decodes all but samples of 16 bits in more than one channel, which it would cut down to 8; those go through
imagecodecs.
"""

import struct
from typing import Any

import numpy as np

from ..guard import check_shape, check_stored
from ..metadata.exif import facts_from_exif
from ..metadata.keys import facts_from_pairs, facts_from_text
from ..options import ReadOptions
from ..page import Facts, RawPage
from ..source import Source
from ._pillow import check_image, decoded

_SAMPLES = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
#: Deflate cannot compress better than 1032 : 1 (zlib's technical details).
_DEFLATE_RATIO = 1040.0
#: Text chunks whose content is prose or key = value lines rather than one value.
_PROSE = frozenset({"comment", "description", "info", "metadata", "imagedescription"})


class PngPages:
    """An opened PNG file; of an animation the first picture."""

    def __init__(self, source: Source, options: ReadOptions) -> None:
        from PIL.PngImagePlugin import PngImageFile

        if len(source.head) < 33 or source.head[12:16] != b"IHDR":
            raise source.truncated()
        columns, rows, depth, kind = struct.unpack(">IIBB", source.head[16:26])
        samples = _SAMPLES.get(kind, 1)
        check_shape(source, options, rows, columns, samples, max(1, depth // 8))
        check_stored(source, rows * columns * samples * depth // 8, _DEFLATE_RATIO)
        source.handle.seek(0)
        self.source = source
        self.image: Any = PngImageFile(source.handle)
        check_image(self.image, source, options)
        self.wide = depth == 16 and kind != 0
        self.display = kind in (2, 3, 6) and depth <= 8

    def __len__(self) -> int:
        return 1

    def read(self, _page: int, /) -> RawPage:
        """The only picture."""
        if self.wide:
            from imagecodecs import png_decode

            pixels = np.asarray(png_decode(self.source.block(0, self.source.size)))
        else:
            pixels = decoded(self.image)
        raw = RawPage(pixels, self._facts(), display=self.display)
        return raw.oriented(int(self.image.getexif().get(0x0112, 1)))

    def _facts(self) -> Facts:
        """What the chunks state; text that follows the pixels is known only after they are decoded."""
        self.image.load()
        info = self.image.info
        texts = {str(k): str(v) for k, v in (getattr(self.image, "text", None) or {}).items()}
        facts = facts_from_pairs(texts)
        for key, text in texts.items():
            if key.casefold().replace(" ", "") in _PROSE:
                facts = facts.completed(facts_from_text(text))
        if "srgb" in info:
            facts = facts.completed(Facts(linear=False))
        elif "gamma" in info:
            facts = facts.completed(Facts(linear=abs(float(info["gamma"]) - 1.0) < 0.005))
        return facts.completed(facts_from_exif(self.image.getexif()))

    def close(self) -> None:
        """Drop the decoder."""
        self.image = None


def open_pages(source: Source, options: ReadOptions) -> PngPages:
    """Open a PNG file."""
    return PngPages(source, options)
