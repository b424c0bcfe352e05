"""Random recipes over the trade's working range."""

from collections.abc import Callable
from math import cos, pi, sin
from typing import Any

import numpy as np

from ..registry import SceneKind
from .plane import covers_aperture, gap_of
from .recipe import Recipe

#: Names of the nuisances that :func:`random_recipe` can add, one group each.
NUISANCES = (
    "blur",
    "correlated-noise",
    "bad-pixels",
    "background",
    "glare",
    "domed",
    "tilted-light",
    "ringed-light",
    "fringes",
    "astigmatism",
    "tilted-view",
    "saturation",
    "gamma",
    "auto-contrast",
    "jpeg",
    "colored",
    "grain",
    "bar",
    "dirt",
    "overlay",
    "afterglow",
    "cut-by-frame",
    "vignetting",
    "interlace",
    "dead-quadrant",
    "inverted",
    "portrait",
    "tiny",
    "faint-halo",
    "drift-noise",
)


def random_recipe(
    rng: np.random.Generator,
    kind: SceneKind | str | None = None,
    nuisances: tuple[str, ...] = (),
    size: int | tuple[int, int] = 512,
) -> Recipe:
    """A random recipe.

    Clean ranges: beam radius 0.5–1.4 of the aperture's, offsets up to half the beam cut, peak counts 5–50 000, gain
    0.3–30 gray levels per electron, bias 0–500, halo 0.5–20 % of the beam with decay and unevenness (visible in the
    noise), edges of 0.6–8 px.

    Args:
        rng: source of randomness.
        kind: `both-edges`, `clipped`, `overfilled`, `one-edge`, `crossover` or `dark`; at random (mostly the first two)
            when ``None``.
        nuisances: names from :data:`NUISANCES` to add.
        size: pixels of the picture's sides, or (rows, columns).

    Raises:
        ValueError: for unknown names.
    """
    unknown = set(nuisances) - set(NUISANCES)
    if unknown:
        raise ValueError(f"unknown nuisances {', '.join(sorted(unknown))}; allowed: {', '.join(NUISANCES)}")
    if kind is None:
        kind = rng.choice(["both-edges", "clipped", "overfilled", "one-edge", "crossover", "dark"], p=_SHARES)
    kind = SceneKind(kind)
    if kind not in KINDS:
        raise ValueError(f"cannot sample {kind}; allowed: {', '.join(KINDS)}")
    rows, columns = (size, size) if isinstance(size, int) else size
    values: dict[str, Any] = {"rows": rows, "columns": columns}
    if "portrait" in nuisances:
        values["columns"] = columns = int(rows * rng.uniform(0.55, 0.8))
    side = min(rows, columns)
    radius = float(side * rng.uniform(0.22, 0.42))
    if "tiny" in nuisances:
        radius = float(rng.uniform(9.5, 14.0))
    free = max(side / 2 - 1.06 * radius, 0.0)
    values |= {
        "aperture_radius_px": radius,
        "aperture_x_px": (columns - 1) / 2 + float(rng.uniform(-free, free)) * 0.9,
        "aperture_y_px": (rows - 1) / 2 + float(rng.uniform(-free, free)) * 0.9,
    }
    widest = min(8.0, 0.06 * radius)
    values["aperture_edge_px"] = _log(rng, 0.6, max(widest, 0.7))
    values["beam_edge_px"] = _log(rng, 0.6, max(widest, 0.7))
    values |= _exposure(rng)
    values |= _geometry(rng, kind)
    if kind is SceneKind.DARK:
        values |= {"peak_electrons": 0.0, "background_electrons": float(rng.uniform(0.0, 20.0))}
    if kind is SceneKind.ONE_EDGE:
        values |= {"halo_level": 0.0}
    elif kind is not SceneKind.DARK:
        values |= _halo(rng, values)
    for name in NUISANCES:
        if name in nuisances:
            values |= _NUISANCES[name](rng, values)
    return Recipe(**values)


#: Scene kinds that :func:`random_recipe` can draw.
KINDS = tuple(SceneKind(k) for k in ("both-edges", "clipped", "overfilled", "one-edge", "crossover", "dark"))
_SHARES = (0.42, 0.42, 0.05, 0.04, 0.04, 0.03)


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _exposure(rng: np.random.Generator) -> dict[str, Any]:
    peak = _log(rng, 5.0, 50_000.0)
    bias = float(rng.uniform(0.0, 500.0))
    gain = _log(rng, 0.3, 30.0)
    gain = min(gain, 50_000.0 / peak)
    return {"peak_electrons": peak, "bias": bias, "gain": gain, "read_noise": gain * _log(rng, 0.1, 3.0) + 0.3}


def _halo(rng: np.random.Generator, values: dict[str, Any]) -> dict[str, Any]:
    # A halo that the noise hides belongs to the nuisance "faint-halo", not to the clean range.
    visible = 12.0 / np.sqrt(values["aperture_radius_px"]) / max(values["peak_electrons"], 1.0)
    read = (
        (values["read_noise"] / values["gain"])
        / max(values["peak_electrons"], 1.0)
        / np.sqrt(values["aperture_radius_px"])
    )
    lowest = min(max(0.005, visible, 12.0 * read), 0.2)
    return {
        "halo_level": _log(rng, lowest, 0.2) if lowest < 0.2 else 0.2,
        "halo_decay": float(rng.uniform(0.0, 0.8)),
        "halo_slope": float(rng.uniform(0.0, 0.3)),
        "halo_direction_deg": float(rng.uniform(0.0, 360.0)),
    }


def _geometry(rng: np.random.Generator, kind: SceneKind) -> dict[str, Any]:
    t = float(rng.uniform(0, 2 * pi))
    for _ in range(10_000):
        if kind is SceneKind.CROSSOVER:
            ratio, d = float(rng.uniform(0.03, 0.12)), float(rng.uniform(0.0, 0.7))
        elif kind is SceneKind.OVERFILLED:
            ratio = float(rng.uniform(1.15, 2.0))
            d = float(rng.uniform(0.0, 0.9 * (ratio - 1.08)))
        elif kind in (SceneKind.DARK, SceneKind.ONE_EDGE):
            ratio, d = float(rng.uniform(0.4, 0.95)), 0.0
            d = float(rng.uniform(0.0, 0.96 * (1 - ratio)))
        else:
            ratio = float(rng.uniform(0.5, 1.4))
            # Half of a disc is cut when the centers are nearly one aperture radius apart.
            d = float(rng.uniform(0.0, 1.0 if kind is SceneKind.CLIPPED else max(1.0 - ratio, 0.0)))
        offset = np.array([d * cos(t), d * sin(t)])
        gap, covers = gap_of(ratio * np.eye(2), offset, 90), covers_aperture(ratio * np.eye(2), offset, 90)
        if kind is SceneKind.BOTH_EDGES and not (gap > 0.01):
            continue
        if kind is SceneKind.CLIPPED and (gap > -0.01 or covers_aperture(1.08 * ratio * np.eye(2), offset, 90)):
            continue
        if kind is SceneKind.CLIPPED and _cut(ratio, d) > 0.5 * pi * ratio**2:
            continue
        if kind is SceneKind.OVERFILLED and not covers:
            continue
        return {"beam_ratio": ratio, "offset_x_percent": 100 * offset[0], "offset_y_percent": 100 * offset[1]}
    raise RuntimeError("no geometry found")  # pragma: no cover - the ranges above always hold one


def _cut(ratio: float, d: float) -> float:
    """Area of the beam's disc outside the unit aperture, by strips."""
    x = (np.arange(200) + 0.5) / 100 - 1
    half = np.sqrt(1 - x * x) * ratio
    aperture = np.sqrt(np.maximum(1 - (x * ratio + d) ** 2, 0.0))
    return float(np.sum(half - np.minimum(half, aperture)) * 2 * ratio / 100)


def _amount(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def _tilted_light(rng: np.random.Generator, _: dict[str, Any]) -> dict[str, Any]:
    return {"light_tilt": _amount(rng, 0.05, 0.3), "light_tilt_direction_deg": _amount(rng, 0, 360)}


def _ringed(rng: np.random.Generator, _: dict[str, Any]) -> dict[str, Any]:
    if rng.random() < 0.5:
        return {"rim": _amount(rng, 0.1, 0.5), "rim_width": _amount(rng, 0.1, 0.25)}
    return {"core": _amount(rng, 0.1, 0.5), "core_width": _amount(rng, 0.25, 0.5)}


def _fringes(rng: np.random.Generator, values: dict[str, Any]) -> dict[str, Any]:
    return {"beam_fringe_px": values["beam_edge_px"] * _amount(rng, 0.5, 1.5)}


def _view(rng: np.random.Generator, _: dict[str, Any]) -> dict[str, Any]:
    return {"view_tilt_deg": _amount(rng, 12.0, 32.0), "view_axis_deg": _amount(rng, 0, 180)}


def _astigmatism(rng: np.random.Generator, _: dict[str, Any]) -> dict[str, Any]:
    return {"astigmatism": _amount(rng, 0.02, 0.13), "astigmatism_axis_deg": _amount(rng, 0, 180)}


def _saturation(rng: np.random.Generator, values: dict[str, Any]) -> dict[str, Any]:
    top = values["bias"] + values["gain"] * values["peak_electrons"] * _amount(rng, 0.55, 0.9)
    return {"saturation": float(round(top))}


def _eight_bit(values: dict[str, Any], share: float = 0.8) -> dict[str, Any]:
    """Values that put the beam at ``share`` of 8 bits."""
    peak = max(values["peak_electrons"], 1.0)
    gain = 255.0 * share / (peak * (1.15 + values.get("halo_level", 0.0)))
    scale = gain / values["gain"]
    return {
        "bits": 8,
        "gain": gain,
        "bias": min(values["bias"] * scale, 20.0),
        "read_noise": values["read_noise"] * scale,
    }


def _gamma(rng: np.random.Generator, values: dict[str, Any]) -> dict[str, Any]:
    return _eight_bit(values) | {"gamma": _amount(rng, 0.4, 0.8)}


def _auto(_rng: np.random.Generator, _: dict[str, Any]) -> dict[str, Any]:
    return {"auto_contrast": True, "bits": 8}


def _jpeg(rng: np.random.Generator, values: dict[str, Any]) -> dict[str, Any]:
    return _eight_bit(values) | {"jpeg_quality": int(rng.integers(40, 92))}


def _colored(rng: np.random.Generator, values: dict[str, Any]) -> dict[str, Any]:
    return _eight_bit(values) | {"color": str(rng.choice(["green", "blue", "amber"], p=[0.8, 0.1, 0.1]))}


def _bar(rng: np.random.Generator, values: dict[str, Any]) -> dict[str, Any]:
    radius = values["aperture_radius_px"]
    return {
        "bar_width_px": radius * _amount(rng, 0.08, 0.25),
        "bar_angle_deg": _amount(rng, 0, 180),
        "bar_position": _amount(rng, -0.7, 0.7),
        "bar_transmission": _amount(rng, 0.0, 0.4),
    }


def _dirt(rng: np.random.Generator, values: dict[str, Any]) -> dict[str, Any]:
    radius = values["aperture_radius_px"]
    return {"dirt_count": int(rng.integers(4, 15)), "dirt_size_px": radius * _amount(rng, 0.03, 0.08)}


def _overlay(rng: np.random.Generator, _: dict[str, Any]) -> dict[str, Any]:
    return {
        "text": "beam 12  200 kV  14:05",
        "scale_bar": bool(rng.random() < 0.7),
        "border_px": int(rng.integers(3, 12)) if rng.random() < 0.6 else 0,
    }


def _afterglow(rng: np.random.Generator, values: dict[str, Any]) -> dict[str, Any]:
    t, d = _amount(rng, 0, 2 * pi), _amount(rng, 10, 35)
    return {
        "afterglow_level": _amount(rng, 0.03, 0.4),
        "afterglow_x_percent": values["offset_x_percent"] + d * cos(t),
        "afterglow_y_percent": values["offset_y_percent"] + d * sin(t),
    }


def _cut_by_frame(rng: np.random.Generator, values: dict[str, Any]) -> dict[str, Any]:
    side = min(values["rows"], values["columns"])
    radius = side * _amount(rng, 0.38, 0.48)
    t, d = _amount(rng, 0, 2 * pi), side / 2 - radius * _amount(rng, 0.55, 0.85)
    return {
        "aperture_radius_px": radius,
        "aperture_x_px": (values["columns"] - 1) / 2 + d * cos(t),
        "aperture_y_px": (values["rows"] - 1) / 2 + d * sin(t),
    }


def _faint_halo(rng: np.random.Generator, _: dict[str, Any]) -> dict[str, Any]:
    return {"halo_level": _log(rng, 0.001, 0.006)}


_NUISANCES: dict[str, Callable[[np.random.Generator, dict[str, Any]], dict[str, Any]]] = {
    "blur": lambda r, _v: {"blur_px": _amount(r, 0.4, 1.2)},
    "correlated-noise": lambda r, _v: {"spread_px": _amount(r, 0.5, 1.5)},
    "bad-pixels": lambda r, v: {
        "hot_pixels": _log(r, 1e-5, 1e-3),
        "hot_level": _amount(r, 0.3, 2.0) * v["peak_electrons"] * v["gain"],
        "dead_columns": int(r.integers(0, 4)),
    },
    "background": lambda r, _v: {
        "background_level": _amount(r, 0.02, 0.06),
        "background_slope_x": _amount(r, -0.03, 0.03),
        "background_slope_y": _amount(r, -0.03, 0.03),
    },
    "glare": lambda r, _v: {"glare_level": _amount(r, 0.005, 0.04), "glare_radius": _amount(r, 0.8, 2.0)},
    "domed": lambda r, _v: {"dome": _amount(r, -0.3, 0.5)},
    "tilted-light": _tilted_light,
    "ringed-light": _ringed,
    "fringes": _fringes,
    "astigmatism": _astigmatism,
    "tilted-view": _view,
    "saturation": _saturation,
    "gamma": _gamma,
    "auto-contrast": _auto,
    "jpeg": _jpeg,
    "colored": _colored,
    "grain": lambda r, _v: {"grain": _amount(r, 0.02, 0.1), "grain_px": _amount(r, 0.6, 2.0)},
    "bar": _bar,
    "dirt": _dirt,
    "overlay": _overlay,
    "afterglow": _afterglow,
    "cut-by-frame": _cut_by_frame,
    "vignetting": lambda r, _v: {"vignetting": _amount(r, 0.1, 0.4)},
    "interlace": lambda r, _v: {"interlace_px": _amount(r, 0.3, 1.5), "interlace_gain": _amount(r, -0.04, 0.04)},
    "dead-quadrant": lambda r, _v: {"dead_quadrant": int(r.integers(1, 5))},
    "inverted": lambda _r, _v: {"inverted": True},
    "portrait": lambda _r, _v: {},
    "tiny": lambda _r, _v: {},
    "faint-halo": _faint_halo,
    "drift-noise": lambda r, v: {
        "drift_noise": v["read_noise"] * _amount(r, 0.3, 1.5),
        "row_noise": v["read_noise"] * _amount(r, 0.1, 0.6),
    },
}
