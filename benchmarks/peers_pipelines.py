"""Pipelines for the same job, put together from general-purpose libraries: what a careful user would write in a day.

Each takes a picture (2-D, linear, more light is larger) and returns both circles, as far as it can. They share what such a
user would do anyhow: take a sloping background away, look at a smoothed picture, take levels of dark, halo and core, use
an outline at half height, and leave the part of the beam's outline that lies on the aperture's edge out of the beam's fit.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Found:
    """Centers (x, y) and radii in px; ``None`` where the pipeline has no answer."""

    aperture: tuple[float, float, float] | None = None
    beam: tuple[float, float, float] | None = None

    @property
    def offset(self) -> tuple[float, float] | None:
        """Beam − aperture, % of the aperture's radius."""
        if self.aperture is None or self.beam is None:
            return None
        (ax, ay, r), (bx, by, _) = self.aperture, self.beam
        return 100 * (bx - ax) / r, 100 * (by - ay) / r


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """A smoothed picture and its levels: of no light, of the halo, of the core; gray levels."""

    smooth: Array
    dark: float
    halo: float
    core: float

    @property
    def at_beam(self) -> float:
        """Half-way from the halo to the core."""
        return (self.halo + self.core) / 2

    @property
    def at_aperture(self) -> float:
        """Half-way from dark to the halo."""
        return (self.dark + self.halo) / 2


def without_slope(pixels: NDArray[Any]) -> NDArray[np.float32]:
    """The picture less a plane through its border (a robust fit), which is taken to be background."""
    rows, columns = pixels.shape
    wide = max(2, round(0.02 * min(rows, columns)))
    y, x = np.mgrid[0:rows, 0:columns][:, :: max(1, rows // 256), :: max(1, rows // 256)]
    rim = (y < wide) | (y >= rows - wide) | (x < wide) | (x >= columns - wide)
    terms = np.stack([np.ones(int(rim.sum())), x[rim], y[rim]], axis=1)
    value = pixels[y[rim], x[rim]].astype(np.float64)
    use = np.ones(len(value), dtype=bool)
    plane = np.zeros(3)
    for _ in range(5):
        plane = np.linalg.lstsq(terms[use], value[use], rcond=None)[0]
        rest = value - terms @ plane
        middle = float(np.median(rest))
        use = np.abs(rest - middle) < 3 * 1.4826 * float(np.median(np.abs(rest - middle))) + 1e-9
    fx = (plane[1] * np.arange(columns)).astype(np.float32)
    fy = (plane[0] + plane[2] * np.arange(rows)).astype(np.float32)
    out: NDArray[np.float32] = pixels.astype(np.float32) - fy[:, None] - fx
    return out


def levels_of(pixels: NDArray[Any], sigma: float = 1.5) -> Levels | None:
    """Levels by Otsu's threshold, taken twice (scikit-image), away from the edges' slopes; ``None`` without a halo."""
    from scipy.ndimage import gaussian_filter

    return levels_in(gaussian_filter(without_slope(pixels), sigma))


def levels_in(smooth: Any) -> Levels | None:
    """Levels of a smoothed picture without slope."""
    from scipy.ndimage import binary_dilation, uniform_filter
    from skimage.filters import threshold_otsu

    step = max(1, min(smooth.shape) // 512)
    small = uniform_filter(np.asarray(smooth[::step, ::step], dtype=np.float64), 5)
    bright = small > threshold_otsu(small)
    core = float(np.median(small[bright]))
    rest = small[~binary_dilation(bright, iterations=max(5, 20 // step))]
    if rest.size < 100:
        return None
    cut = threshold_otsu(rest)
    dark, halo = float(np.median(rest[rest <= cut])), float(np.median(rest[rest > cut]))
    return Levels(smooth, dark, halo, core) if dark < halo < core else None


def outline_at(levels: Levels, level: float) -> Array | None:
    """The longest outline at a level, (x, y) in px, shape (n, 2): marching squares (scikit-image)."""
    from skimage.measure import find_contours

    found = find_contours(levels.smooth, level)
    if not found:
        return None
    longest = max(found, key=len)
    return longest[:, ::-1] if len(longest) >= 20 else None


def circle_fit(points: Array) -> tuple[float, float, float] | None:
    """A circle through points by total least squares (scikit-image); the geometric mean radius of an ellipse if it fits."""
    from skimage.measure import EllipseModel

    model = _fitted(EllipseModel, points)
    if model is None:
        return None
    x, y, a, b, _ = _parameters(model)
    return (x, y, float(np.sqrt(a * b))) if a > 0 and b > 0 else None


def _fitted(kind: Any, points: Array) -> Any:
    """A scikit-image model fitted to points, by whichever of its interfaces this version has."""
    if hasattr(kind, "from_estimate"):
        return kind.from_estimate(points) or None
    model = kind()
    return model if model.estimate(points) else None


def _parameters(model: Any) -> tuple[float, ...]:
    if hasattr(model, "center"):
        rest = (model.radius,) if hasattr(model, "radius") else (*model.axis_lengths, model.theta)
        return tuple(float(v) for v in (*model.center, *rest))
    return tuple(float(v) for v in model.params)


def off_edge(points: Array, circle: tuple[float, float, float], margin: float) -> Array:
    """Points that lie clearly inside a circle."""
    return points[np.hypot(points[:, 0] - circle[0], points[:, 1] - circle[1]) < circle[2] - margin]


def _beam_part(beam: Array, aperture: tuple[float, float, float]) -> Array:
    """The beam's outline without the stretch on the aperture's edge, unless hardly anything would be left."""
    free = off_edge(beam, aperture, max(4.0, 0.03 * aperture[2]))
    return free if len(free) >= max(20, 0.1 * len(beam)) else beam


def _halo_part(levels: Levels, outer: Array) -> Array:
    """The aperture's outline where the halo alone lights it; beside the beam, half the halo's height lies too far out."""
    middle = outer.mean(axis=0)
    radius = float(np.median(np.hypot(*(outer - middle).T)))
    inward = outer + (middle - outer) * (max(8.0, 0.08 * radius) / radius)
    rows, columns = levels.smooth.shape
    x = np.clip(np.rint(inward[:, 0]).astype(int), 0, columns - 1)
    y = np.clip(np.rint(inward[:, 1]).astype(int), 0, rows - 1)
    faint = levels.smooth[y, x] < levels.halo + 0.1 * (levels.core - levels.halo)
    return outer[faint] if faint.mean() > 0.3 else outer


def thresholds_ellipse(pixels: NDArray[Any]) -> Found:
    """scikit-image: outlines at two half heights, an ellipse through each."""
    levels = levels_of(pixels)
    if levels is None:
        return Found()
    outer, inner = outline_at(levels, levels.at_aperture), outline_at(levels, levels.at_beam)
    aperture = None if outer is None else circle_fit(_halo_part(levels, outer))
    if aperture is None or inner is None:
        return Found(aperture)
    return Found(aperture, circle_fit(_beam_part(inner, aperture)))


def ransac_circles(pixels: NDArray[Any]) -> Found:
    """scikit-image: outlines at two half heights, a circle through each by RANSAC, then by all that agree."""
    from skimage.measure import CircleModel, ransac

    levels = levels_of(pixels)
    if levels is None:
        return Found()
    rng = np.random.default_rng(0)

    def circle(points: Array | None) -> tuple[float, float, float] | None:
        if points is None:
            return None
        model, agree = ransac(
            points[:: max(1, len(points) // 1500)],
            CircleModel,
            min_samples=3,
            residual_threshold=1.0,
            max_trials=300,
            rng=rng,
        )
        if model is None or agree is None or agree.sum() < 10:
            return None
        x, y, r = _parameters(model)
        near = np.abs(np.hypot(points[:, 0] - x, points[:, 1] - y) - r) < 1.5
        final = _fitted(CircleModel, points[near]) or model
        x, y, r = _parameters(final)
        return x, y, r

    outer, inner = outline_at(levels, levels.at_aperture), outline_at(levels, levels.at_beam)
    aperture = None if outer is None else circle(_halo_part(levels, outer))
    if aperture is None or inner is None:
        return Found(aperture)
    return Found(aperture, circle(_beam_part(inner, aperture)))


def hough_circles(pixels: NDArray[Any], side: int = 512) -> Found:
    """scikit-image: Canny edges of both half heights' masks, circles by Hough's transform, on at most ``side``² pixels.

    Radii are searched in steps of 2 px, then of ½ px around the best, whose votes are averaged for the center.
    """
    from skimage.feature import canny
    from skimage.transform import downscale_local_mean, hough_circle

    factor = max(1, round(min(pixels.shape) / side))
    small = downscale_local_mean(pixels.astype(np.float64), (factor, factor)) if factor > 1 else pixels
    levels = levels_of(small)
    if levels is None:
        return Found()

    def circle(level: float, sure: tuple[float, float, float] | None) -> tuple[float, float, float] | None:
        mask = levels.smooth > level
        edges = canny(mask.astype(float), sigma=1.0)
        if sure is not None:
            y, x = np.nonzero(edges)
            keep = np.hypot(x - sure[0], y - sure[1]) < sure[2] - max(4.0, 0.03 * sure[2])
            if keep.sum() >= 20:
                edges = np.zeros_like(edges)
                edges[y[keep], x[keep]] = True
        if edges.sum() < 20:
            return None
        about = float(np.sqrt(mask.sum() / np.pi))
        best: tuple[float, float, float] | None = None
        for radii in (np.arange(max(5, int(0.85 * about)), int(1.6 * about) + 3, 2), None):
            if radii is None:
                assert best is not None
                radii = np.arange(int(best[2]) - 2, int(best[2]) + 4)
            votes = hough_circle(edges, radii)
            k, y, x = np.unravel_index(int(np.argmax(votes)), votes.shape)
            y0, x0 = max(int(y) - 2, 0), max(int(x) - 2, 0)
            patch = votes[k, y0 : y0 + 5, x0 : x0 + 5] ** 4
            gy, gx = np.mgrid[y0 : y0 + patch.shape[0], x0 : x0 + patch.shape[1]]
            total = float(patch.sum())
            best = float((gx * patch).sum() / total), float((gy * patch).sum() / total), float(radii[k])
        return best

    def full(c: tuple[float, float, float] | None) -> tuple[float, float, float] | None:
        half = (factor - 1) / 2
        return None if c is None else (c[0] * factor + half, c[1] * factor + half, c[2] * factor)

    aperture = circle(levels.at_aperture, None)
    if aperture is None:
        return Found()
    return Found(full(aperture), full(circle(levels.at_beam, aperture)))


def _cv_levels(pixels: NDArray[Any]) -> Levels | None:
    """The same levels with OpenCV's filter on 32-bit floats, which is several times as fast."""
    import cv2

    cv2.setNumThreads(1)
    return levels_in(cv2.GaussianBlur(without_slope(pixels), (0, 0), 1.5))


def _cv_outline(levels: Levels, level: float) -> NDArray[np.int32] | None:
    import cv2

    mask = (levels.smooth > level).astype(np.uint8)
    found, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = max(found, key=len, default=None)
    return None if longest is None or len(longest) < 20 else longest


def opencv_ellipse(pixels: NDArray[Any]) -> Found:
    """OpenCV: outlines of two masks, an ellipse through each by the direct least-squares fit."""
    import cv2

    levels = _cv_levels(pixels)
    if levels is None:
        return Found()

    def ellipse(points: NDArray[Any] | None) -> tuple[float, float, float] | None:
        if points is None or len(points) < 5:
            return None
        (x, y), (a, b), _ = cv2.fitEllipseDirect(points)
        # The outermost pixels of the mask lie half a pixel inside its outline.
        return (x, y, float(np.sqrt(a * b)) / 2 + 0.5) if np.isfinite([x, y, a, b]).all() and a * b > 0 else None

    outer = _cv_outline(levels, levels.at_aperture)
    if outer is None:
        return Found()
    aperture = ellipse(_halo_part(levels, outer[:, 0, :].astype(np.float64)).astype(np.float32))
    inner = _cv_outline(levels, levels.at_beam)
    if aperture is None or inner is None:
        return Found(aperture)
    part = _beam_part(inner[:, 0, :].astype(np.float64), aperture).astype(np.float32)
    return Found(aperture, ellipse(part))


def opencv_hough(pixels: NDArray[Any], side: int = 512) -> Found:
    """OpenCV: HoughCircles with its sub-pixel gradient method, once on each level's softened picture of ``side``² pixels.

    Where that method finds nothing, the classic one is asked.
    """
    import cv2

    cv2.setNumThreads(1)
    factor = max(1, round(min(pixels.shape) / side))
    rows, columns = (v // factor * factor for v in pixels.shape)
    flat = without_slope(pixels)[:rows, :columns]
    small = cv2.resize(flat, (columns // factor, rows // factor), interpolation=cv2.INTER_AREA)
    levels = levels_in(cv2.GaussianBlur(small, (0, 0), 1.5))
    if levels is None:
        return Found()

    def circle(level: float, low: float, high: float) -> tuple[float, float, float] | None:
        half = 0.45 * (high - low)
        gray = (255 * np.clip((levels.smooth - level) / (2 * half) + 0.5, 0, 1)).astype(np.uint8)
        gray = cv2.GaussianBlur(cv2.medianBlur(gray, 5), (0, 0), 1.5)
        about = float(np.sqrt((gray > 127).sum() / np.pi))
        about_range = {"minRadius": int(0.8 * about), "maxRadius": int(1.6 * about) + 2, "minDist": min(small.shape)}
        found = cv2.HoughCircles(gray, cv2.HOUGH_GRADIENT_ALT, dp=1.5, param1=150, param2=0.3, **about_range)
        if found is None:
            found = cv2.HoughCircles(gray, cv2.HOUGH_GRADIENT, dp=1, param1=100, param2=10, **about_range)
        if found is None:
            return None
        x, y, r = (float(v) for v in found.reshape(-1, found.shape[-1])[0][:3])
        return x * factor + (factor - 1) / 2, y * factor + (factor - 1) / 2, r * factor

    return Found(circle(levels.at_aperture, levels.dark, levels.halo), circle(levels.at_beam, levels.halo, levels.core))


def photutils_sources(pixels: NDArray[Any]) -> Found:
    """photutils: sources at two thresholds, centroids, radii from their areas."""
    from photutils.segmentation import SourceCatalog, detect_sources

    levels = levels_of(pixels)
    if levels is None:
        return Found()

    def source(level: float, low: float, high: float) -> tuple[float, float, float] | None:
        segments = detect_sources(levels.smooth, level, n_pixels=200)
        if segments is None:
            return None
        labels = segments.labels[[int(np.argmax(segments.areas))]]
        # Light between the two levels only, so that neither the halo nor the core's shape weighs in.
        data = np.clip(levels.smooth, low, high) - low
        catalog = SourceCatalog(data, segments.copy(), mask=~np.isin(segments.data, labels))
        row = int(np.flatnonzero(catalog.labels == labels[0])[0])
        x, y = (float(v) for v in np.atleast_2d(catalog.centroid)[row])
        return x, y, float(np.sqrt(segments.areas.max() / np.pi))

    aperture = source(levels.at_aperture, levels.dark, levels.halo)
    return Found(aperture, source(levels.at_beam, levels.halo, levels.core))


def second_moments(pixels: NDArray[Any]) -> Found:
    """laserbeamsize: ISO 11146 second moments of the light above the halo, and of that below it; an even disc's d4σ is 2R."""
    import laserbeamsize as lbs

    step = max(1, min(pixels.shape) // 512)
    levels = levels_of(pixels)
    if levels is None:
        return Found()
    small = np.asarray(levels.smooth[::step, ::step], dtype=np.float64)

    def disc(light: Array) -> tuple[float, float, float] | None:
        x, y, major, minor, *_ = lbs.beam_size(light, iso_noise=False)
        return (float(x) * step, float(y) * step, float(np.sqrt(major * minor)) / 2 * step) if major > 0 else None

    low = np.clip(small, levels.dark, levels.halo) - levels.dark
    high = np.maximum(small - levels.halo, 0.0)
    low[low < 0.25 * (levels.halo - levels.dark)] = 0.0
    high[high < 0.1 * (levels.core - levels.halo)] = 0.0
    return Found(disc(low), disc(high))


def scipy_model(pixels: NDArray[Any]) -> Found:
    """scipy: two soft discs on even levels, fitted to about 300² pixels by weighted least squares from the outlines' circles."""
    from scipy.optimize import least_squares
    from scipy.special import ndtr

    start = thresholds_ellipse(pixels)
    levels = levels_of(pixels)
    if start.aperture is None or start.beam is None or levels is None:
        return start
    step = max(1, round(min(pixels.shape) / 300))
    y, x = (v.astype(np.float64) for v in np.mgrid[0 : pixels.shape[0] : step, 0 : pixels.shape[1] : step])
    data = without_slope(pixels)[::step, ::step].astype(np.float64)
    seen = np.asarray(levels.smooth[::step, ::step], dtype=np.float64)
    # Variance rises with the light; its least, from the dark part's scatter.
    dark = seen < levels.at_aperture
    least = float(np.std(data[dark] - seen[dark])) if dark.any() else 1.0
    per_light = max(float(np.var((data - seen)[seen > levels.at_beam])) - least**2, 0.0) / (levels.core - levels.dark)
    noise = np.sqrt(least**2 + per_light * np.maximum(seen - levels.dark, 0.0))
    scale = np.array([1, 1, 1, 1, 1, 1, 1, 1, *([0.1 * (levels.core - levels.dark)] * 3)])

    def model(p: Array) -> Array:
        a = ndtr((p[2] - np.hypot(x - p[0], y - p[1])) / max(abs(p[6]), 0.3))
        b = ndtr((p[5] - np.hypot(x - p[3], y - p[4])) / max(abs(p[7]), 0.3))
        return p[8] + a * (p[9] + b * p[10])

    p0 = [*start.aperture, *start.beam, 1.5, 1.5, levels.dark, levels.halo - levels.dark, levels.core - levels.halo]
    fit = least_squares(
        lambda p: ((model(p) - data) / noise).ravel(), p0, x_scale=scale, loss="soft_l1", f_scale=3.0, max_nfev=25
    )
    p = fit.x
    return Found((float(p[0]), float(p[1]), float(p[2])), (float(p[3]), float(p[4]), float(p[5])))


#: Name in the table → pipeline.
PIPELINES: dict[str, Callable[[NDArray[Any]], Found]] = {
    "scikit-image: two thresholds, ellipses": thresholds_ellipse,
    "scikit-image: RANSAC circles on outlines": ransac_circles,
    "scikit-image: Canny and Hough": hough_circles,
    "OpenCV: outlines, fitEllipseDirect": opencv_ellipse,
    "OpenCV: HoughCircles": opencv_hough,
    "photutils: sources, centroids": photutils_sources,
    "laserbeamsize: ISO 11146 moments": second_moments,
    "scipy: least squares, two soft discs": scipy_model,
}
