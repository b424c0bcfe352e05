"""Time and memory of the engine, as ratios to decoding the same picture and to other ways, all in one run on one thread.

Each figure is the median of repeated runs that take turns, so that a change of the machine's load meets all of them; the
ratio is the median of the turns' ratios. Times are the process' own processor time, which other work on the
machine hardly changes; from the shell they are what a user waits. Memory: peak of what is newly allocated (tracemalloc) ÷
the picture's own bytes.

Run: python -m benchmarks.speed [--quick] [--turns N] [--only array,memory,tracking,shell]
"""

import argparse
import io
import statistics
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np

from apertrue.frame import Frame, as_frame
from apertrue.pipeline import judge
from apertrue.scene import Hints
from apertrue.simulate import Recipe
from apertrue.simulate.camera import digitize, expose
from apertrue.simulate.light import clean_light

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # run as a script, too
from benchmarks.one_thread import elsewhere

#: Way → the most that our time ÷ its time is aimed at.
GOALS = {
    "zlib TIFF": 1 / 3,
    "two thresholds, ellipses": 1 / 10,
}


def shot(side: int, seed: int, **values: float) -> Frame:
    """A 16-bit picture of ``side``² px, both edges in it."""
    rng = np.random.default_rng(seed)
    recipe = Recipe(
        rows=side, columns=side, aperture_radius_px=0.36 * side, aperture_edge_px=2.0, beam_edge_px=3.0, beam_ratio=0.88,
        offset_x_percent=5.0, offset_y_percent=-3.0, halo_level=0.04, halo_decay=0.3, peak_electrons=1500.0,
    ).with_values(**values)  # fmt: skip
    pixels, level = digitize(expose(clean_light(recipe), recipe, rng), recipe)
    return as_frame(pixels, saturation=level)


def turns(
    ways: dict[str, Callable[[], object]],
    n: int,
    slow: tuple[str, ...] = (),
    clock: Callable[[], float] = time.process_time,
) -> dict[str, list[float]]:
    """Seconds of each way in ``n`` turns; those named in ``slow`` run in the first turn only."""
    out: dict[str, list[float]] = {name: [] for name in ways}
    for name, way in ways.items():
        if name not in slow:
            way()  # imports, caches
    for k in range(n):
        for name, way in ways.items():
            if name in slow and k > 0:
                continue
            start = clock()
            way()
            out[name].append(clock() - start)
    return out


def report(title: str, seconds: dict[str, list[float]], ours: str, goals: dict[str, float]) -> None:
    """Print medians and the ratio of ours to each."""
    print(f"\n{title}\n{'':44} {'median ms':>9} {'least ms':>9} {'ours ÷ it':>9}  {'aim':>9}")
    for name, values in seconds.items():
        both = zip(seconds[ours], values, strict=False)
        ratio = statistics.median(a / b for a, b in both)
        aim = goals.get(name)
        print(f"{name:44} {1000 * statistics.median(values):9.1f} {1000 * min(values):9.1f} {ratio:9.2f}  "
              f"{'' if aim is None else f'≤ {aim:.2f}':>9}")  # fmt: skip


def arrays(n: int, quick: bool) -> None:
    """Array to full result against decoding and against other ways."""
    import imageio.v3 as iio
    import tifffile

    from benchmarks.peers_pipelines import hough_circles, ransac_circles, thresholds_ellipse

    frame = shot(2048, 1)
    pixels = frame.pixels
    files: dict[str, bytes] = {}
    for name, compression in (("zlib TIFF", "zlib"), ("raw TIFF", None)):
        buffer = io.BytesIO()
        tifffile.imwrite(buffer, pixels, compression=compression)
        files[name] = buffer.getvalue()
    files["PNG"] = iio.imwrite("<bytes>", pixels, extension=".png")
    ways: dict[str, Callable[[], object]] = {
        "apertrue, array to full result": lambda: judge(frame),
        "zlib TIFF": lambda: tifffile.imread(io.BytesIO(files["zlib TIFF"])),
        "raw TIFF": lambda: tifffile.imread(io.BytesIO(files["raw TIFF"])),
        "PNG": lambda: iio.imread(files["PNG"], extension=".png"),
        "two thresholds, ellipses": lambda: thresholds_ellipse(pixels),
        "RANSAC circles on outlines": lambda: ransac_circles(pixels),
    }
    if not quick:
        ways["Hough in scikit-image, all pixels"] = lambda: hough_circles(pixels, 2048)
    ours = "apertrue, array to full result"
    report("2048², 16 bits, one thread", turns(ways, n, ("Hough in scikit-image, all pixels",)), ours, GOALS)
    kinds = {
        "clipped": {"beam_ratio": 0.95, "offset_x_percent": 40.0},
        "soft edges": {"aperture_edge_px": 12.0, "beam_edge_px": 20.0},
        "20 electrons": {"peak_electrons": 20.0, "halo_level": 0.1},
    }
    other = {f"2048², {name}": shot(2048, 2, **values) for name, values in kinds.items()}
    large = shot(4096, 3)
    ways = {ours: lambda: judge(frame), "4096²": lambda: judge(large)}
    ways |= {name: lambda f=f: judge(f) for name, f in other.items()}  # type: ignore[misc]
    seconds = turns(ways, n)
    print("\nother pictures ÷ the 2048² one (aim for 4096²: ≤ 2.5)")
    for name, values in seconds.items():
        ratio = statistics.median(b / a for a, b in zip(seconds[ours], values, strict=True))
        print(f"{name:44} {1000 * statistics.median(values):9.1f} ms  {ratio:5.2f}")


def memory() -> None:
    """Peak of new allocations while a picture is judged, ÷ its own bytes (aim: ≤ 1)."""
    print("\npeak extra memory ÷ the picture's own (aim: ≤ 1)")
    for side in (1024, 2048, 4096):
        frame = shot(side, 4)
        judge(frame)
        tracemalloc.start()
        judge(frame)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        print(
            f"{side}², 16 bits {frame.pixels.nbytes / 1e6:8.1f} MB {peak / 1e6:8.1f} MB extra {peak / frame.pixels.nbytes:6.2f}"
        )


def tracking(n: int) -> None:
    """A beam that creeps: each frame with the last one's scene as a hint, against without (aim: ≤ 5 ms at 2048²)."""
    frames = [
        shot(2048, 10 + k, offset_x_percent=5.0 + 0.3 * k, offset_y_percent=-3.0 - 0.2 * k) for k in range(max(n, 3))
    ]
    previous = judge(frames[0]).scene
    with_hint, without = [], []
    for frame in frames[1:]:
        start = time.process_time()
        result = judge(frame, hints=Hints(previous=previous))
        with_hint.append(time.process_time() - start)
        start = time.process_time()
        plain = judge(frame)
        without.append(time.process_time() - start)
        previous = result.scene
        a, b = result.assessment.offset_x_percent, plain.assessment.offset_x_percent
        assert a is not None
        assert b is not None
        assert abs(a - b) < 0.05, "tracking must tell the same"
    ratio = statistics.median(a / b for a, b in zip(with_hint, without, strict=True))
    print(f"\ntracking at 2048²: {1000 * statistics.median(with_hint):.1f} ms a frame (aim: ≤ 5), alone "
          f"{1000 * statistics.median(without):.1f} ms, ratio {ratio:.2f}")  # fmt: skip


def shell(n: int) -> None:
    """One picture from the shell against loading NumPy and tifffile (aim: ≤ 3)."""
    import tifffile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "one.tif"
        tifffile.imwrite(path, shot(2048, 5).pixels, compression="zlib")

        def call(*arguments: str) -> Callable[[], object]:
            return lambda: subprocess.run([sys.executable, *arguments], check=True, capture_output=True)

        ways = {
            "apertrue assess one.tif --json": call("-m", "apertrue", "assess", str(path), "--json"),
            'python -c "import numpy, tifffile"': call("-c", "import numpy, tifffile"),
            "the same, and reading the picture": call("-c", f"import numpy, tifffile; tifffile.imread({str(path)!r})"),
        }
        goals = {'python -c "import numpy, tifffile"': 3.0}
        report(
            "from the shell, 2048² zlib TIFF",
            turns(ways, n, clock=time.perf_counter),
            "apertrue assess one.tif --json",
            goals,
        )


def main(argv: list[str] | None = None) -> int:
    """Command line of the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="few turns, no Hough")
    parser.add_argument("--turns", type=int, default=0, help="turns (11)")
    parser.add_argument("--only", default="array,memory,tracking,shell", help="parts, joined by commas")
    args = parser.parse_args(argv)
    status = elsewhere("benchmarks.speed", argv)
    if status is not None:
        return status
    n = args.turns or (3 if args.quick else 11)
    parts = args.only.split(",")
    if "array" in parts:
        arrays(n, args.quick)
    if "memory" in parts:
        memory()
    if "tracking" in parts:
        tracking(n)
    if "shell" in parts:
        shell(n)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
