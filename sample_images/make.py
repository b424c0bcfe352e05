"""Make the sample pictures again.

    python sample_images/make.py [--check] [NAME ...]

Simulated and wave-optics pictures come out pixel for pixel; the real ones are taken from the installed open packages
(sunpy, scikit-image). --check compares with what is here instead of writing.
"""

import argparse
import csv
import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np

from apertrue.simulate import Recipe, simulate
from apertrue.simulate.files import save_picture

HERE = Path(__file__).resolve().parent
# The wave optics, views and real discs stand with the benchmarks.
sys.path.insert(0, str(HERE.parent / "benchmarks"))

#: Heron's gun shift, of our own making: % of the aperture radius (x right, y down) per console unit, where the beam is
#: centered at the start of the day, and how that place creeps, console units per hour.
PER_UNIT = np.array([[3.1, -0.8], [0.9, 2.7]])
HOME, CREEP = np.array([12.0, -7.5]), np.array([0.9, -0.6])
START = datetime(2026, 3, 12, 9, 0, tzinfo=timezone(timedelta(hours=1)))

CCD = {"bias": 120.0, "gain": 3.2, "read_noise": 5.0, "peak_electrons": 1500.0}
SCREEN: dict[str, Any] = {
    "bits": 8,
    "bias": 9.0,
    "gain": 0.24,
    "read_noise": 1.2,
    "peak_electrons": 700.0,
    "grain": 0.05,
    "grain_px": 0.9,
}
#: The aperture stands a little off the middle of the lower camera, and stays there all day.
BASE = {
    "rows": 480,
    "columns": 480,
    "aperture_radius_px": 178.0,
    "aperture_x_px": 251.7,
    "aperture_y_px": 232.4,
    "aperture_edge_px": 1.5,
    "beam_edge_px": 2.4,
    "blur_px": 0.7,
    "halo_level": 0.06,
    "halo_decay": 0.5,
    "halo_slope": 0.1,
    "halo_direction_deg": 200.0,
    "glare_level": 0.002,
    "dome": 0.07,
    "grain": 0.006,
}
#: Another view, in the middle of its picture.
MIDDLE = {"aperture_x_px": None, "aperture_y_px": None}


@dataclass(frozen=True)
class Sample:
    """One sample picture: how it is made and what stands in the sheet."""

    file: str
    minute: float
    words: str
    values: dict[str, Any] = field(default_factory=dict)
    #: Wished offset, % of the aperture radius (x right, y down); the readings are rounded, the truth follows them.
    offset: tuple[float, float] = (2.0, -1.0)
    focus: float = 34.0
    sheet: dict[str, Any] = field(default_factory=dict)
    make: Callable[[np.random.Generator], tuple[np.ndarray, dict[str, Any]]] | None = None
    #: The readings themselves, where they matter more than the offset.
    readings: tuple[float, float] | None = None
    pages: int = 1

    @property
    def taken_at(self) -> datetime:
        """When it was taken."""
        return START + timedelta(minutes=self.minute)

    @property
    def home(self) -> np.ndarray:
        """The readings at which the beam would be centered then."""
        return HOME + CREEP * self.minute / 60

    @property
    def shift(self) -> np.ndarray:
        """The readings of gun shift X and Y, console units, as the console rounds them."""
        if self.readings is not None:
            return np.array(self.readings)
        return np.round(self.home + np.linalg.solve(PER_UNIT, self.offset), 2)

    @property
    def true_offset(self) -> np.ndarray:
        """The offset that the readings give, % of the aperture radius (x right, y down)."""
        return PER_UNIT @ (self.shift - self.home)


def _simulated(s: Sample, number: int) -> tuple[np.ndarray, dict[str, Any]]:
    x, y = (float(v) for v in s.true_offset)
    recipe = Recipe(**(BASE | CCD | {"offset_x_percent": x, "offset_y_percent": y} | s.values))
    shot = simulate(recipe, np.random.default_rng([2026, number]))
    return shot.picture, shot.truth.to_dict()


def _stack(rng: np.random.Generator) -> tuple[np.ndarray, dict[str, Any]]:
    """Five pages, two minutes apart: the beam creeps; the last page is the one before again (a frozen camera)."""
    pages, truths = [], []
    for k in range(4):
        recipe = Recipe(
            **(BASE | CCD | MIDDLE | {"rows": 256, "columns": 256, "aperture_radius_px": 98.0, "beam_ratio": 0.84}),
            offset_x_percent=1.0 + 2.2 * k,
            offset_y_percent=-0.5 + 1.1 * k,
        )
        shot = simulate(recipe, rng)
        pages.append(shot.picture)
        truths.append(shot.truth.to_dict())
    return np.stack([*pages, pages[-1]]), {"pages": [*truths, truths[-1]]}


def _wave(**values: Any) -> Callable[[np.random.Generator], tuple[np.ndarray, dict[str, Any]]]:
    def make(rng: np.random.Generator) -> tuple[np.ndarray, dict[str, Any]]:
        from scenes.wave import Bench, render

        light, truth = render(Bench(**values))
        gray = rng.poisson(light * 1200) * 2.5 + rng.normal(150, 4, light.shape)
        kind = "clipped" if truth["gap_percent"] < 0 else "both-edges"
        return np.clip(np.rint(gray), 0, 65535).astype(np.uint16)[26:486, 26:486], _moved(truth, -26) | {"scene": kind}

    return make


def _moved(truth: dict[str, float], by: int) -> dict[str, Any]:
    return {
        k: v + by if k in ("aperture_x_px", "aperture_y_px", "beam_x_px", "beam_y_px") else v for k, v in truth.items()
    }


def _view(name: str, n: int) -> Callable[[np.random.Generator], tuple[np.ndarray, dict[str, Any]]]:
    def make(rng: np.random.Generator) -> tuple[np.ndarray, dict[str, Any]]:
        from scenes import views

        light = getattr(views, name)(rng, n)
        gray = rng.poisson(np.maximum(light, 0) * 800) * 3.2 + rng.normal(120, 5, light.shape)
        return np.clip(np.rint(gray), 0, 65535).astype(np.uint16), {
            "scene": "other-view",
            "allowed_kinds": ["other-view"],
        }

    return make


def _sun(_: np.random.Generator) -> tuple[np.ndarray, dict[str, Any]]:
    from scenes.real import solar_disc

    made = solar_disc()
    return made["pixels"], {"scene": "one-edge", "allowed_kinds": [*_ROUND], **made["truth"]}


def _retina(_: np.random.Generator) -> tuple[np.ndarray, dict[str, Any]]:
    from PIL import Image

    from scenes.real import package_folder

    image = Image.open(package_folder("skimage") / "data/retina.jpg").resize((560, 560), Image.Resampling.BOX)
    return np.asarray(image), {"scene": "other-view", "allowed_kinds": [*_ROUND]}


SMALL = MIDDLE | {"rows": 320, "columns": 320, "aperture_radius_px": 118.0, "beam_ratio": 0.75}
#: Honest answers to a lone round edge that is none of a microscope.
_ROUND = ("one-edge", "other-view", "overfilled", "beam-only")
WAVE = {"n": 1024, "radius": 340.0}
SAMPLES: tuple[Sample, ...] = (
    Sample("01-centered.tif", 4, "beam well centered", {"beam_ratio": 0.9}, (1.6, 0.9), sheet={"current_pa": 26.0}),
    Sample(
        "02-drifted.tif",
        62,
        "an hour later: the beam has crept",
        {"beam_ratio": 0.86},
        (9.5, -6.0),
        sheet={"current_pa": 25.9},
    ),
    Sample(
        "03-far-off.tif",
        150,
        "after lunch: cut at the lower left",
        {"beam_ratio": 0.92},
        (-24.0, 21.0),
        sheet={"current_pa": 21.4},
    ),
    Sample("04-half-cut.tif", 152, "the wrong knob: half of the beam is gone", {"beam_ratio": 0.7}, (82.0, 37.0)),
    Sample("05-overfilled.png", 158, "spread too far", {"beam_ratio": 1.6, "dome": 0.15}, (12.0, 9.0), 61.0),
    Sample(
        "06-surround-lost.tif",
        161,
        "short exposure: no surround; tells only with a remembered aperture",
        {"beam_ratio": 0.8, "halo_level": 0.0, "peak_electrons": 220.0},
        (6.0, 2.0),
    ),
    Sample(
        "07-crossover.mrc", 165, "close to crossover, screen lifted at once", {"beam_ratio": 0.07}, (5.0, -4.0), 2.5
    ),
    Sample("08-dark.tif", 166, "column valves closed", {"peak_electrons": 0.0, "background_electrons": 1.0}),
    Sample(
        "09-green-screen.png",
        171,
        "viewing screen by the video camera",
        SCREEN
        | MIDDLE
        | {
            "color": "green",
            "rows": 420,
            "columns": 560,
            "aperture_radius_px": 165.0,
            "beam_ratio": 0.83,
            "vignetting": 0.3,
            "glare_level": 0.02,
            "background_level": 0.02,
            "halo_level": 0.09,
            "aperture_x_px": 262.0,
            "aperture_y_px": 221.0,
            "blur_px": 0.9,
        },
        (7.0, 4.0),
        sheet={"camera": "screen eye"},
    ),
    Sample(
        "10-tilted-screen.jpg",
        174,
        "hand-held photograph of the small screen, from the side",
        SCREEN
        | MIDDLE
        | {
            "color": "green",
            "jpeg_quality": 82,
            "rows": 560,
            "columns": 420,
            "aperture_radius_px": 150.0,
            "view_tilt_deg": 30.0,
            "view_axis_deg": 12.0,
            "beam_ratio": 0.8,
            "gamma": 0.7,
            "blur_px": 0.8,
        },
        (-9.0, 6.0),
        sheet={"camera": "telephone"},
    ),
    Sample("11-saturated.tif", 180, "exposed too long", {"beam_ratio": 0.85, "saturation": 4095.0}, (4.0, 3.0)),
    Sample(
        "12-grid-bar.tif",
        184,
        "a grid bar and some dirt in the way",
        {"beam_ratio": 0.85, "bar_width_px": 34.0, "bar_angle_deg": 62.0, "bar_position": 0.35, "dirt_count": 5},
        (-5.0, 5.0),
    ),
    Sample(
        "13-cut-by-frame.png",
        190,
        "view not centered on the camera",
        {"beam_ratio": 0.78, "aperture_radius_px": 205.0, "aperture_x_px": 352.0, "aperture_y_px": 180.0},
        (10.0, 8.0),
    ),
    Sample(
        "14-noisy.tif",
        195,
        "low dose",
        {"beam_ratio": 0.8, "peak_electrons": 5.0, "gain": 14.0, "read_noise": 34.0, "halo_level": 0.12},
        (8.0, -7.0),
    ),
    Sample("15-faint-surround.tif", 199, "surround barely seen", {"beam_ratio": 0.8, "halo_level": 0.004}, (6.0, 5.0)),
    Sample(
        "16-uneven.tif",
        205,
        "gun tilt off: uneven light",
        {"beam_ratio": 0.86, "light_tilt": 0.8, "light_tilt_direction_deg": 130.0},
        (3.0, -3.0),
    ),
    Sample(
        "17-astigmatic.tif",
        211,
        "condenser astigmatism not yet corrected",
        {"beam_ratio": 0.72, "astigmatism": 0.13, "astigmatism_axis_deg": 60.0, "rim": 0.25},
        (4.0, 6.0),
        -31.0,
    ),
    Sample(
        "18-window-screenshot.png",
        214,
        "screenshot of the live view",
        MIDDLE
        | {
            "bits": 8,
            "gain": 0.12,
            "bias": 12.0,
            "read_noise": 0.8,
            "rows": 440,
            "columns": 560,
            "aperture_radius_px": 150.0,
            "beam_ratio": 0.85,
            "border_px": 9,
            "text": "Heron  live  200 kV  0.2 s",
            "scale_bar": True,
            "auto_contrast": True,
        },
        (6.0, -3.0),
    ),
    Sample(
        "19-afterglow.tif",
        217,
        "the screen still glows where the beam was",
        {"beam_ratio": 0.74, "afterglow_level": 0.25, "afterglow_x_percent": 12.0, "afterglow_y_percent": 13.0},
        (-8.0, -5.0),
    ),
    Sample(
        "20-creep-stack.tif",
        220,
        "after a tension change: five pages, creeping; the camera froze on the last",
        make=_stack,
        pages=5,
    ),
    Sample(
        "21-fringes.npy",
        231,
        "coherent light: fringes",
        offset=(7.0, -4.0),
        make=_wave(**WAVE, ratio=0.85, offset=(0.07, -0.04), fringe_before=6.0, fringe_after=5.0, coherence_blur=1.5),
    ),
    Sample(
        "22-fringes-cut.tif",
        233,
        "coherent light: fringes, cut at the right",
        offset=(35.0, 11.0),
        make=_wave(**WAVE, ratio=0.8, offset=(0.35, 0.11), fringe_before=7.0, fringe_after=4.0, waist=1.1),
    ),
    Sample(
        "23-diffraction.tif", 240, "diffraction pattern, in the folder by mistake", make=_view("diffraction_discs", 400)
    ),
    Sample("24-solar-disc.png", 0, "", make=_sun),
    Sample("25-fundus.jpg", 0, "", make=_retina),
    Sample("31-before.tif", 300, "calibration: start", SMALL, readings=(20.3, -9.5)),
    Sample("32-x-moved.tif", 300.6, "calibration: shift X moved", SMALL, readings=(18.3, -9.5)),
    Sample("33-y-moved.tif", 301.2, "calibration: shift Y moved", SMALL, readings=(18.3, -11.5)),
)
COLUMNS = (
    "file", "page", "taken_at", "gun_shift_x", "gun_shift_y", "gun_focus", "focus_side", "current_pa", "kv", "spot",
    "aperture_um", "magnification", "camera", "setting", "note",
)  # fmt: skip


def make(sample: Sample) -> tuple[np.ndarray, dict[str, Any]]:
    """(picture, truth) of a sample."""
    number = int(sample.file[:2])
    if sample.make is not None:
        return sample.make(np.random.default_rng([2026, number]))
    return _simulated(sample, number)


def sheet_rows(sample: Sample) -> Iterator[dict[str, Any]]:
    """What the operator wrote down, a line a page; the stack's pages are two minutes apart."""
    x, y = sample.shift
    side = "positive" if sample.focus > 0 else "negative"
    row = {
        "file": sample.file,
        "taken_at": sample.taken_at.isoformat(),
        "gun_shift_x": f"{x:.2f}",
        "gun_shift_y": f"{y:.2f}",
        "gun_focus": f"{sample.focus:.1f}",
        "focus_side": side,
        "kv": "200",
        "spot": "4",
        "aperture_um": "70",
        "magnification": "4200",
        "camera": "lower camera",
        "setting": "morning",
        "note": sample.words,
    }
    if sample.pages == 1:
        yield row | sample.sheet
        return
    for page in range(sample.pages):
        yield (
            row | sample.sheet | {"page": page, "taken_at": (sample.taken_at + timedelta(minutes=2 * page)).isoformat()}
        )


def main() -> int:
    """Write or check the pictures; 1 when some differ."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", help="only these files")
    parser.add_argument("--check", action="store_true", help="compare with what is here")
    options = parser.parse_args()
    wanted = [s for s in SAMPLES if not options.names or s.file in options.names]
    truth_file = HERE / "truth.json"
    truths = json.loads(truth_file.read_text(encoding="utf-8")) if truth_file.exists() else {}
    different = []
    for sample in wanted:
        picture, truth = make(sample)
        path = HERE / sample.file
        if options.check:
            if not _same(path, picture):
                different.append(sample.file)
            continue
        quality = int(sample.values.get("jpeg_quality", 88))
        save_picture(path, picture, quality=quality)
        truths[sample.file] = truth
        print(f"{sample.file:28s} {path.stat().st_size / 1024:7.0f} kB  {truth.get('scene', '')}")
    if options.check:
        print("all the same" if not different else "different: " + ", ".join(different))
        return 1 if different else 0
    order = {s.file: truths[s.file] for s in SAMPLES if s.file in truths}
    truth_file.write_text(json.dumps(order, indent=1, ensure_ascii=False) + "\n", encoding="utf-8", newline="\n")
    with (HERE / "session.csv").open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, COLUMNS, lineterminator="\n", restval="")
        writer.writeheader()
        for sample in SAMPLES:
            if sample.words:
                writer.writerows(sheet_rows(sample))
    return 0


def _same(path: Path, picture: np.ndarray) -> bool:
    """Whether a file holds just this picture (JPEG: within its own rounding)."""
    from apertrue.readers import read_frames

    if path.suffix == ".jpg":
        from PIL import Image

        stored = np.asarray(Image.open(path)).astype(float)
        return stored.shape == picture.shape and float(np.abs(stored - picture).mean()) < 3.0
    if path.suffix == ".png" and picture.ndim == 3:
        from PIL import Image

        return np.array_equal(np.asarray(Image.open(path)), picture)
    pages = picture if picture.ndim == 3 else picture[None]
    frames = list(read_frames(path))
    return len(frames) == len(pages) and all(np.array_equal(f.pixels, p) for f, p in zip(frames, pages, strict=True))


if __name__ == "__main__":
    sys.exit(main())
