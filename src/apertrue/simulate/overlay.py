"""What programs draw into pictures: a window's border, a line of text, a scale bar."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .recipe import Recipe


def draw_overlay(picture: NDArray[Any], recipe: Recipe) -> NDArray[Any]:
    """A copy of the picture (2-D or RGB, any integer or float type) with the recipe's overlay."""
    out = picture.copy()
    white: Any = _white(picture)
    rows, columns = picture.shape[:2]
    if recipe.border_px > 0:
        b = min(recipe.border_px, rows // 4, columns // 4)
        out[:b] = out[-b:] = _scaled(white, 0.80)
        out[:, :b] = out[:, -b:] = _scaled(white, 0.80)
        title = min(3 * b, rows // 4)
        out[:title] = _scaled(white, 0.66)
        box = max(title // 2, 2)
        for k in range(3):
            left = columns - b - (k + 1) * 2 * box
            out[title // 4 : title // 4 + box, max(left, 0) : max(left + box, 0)] = _scaled(white, 0.2)
    size = max(12, rows // 30)
    if recipe.text:
        mask = text_mask(recipe.text, size)
        top = rows - mask.shape[0] - max(recipe.border_px, 0) - size // 2
        _stamp(out, mask, max(top, 0), max(recipe.border_px, 0) + size // 2, white)
    if recipe.scale_bar:
        length, height = columns // 5, max(2, rows // 128)
        top = rows - max(recipe.border_px, 0) - size
        right = columns - max(recipe.border_px, 0) - size // 2
        out[top : top + height, right - length : right] = white
        _stamp(out, text_mask("5 mm", size), max(top - int(1.5 * size), 0), right - length, white)
    return out


def text_mask(text: str, size: int) -> NDArray[np.bool_]:
    """A line of text as a mask, about ``size`` px high."""
    from PIL import Image, ImageDraw, ImageFont

    font = ImageFont.load_default(size)
    left, top, right, bottom = font.getbbox(text)
    image = Image.new("L", (int(right - left) + 2, int(bottom - top) + 2))
    ImageDraw.Draw(image).text((1 - left, 1 - top), text, fill=255, font=font)
    return np.asarray(image) > 127


def _stamp(out: NDArray[Any], mask: NDArray[np.bool_], top: int, left: int, value: Any) -> None:
    rows, columns = out.shape[:2]
    mask = mask[: max(rows - top, 0), : max(columns - left, 0)]
    out[top : top + mask.shape[0], left : left + mask.shape[1]][mask] = value


def _white(picture: NDArray[Any]) -> float:
    if picture.dtype.kind == "f":
        return float(picture.max())
    return float(np.iinfo(picture.dtype).max)


def _scaled(white: float, share: float) -> float:
    return float(int(white * share)) if white > 1 else white * share
