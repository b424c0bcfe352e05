"""Pictures for people: the frame with both edges, centers, the arrow of the needed move and the numbers."""

import re
from pathlib import Path

from PIL import Image

from ..pipeline import Result
from ..whole_file import folder_for_output, whole_file
from .arrow import Arrow
from .display import detail, display_scale, displayed
from .marks import draw_marks
from .panel import add_panel

__all__ = ["OVERLAY_ENDING", "draw_marked", "draw_overlay", "overlay_name", "save_overlay"]


def draw_overlay(result: Result) -> Image.Image:
    """The picture with marks and a strip of words, RGB; small pictures are enlarged, large ones reduced."""
    picture, arrow = _marked(result)
    scene = result.scene
    marks = tuple(name for name in ("aperture", "beam", "edge") if getattr(scene, name) is not None)
    rows, columns = result.frame.shape
    whole = detail(scene, result.frame.shape) == (0, 0, columns, rows)
    return add_panel(picture, result.assessment, result.advice, marks=marks, arrow=arrow, whole=whole)


def draw_marked(result: Result, longest: int | None = None) -> Image.Image:
    """The picture with its marks alone, RGB, without the strip of words; its longer side at most ``longest`` px."""
    picture, _ = _marked(result)
    if longest is not None and max(picture.size) > longest:
        picture.thumbnail((longest, longest), Image.Resampling.LANCZOS)
    return picture


def _marked(result: Result) -> tuple[Image.Image, Arrow | None]:
    frame, scene = result.frame, result.scene
    box = left, top, right, bottom = detail(scene, frame.shape)
    scale = display_scale((bottom - top, right - left))
    size = max(1, round((right - left) * scale)), max(1, round((bottom - top) * scale))
    gray = Image.fromarray(displayed(frame, scene, box, scale))
    if gray.size != size:
        gray = gray.resize(size, Image.Resampling.BILINEAR)
    return draw_marks(gray.convert("RGB"), scene, result.assessment, scale, (left, top))


#: How the names of overlays end, so that they are not taken for pictures to judge.
OVERLAY_ENDING = ".overlay.png"


def overlay_name(file: str | None, page: int | None, taken: set[str], *, combined: bool = False) -> str:
    """A file name for the overlay of this picture that is not in ``taken`` (compared without case); adds it there.

    ``combined``: whether it is the mean of several frames.
    """
    path = Path(file) if file else Path("picture")
    stem = path.name if path.suffix else path.stem
    # Characters that a file name on another system may not have.
    stem = re.sub(r'[<>:"/\\|?*\x00-\x1f]', "_", stem)
    base = f"{stem}{f'-page{page}' if page else ''}{'-combined' if combined else ''}"
    name, n = f"{base}{OVERLAY_ENDING}", 1
    while name.casefold() in taken:
        n += 1
        name = f"{base}-{n}{OVERLAY_ENDING}"
    taken.add(name.casefold())
    return name


def save_overlay(result: Result, folder: Path, taken: set[str]) -> Path:
    """Draw the overlay and write it into ``folder`` (made if missing) as PNG; returns where it is."""
    folder_for_output(folder)
    a = result.assessment
    path = folder / overlay_name(a.file, a.page, taken, combined=a.frames_given is not None)
    drawn = draw_overlay(result)
    with whole_file(path) as place:
        drawn.save(place, format="PNG", optimize=False)
    return path
