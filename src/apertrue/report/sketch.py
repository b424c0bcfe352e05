"""A picture made small, with both edges as shapes over it: what a report shows of each picture."""

import base64
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from math import cos, hypot, radians, sin, sqrt
from typing import Any

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from ..overlay.arrow import Arrow, is_wanted, move_arrow
from ..pipeline import Result
from ..scene import Edge, Scene


@dataclass(frozen=True, slots=True)
class Outline:
    """An ellipse to draw. Pixel coordinates as everywhere: x right, y down, center of the top-left pixel = (0, 0).

    Attributes:
        role: ``aperture``, ``beam`` or ``edge`` (whose it is, is not known).
        x, y: center, px.
        major, minor: semi-axes, px.
        axis_deg: direction of the major axis, 0–180, counter-clockwise from +x as seen.
        remembered: an aperture that this picture does not show.
        arcs: the stretches that were seen, (start, end) whole degrees as in :class:`apertrue.scene.Edge`; empty = all
            of it, or not told.
    """

    role: str
    x: float
    y: float
    major: float
    minor: float
    axis_deg: float
    remembered: bool = False
    arcs: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Sketch:
    """What it takes to draw one picture small.

    Attributes:
        width, height: of the picture, px.
        outlines: the edges found.
        image: JPEG bytes of the picture made small; ``None`` = edges only.
    """

    width: int
    height: int
    outlines: tuple[Outline, ...] = ()
    image: bytes | None = None

    def outlines_json(self) -> str:
        """Size and outlines as compact JSON, rounded to 0.01 px, for the store and the page."""
        return json.dumps(
            {"size": [self.width, self.height], "edges": [_rounded(o) for o in self.outlines]}, separators=(",", ":")
        )


def sketch_from_json(text: str, image: bytes | None) -> Sketch:
    """The sketch back from :meth:`Sketch.outlines_json` and its image."""
    data = json.loads(text)
    width, height = data["size"]
    return Sketch(width, height, tuple(_outline_of(edge) for edge in data["edges"]), image)


def _outline_of(edge: dict[str, Any]) -> Outline:
    # Stores of before have no arcs.
    return Outline(**{**edge, "arcs": tuple((start, end) for start, end in edge.get("arcs", ()))})


def sketch_of(result: Result, side: int = 160, quality: int = 72) -> Sketch:
    """The sketch of a judged picture; its image has at most ``side`` px a side (0 = none)."""
    rows, columns = result.frame.shape
    image = small_jpeg(result.frame.pixels, side, quality) if side > 0 else None
    return Sketch(columns, rows, outlines_of(result.scene), image)


def outlines_of(scene: Scene) -> tuple[Outline, ...]:
    """The edges that ``scene`` holds."""
    found = (("aperture", scene.aperture), ("beam", scene.beam), ("edge", scene.edge))
    return tuple(
        _outline(role, edge, role == "aperture" and scene.aperture_remembered)
        for role, edge in found
        if edge is not None
    )


def _outline(role: str, edge: Edge, remembered: bool) -> Outline:
    major, minor = edge.semi_axes
    whole = any(end - start >= 360.0 for start, end in edge.arcs)
    arcs = () if whole else tuple((round(start), round(end)) for start, end in edge.arcs)
    return Outline(
        role, float(edge.x), float(edge.y), float(major), float(minor), float(edge.axis_deg), remembered, arcs
    )


def _rounded(outline: Outline) -> dict[str, Any]:
    out = {k: round(v, 2) if isinstance(v, float) else v for k, v in asdict(outline).items()}
    if not outline.arcs:
        del out["arcs"]
    return out


def small_jpeg(pixels: NDArray[Any], side: int, quality: int = 72) -> bytes:
    """A display JPEG of at most ``side`` px a side: averaged down, stretched so that a faint surround shows.

    The stretch (square root between the 0.5 and 99.8 % levels) is for the eye only; nothing is measured in it.
    """
    from PIL import Image

    step = max(1, int(np.ceil(max(pixels.shape) / side)))
    small = _averaged(pixels, step)
    finite = small[np.isfinite(small)]
    low, high = (float(v) for v in np.percentile(finite, [0.5, 99.8])) if finite.size else (0.0, 1.0)
    if high <= low:
        high = low + 1.0
    shown = np.sqrt(np.clip((np.nan_to_num(small, nan=low) - low) / (high - low), 0.0, 1.0))
    out = io.BytesIO()
    Image.fromarray(np.rint(shown * 255).astype(np.uint8)).save(out, "JPEG", quality=quality, optimize=True)
    return out.getvalue()


def _averaged(pixels: NDArray[Any], step: int) -> NDArray[np.float64]:
    rows, columns = pixels.shape
    if step == 1 or rows < step or columns < step:
        return np.asarray(pixels[::step, ::step], dtype=np.float64)
    whole = pixels[: rows // step * step, : columns // step * step]
    blocks = whole.reshape(rows // step, step, columns // step, step)
    return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float64))


def sketch_svg(sketch: Sketch, label: str, arrow: Arrow | None = None) -> Markup:
    """The sketch as inline SVG; its text alternative is ``label``. Edges keep their line width at every size."""
    parts = [
        f'<svg class="sketch" viewBox="0 0 {sketch.width} {sketch.height}" role="img" '
        f'aria-label="{escape(label)}" preserveAspectRatio="xMidYMid meet">'
    ]
    if sketch.image is not None:
        data = base64.b64encode(sketch.image).decode("ascii")
        parts.append(
            f'<image href="data:image/jpeg;base64,{data}" width="{sketch.width}" height="{sketch.height}" '
            'preserveAspectRatio="none"/>'
        )
    else:
        parts.append(f'<rect class="blank" width="{sketch.width}" height="{sketch.height}"/>')
    for outline in sketch.outlines:
        parts.append(_ellipse(outline))
    parts += [_center(sketch, o) for o in sketch.outlines if o.role != "edge"]
    parts.append(_arrow(arrow) if arrow is not None else "")
    parts.append("</svg>")
    return Markup("".join(parts))  # noqa: S704 numbers, base64 and escaped text only


def _ellipse(o: Outline) -> str:
    # A pixel's center is at its index; SVG's pixel begins there, so half a pixel is added.
    shape = (
        f'cx="{o.x + 0.5:.2f}" cy="{o.y + 0.5:.2f}" rx="{o.major:.2f}" ry="{o.minor:.2f}" '
        f'transform="rotate({-o.axis_deg:.2f} {o.x + 0.5:.2f} {o.y + 0.5:.2f})"'
    )
    named = f"edge {escape(o.role)}" + (" remembered" if o.remembered else "")
    seen = seen_path(o)
    if not seen:
        return f'<ellipse class="case" {shape}/><ellipse class="{named}" {shape}/>'
    return f'<ellipse class="{named} beyond" {shape}/><path class="case" d="{seen}"/><path class="{named}" d="{seen}"/>'


def seen_path(o: Outline) -> str:
    """The stretches of an outline that were seen, as the data of an SVG path; empty = all of it, or not told."""
    return "".join(
        f"M{_point(o, start)}A{o.major:.2f} {o.minor:.2f} {-o.axis_deg:.2f} {int(end - start > 180.0)} 0 {_point(o, end)}"
        for start, end in o.arcs
    )


def _point(o: Outline, direction_deg: float) -> str:
    """Where the outline lies in a direction from its center (deg, counter-clockwise from +x as seen), in SVG's px."""
    way, along = radians(direction_deg), radians(direction_deg - o.axis_deg)
    r = o.major * o.minor / hypot(o.minor * cos(along), o.major * sin(along))
    return f"{o.x + 0.5 + r * cos(way):.2f} {o.y + 0.5 - r * sin(way):.2f}"


def _center(sketch: Sketch, o: Outline) -> str:
    unit = max(sketch.width, sketch.height) / 40
    return (
        f'<path class="center {o.role}" d="M{o.x + 0.5 - unit:.2f} {o.y + 0.5:.2f}h{2 * unit:.2f}'
        f'M{o.x + 0.5:.2f} {o.y + 0.5 - unit:.2f}v{2 * unit:.2f}"/>'
    )


def arrow_of(outlines: Sequence[Outline], row: Mapping[str, Any]) -> Arrow | None:
    """The arrow of the needed move of a picture with these outlines and fields."""
    by_role = {o.role: o for o in outlines}
    if "beam" not in by_role or "aperture" not in by_role:
        return None
    if not is_wanted(row.get("verdict"), row.get("move_direction_deg")):
        return None
    b, a = by_role["beam"], by_role["aperture"]
    return move_arrow((b.x, b.y), (a.x, a.y), sqrt(a.major * a.minor))


def arrow_path(arrow: Arrow) -> str:
    """Shaft and head as the data of an SVG path (whose pixels begin at whole numbers: half a pixel is added)."""
    tail, tip, left, right = (
        f"{x + 0.5:.2f} {y + 0.5:.2f}" for x, y in (arrow.tail, arrow.tip, arrow.left, arrow.right)
    )
    return f"M{tail}L{tip}M{left}L{tip}L{right}"


def _arrow(arrow: Arrow) -> str:
    d = arrow_path(arrow)
    return f'<path class="case strong" d="{d}"/><path class="move" d="{d}"/>'
