"""Pictures drawn with general tools alone, each group with something that neither simulator nor the other renderer has.

Outlines are signed distances on a grid three times finer than the pixels, edges are ramps, cosines, tanh or the shadow of a
straight edge in the light of an even disc. Groups: a lit round screen whose rim is a third edge; a tilted screen that a
pinhole camera sees from near by; counts of single electrons; hot pixels and dead lines; lobed, ringed or pointed beams; halos
that fade as a power of the distance; a window with panels on its sides; rough rims; one edge with a penumbra, which must
not be told as two; a window whose panels with buttons take most of it; a screen's bright rim in a lit room, as a photograph
shows it; halos that a display's gamma lifts to half of the beam and more; a photographed monitor with its frame, in a room;
haze over a screen; a dark view in a light window; and a picture turned in its file. The groups come from pictures that people
drew who did not know the engine, and on which it failed.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from .case import NUMBERS, Case, children, in_turn

Array = np.ndarray
FINE = 3
#: Flags that drawn pictures may carry.
MAY = (
    "noisy",
    "saturated",
    "uneven",
    "low-contrast",
    "elliptical",
    "overlay",
    "nonlinear",
    "tilted-view",
    "in-the-way",
)
GROUPS = (
    "screen-rim",
    "near-camera",
    "counts",
    "hot-pixels",
    "structured",
    "power-halo",
    "panels",
    "rough-rim",
    "penumbra",
    "wide-panels",
    "lit-room",
    "bright-halo",
    "monitor",
    "haze",
    "light-window",
    "turned",
)


def ramp(u: Array, w: float) -> Array:
    """Falls evenly over about 3.5 w."""
    return np.clip(0.5 + u / (3.46 * w), 0.0, 1.0)


def cosine(u: Array, w: float) -> Array:
    """Falls as a sine's half wave over 4.4 w."""
    return 0.5 * (1 + np.sin(np.pi * np.clip(u / (4.4 * w), -0.5, 0.5)))


def tanh(u: Array, w: float) -> Array:
    """Long tails."""
    return 0.5 * (1 + np.tanh(1.25 * u / w))


def penumbra(u: Array, w: float) -> Array:
    """The shadow of a straight edge in the light of an even disc."""
    t = np.clip(u / (2 * w), -1.0, 1.0)
    return 0.5 + (np.arcsin(t) + t * np.sqrt(1 - t * t)) / np.pi


EDGES: tuple[Callable[[Array, float], Array], ...] = (ramp, cosine, tanh, penumbra)


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """One scene before the camera: radii and places in px, levels relative to the beam's."""

    side: int
    radius: float
    center: tuple[float, float]
    ratio: float
    offset: tuple[float, float]  # aperture radii, y down
    halo: float
    edges: tuple[Callable[[Array, float], Array], Callable[[Array, float], Array]]
    widths: tuple[float, float]
    full: float
    extra: dict[str, float] = field(default_factory=dict)


def random_drawing(rng: np.random.Generator) -> Drawing:
    """A scene with both edges in view."""
    side = int(rng.choice([240, 320, 420]))
    radius = side * rng.uniform(0.22, 0.3)
    ratio = float(rng.uniform(0.55, 0.85))
    d, t = rng.uniform(0.0, 0.9 - ratio), rng.uniform(0, 2 * np.pi)
    a, b = rng.integers(0, len(EDGES), 2)
    center = tuple(float(side / 2 + v) for v in rng.uniform(-0.06, 0.06, 2) * side)
    return Drawing(
        side, float(radius), center, ratio, (float(d * np.cos(t)), float(d * np.sin(t))),  # type: ignore[arg-type]
        float(rng.uniform(0.05, 0.2)), (EDGES[a], EDGES[b]), (float(rng.uniform(0.6, 2.0)), float(rng.uniform(0.8, 3.0))),
        float(np.exp(rng.uniform(np.log(200), np.log(8000)))),
    )  # fmt: skip


def grid(side: int) -> tuple[Array, Array]:
    """Places of the fine grid, px."""
    at = (np.arange(side * FINE) + 0.5) / FINE - 0.5
    x, y = np.meshgrid(at, at)
    return x, y


def light(
    s: Drawing,
    x: Array,
    y: Array,
    *,
    rough: Array | None = None,
    shape: Array | None = None,
    outline: float | Array = 1.0,
) -> Array:
    """Halo and beam through the aperture at places on the screen.

    ``rough``: how far the aperture's edge lies out, radii; ``shape``: factor of the beam's light; ``outline``: of its radius.
    """
    dx, dy = x - s.center[0], y - s.center[1]
    r = np.hypot(dx, dy)
    out = s.radius if rough is None else s.radius * (1 + rough)
    bx, by = dx - s.offset[0] * s.radius, dy - s.offset[1] * s.radius
    rho = np.hypot(bx, by) / (s.ratio * s.radius)
    halo = s.halo
    power = s.extra.get("power", 0.0)
    if power:
        halo = s.halo * (1 + 2 * (rho * s.ratio) ** 2) ** (-power / 2)
    beam = s.edges[1]((outline - rho) * s.ratio * s.radius, s.widths[1])
    if shape is not None:
        beam = beam * shape
    return np.asarray(s.edges[0](out - r, s.widths[0]) * (halo + beam))


def on_pixels(mean: Array, blur: float = 0.6) -> Array:
    """A fine picture as pixels see it, blurred by so many px."""
    side = mean.shape[0] // FINE
    return np.asarray(gaussian_filter(mean, blur * FINE).reshape(side, FINE, -1, FINE).mean(axis=(1, 3)))


def camera(mean: Array, s: Drawing, rng: np.random.Generator, *, read: float = 4.0, blur: float = 0.6) -> Array:
    """What a 16-bit camera counts of a fine picture."""
    seen = on_pixels(mean, blur)
    counts = rng.poisson(np.maximum(s.full * seen, 0.0)) + rng.normal(100.0, read, seen.shape)
    return np.clip(np.rint(counts), 0, 65535).astype(np.uint16)


def truth_of(s: Drawing, *, edges: bool = True) -> dict[str, float]:
    """Place and size of both edges."""
    ox, oy = s.offset
    out = {"offset_x_percent": 100 * ox, "offset_y_percent": 100 * oy, "offset_percent": 100 * float(np.hypot(ox, oy))}
    if edges:
        out |= {
            "aperture_x_px": s.center[0], "aperture_y_px": s.center[1], "aperture_radius_px": s.radius,
            "beam_x_px": s.center[0] + ox * s.radius, "beam_y_px": s.center[1] + oy * s.radius,
            "beam_radius_px": s.ratio * s.radius,
        }  # fmt: skip
    return out


def scenes(n: int, seed: int = 20) -> Iterator[Case]:
    """``n`` pictures, the groups in turn."""
    return in_turn("drawn", GROUPS, one, children(seed, n))


def one(group: str, name: str, rng: np.random.Generator) -> Case:
    """One picture of a group."""
    s = random_drawing(rng)
    x, y = grid(s.side)
    truth, null, allowed = truth_of(s), (), ("both-edges",)
    if group == "screen-rim":
        reach = s.radius * rng.uniform(1.45, 1.9)
        room = float(np.exp(rng.uniform(np.log(0.02), np.log(0.15))))
        rim = np.hypot(x - s.center[0] - 0.05 * s.radius, y - s.center[1] + 0.04 * s.radius) < reach
        pixels = camera(light(s, x, y) + room * rim + 0.2 * room, s, rng)
    elif group == "near-camera":
        pixels, truth = _from_near_by(s, rng), truth_of(s, edges=False)
    elif group == "counts":
        mean = light(s, x, y).reshape(s.side, FINE, s.side, FINE).mean(axis=(1, 3))
        pixels = rng.poisson(float(np.exp(rng.uniform(np.log(0.5), np.log(4)))) * mean).astype(np.uint16)
    elif group == "hot-pixels":
        pixels = camera(light(s, x, y), s, rng)
        pixels[rng.random(pixels.shape) < np.exp(rng.uniform(np.log(3e-4), np.log(5e-3)))] = 65535
        pixels[:, rng.integers(5, s.side - 5, 2)] = 100
    elif group == "structured":
        bx, by = x - truth["beam_x_px"], y - truth["beam_y_px"]
        rho, phi = np.hypot(bx, by) / (s.ratio * s.radius), np.arctan2(by, bx)
        kind = int(rng.integers(0, 3))
        lobes = 1 + 0.12 * np.cos(int(rng.integers(3, 7)) * phi) * np.minimum(rho, 1.0) ** 2
        shape = (lobes, 1 + 0.1 * np.cos(9 * rho) + 0.2 * rho**2, 1 + 0.5 * np.exp(-((rho / 0.2) ** 2)))[kind]
        pixels = camera(light(s, x, y, shape=shape), s, rng)
    elif group == "power-halo":
        s = Drawing(**{k: getattr(s, k) for k in s.__slots__} | {"extra": {"power": float(rng.choice([2, 3, 4]))}})
        pixels = camera(light(s, x, y), s, rng)
    elif group == "panels":
        pixels = _in_a_window(camera(light(s, x, y), s, rng), rng)
        truth = truth_of(s, edges=False)
    elif group == "rough-rim":
        waves = gaussian_filter1d(rng.normal(size=720), 4, mode="wrap")
        waves *= 0.004 / waves.std()
        phi = np.arctan2(y - s.center[1], x - s.center[0]) % (2 * np.pi)
        pixels = camera(
            light(s, x, y, rough=np.interp(phi, np.arange(720) * 2 * np.pi / 720, waves, period=2 * np.pi)), s, rng
        )
    elif group == "wide-panels":
        pixels = _among_panels(camera(light(s, x, y), s, rng), rng)
        truth = truth_of(s, edges=False)
    elif group == "lit-room":
        reach = s.radius * rng.uniform(1.5, 1.75)
        r = np.hypot(x - s.center[0] - 0.05 * s.radius, y - s.center[1] + 0.04 * s.radius)
        ring = (r > reach) & (r < reach * rng.uniform(1.06, 1.15))
        pixels = displayed(camera(light(s, x, y) + rng.uniform(0.03, 0.25) * ring + 0.01, s, rng), 1 / 2.2)
    elif group == "bright-halo":
        s = _in_bright_halo(s, rng)
        pixels, truth = displayed(camera(light(s, x, y), s, rng), 1 / 2.2), truth_of(s)
        allowed = ("both-edges", "clipped")
    elif group == "monitor":
        pixels = displayed(_on_a_monitor(camera(light(s, x, y), s, rng), s, rng), 0.6)
    elif group == "haze":
        haze = gaussian_filter(rng.normal(size=x.shape), 0.2 * s.radius * FINE)
        mean = light(s, x, y) + 0.01 + rng.uniform(0.004, 0.015) * np.abs(haze / haze.std())
        pixels, truth = displayed(camera(mean, s, rng), 1 / 2.2), truth_of(s, edges=False)
    elif group == "light-window":
        pixels, truth = _in_a_light_window(camera(light(s, x, y), s, rng), rng), truth_of(s, edges=False)
    elif group == "turned":
        pixels = _turned(camera(light(s, x, y), s, rng), rng)
    else:
        u = s.radius - np.hypot(x - s.center[0], y - s.center[1])
        edge = EDGES[int(rng.choice([0, 1, 3]))]
        pixels = camera(edge(u, float(rng.uniform(0.7, 2.5))), s, rng, blur=0.3)
        truth, null, allowed = {"aperture_radius_px": s.radius}, NUMBERS, ("one-edge", "overfilled", "other-view")
    return Case(
        name, group, pixels, truth, allowed, null, (), (*MAY, "cut-by-frame"), {}, source="drawn for this benchmark"
    )


def _from_near_by(s: Drawing, rng: np.random.Generator) -> Array:
    """A screen tilted by 8–30° about the vertical, seen by a pinhole camera from 10–40 aperture radii."""
    tilt, distance = np.radians(rng.uniform(8, 30)), s.radius * float(np.exp(rng.uniform(np.log(10), np.log(40))))
    x, y = grid(s.side)
    u, v = x - s.center[0], y - s.center[1]
    # u = X·cos/(1 + X·sin/D), v = Y/(1 + X·sin/D), solved for the place (X, Y) on the screen
    on_x = u / (np.cos(tilt) - u * np.sin(tilt) / distance)
    on_y = v * (1 + on_x * np.sin(tilt) / distance)
    return camera(light(s, on_x + s.center[0], on_y + s.center[1]), s, rng)


def framed(inner: Array, sides: tuple[float, ...], plain: int, bar: int) -> Array:
    """An 8-bit picture between panels of one gray level, with a title bar; ``sides``: left, right, top, bottom, its sides."""
    side = inner.shape[0]
    left, right, top, bottom = (int(side * f) for f in sides)
    out = np.full((side + top + bottom, side + left + right), plain, dtype=np.uint8)
    out[top : top + side, left : left + side] = inner
    out[: top // 2] = bar
    return out


def _in_a_window(pixels: Array, rng: np.random.Generator) -> Array:
    """An 8-bit picture between panels of one gray level, with a title bar."""
    low, high = (float(v) for v in np.quantile(pixels, (0.01, 0.999)))
    inner = np.clip((pixels - low) / max(high - low, 1.0) * 235 + 10, 0, 255).astype(np.uint8)
    return framed(inner, (*rng.uniform(0.02, 0.15, 2), 0.08, 0.03), 214, 60)


def displayed(pixels: Array, gamma: float, dark: float = 0.02, light: float = 0.96) -> Array:
    """8 bits as a display shows them; ``dark``: share of its range below the darkest, ``light``: from there to the brightest."""
    low, high = (float(v) for v in np.quantile(pixels, (0.01, 0.999)))
    return np.rint(255 * np.clip(dark + light * (pixels - low) / max(high - low, 1.0), 0, 1) ** gamma).astype(np.uint8)


def _among_panels(pixels: Array, rng: np.random.Generator) -> Array:
    """Panels of one gray level that take more than half of a window, with buttons and a title bar."""
    inner, side = displayed(pixels, float(rng.choice([1.0, 0.6]))), pixels.shape[0]
    sides = (*rng.uniform(0.35, 0.8, 2), 0.12, rng.uniform(0.02, 0.2))
    plain = int(rng.choice([238, 205, 110, 64]))
    out = framed(inner, sides, plain, max(plain - 40, 0))
    for k in range(int(rng.integers(2, 6))):
        y, x0, x1 = int(side * sides[2]) + 10 + 34 * k, 8, int(side * sides[0]) - 12
        out[y : y + 22, x0:x1] = 255 - plain // 2
        out[y + 2 : y + 20, x0 + 2 : x1 - 2] = plain
    return out


def _in_bright_halo(s: Drawing, rng: np.random.Generator) -> Drawing:
    """The drawing with a halo of a fifth to two fifths of the beam, whole or cut by the aperture."""
    reach = rng.uniform(1.06, 1.3) if rng.random() < 0.5 else rng.uniform(s.ratio, 0.92)
    t = rng.uniform(0, 2 * np.pi)
    offset = ((reach - s.ratio) * float(np.cos(t)), (reach - s.ratio) * float(np.sin(t)))
    return replace(s, halo=float(rng.uniform(0.2, 0.4)), offset=offset)


def _sideways(x: Array, y: Array, turn: float) -> tuple[Array, Array]:
    """Distances from both middle lines of a rectangle that is turned by ``turn`` rad."""
    return np.abs(np.cos(turn) * x + np.sin(turn) * y), np.abs(np.cos(turn) * y - np.sin(turn) * x)


def _on_a_monitor(pixels: Array, s: Drawing, rng: np.random.Generator) -> Array:
    """The view on a monitor that is turned a little, with its frame and the room about it."""
    low, high = (float(v) for v in np.quantile(pixels, (0.01, 0.999)))
    turn = np.radians(rng.uniform(-6, 6))
    x, y = np.meshgrid(np.arange(s.side) - s.center[0], np.arange(s.side) - s.center[1])
    u, v = _sideways(x, y, turn)
    half = s.radius * rng.uniform(1.2, 1.5)
    frame, room = rng.uniform(0.05, 0.25, 2) * (high - low)
    far = np.maximum(u, v / rng.uniform(0.9, 1.0))
    around = np.where(far < half * rng.uniform(1.06, 1.15), frame, room * (1 + 0.3 * np.sign(np.sin(x / 23 + y / 31))))
    return np.where(far < half, pixels, low + around + rng.normal(0, 0.004 * (high - low), pixels.shape))


def _in_a_light_window(pixels: Array, rng: np.random.Generator) -> Array:
    """A view, most of it of one dark level, in a light window with narrow panels."""
    inner = displayed(pixels, 1.0)
    inner[inner < 12] = 5
    return framed(inner, (*rng.uniform(0.05, 0.3, 2), 0.12, rng.uniform(0.05, 0.1)), int(rng.choice([240, 225])), 255)


def _turned(pixels: Array, rng: np.random.Generator) -> Array:
    """As a picture that was turned in its file: its corners hold nothing."""
    side, turn = pixels.shape[0], np.radians(rng.choice([-1, 1]) * rng.uniform(12, 20))
    x, y = np.meshgrid(*2 * (np.arange(side) - (side - 1) / 2,))
    u, v = _sideways(x, y, turn)
    inside = np.maximum(u, v) < (side - 1) / 2 / (np.cos(turn) + np.abs(np.sin(turn)))
    return np.where(inside, pixels, 0).astype(pixels.dtype)
