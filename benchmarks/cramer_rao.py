"""How close the engine comes to the Cramér–Rao bound, scene by scene.

For each scene: error of a reported field ÷ its bound (see :mod:`benchmarks.cramer_rao_bound`), with the light that the
fit left free left free in the bound, too. A row's figure is the root mean square over its scenes with a 95 % bootstrap
interval (both components of a center or offset pooled, resampled by scenes). Further columns tell where a loss comes
from: ``cells`` is the covariance that the fit claims for its cells alone against the bound (what summing pixels lost),
``bias`` the error of a noiseless fit (what its light misses of the picture's), ``terms`` what free light beyond the
engine's plain one costs.

Run: python -m benchmarks.cramer_rao [--quick] [--n N] [--row ROW …] [--jobs J] [--json FILE] [--list-bad]
     python -m benchmarks.cramer_rao --check 40
Results are appended to FILE as they come; a run with the same engine takes up where it was left.
"""

import argparse
import hashlib
import json
import math
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

import apertrue
from apertrue.frame import as_frame
from apertrue.model.forward import Basis
from apertrue.pipeline import Result, judge
from apertrue.simulate import Recipe, random_recipe
from apertrue.simulate.camera import digitize, expose
from apertrue.simulate.light import clean_light
from apertrue.simulate.truth import halo_z

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # run as a script, too
from benchmarks.cramer_rao_bound import biases, bounds, ideal_fit, information, known, places, true_basis, truths

#: Row → (scene kinds in turn, nuisance of the sampler or none).
ROWS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "both-edges": (("both-edges",), ()),
    "clipped": (("clipped",), ()),
    "domed": (("both-edges", "clipped"), ("domed",)),
    "tilted": (("both-edges", "clipped"), ("tilted-light",)),
    "ringed": (("both-edges", "clipped"), ("ringed-light",)),
}
#: Field of the table → the registry's fields that are pooled in it.
FIELDS = {
    "offset": ("offset_x_percent", "offset_y_percent"),
    "aperture center": ("aperture_x_px", "aperture_y_px"),
    "aperture radius": ("aperture_radius_px",),
    "beam center": ("beam_x_px", "beam_y_px"),
    "beam radius": ("beam_radius_px",),
    "aperture edge": ("aperture_edge_px",),
    "beam edge": ("beam_edge_px",),
}
REGISTRY = tuple(name for names in FIELDS.values() for name in names)
#: Sides of the pictures and their shares.
SIZES, SHARES = (512, 1024, 2048), (0.6, 0.25, 0.15)
#: Whether the halo can be seen at all is not this benchmark's question: its step stands out by this many σ in total.
LEAST_HALO_Z = 30.0
#: An error beyond this many bounds is a mistaken reading rather than noise.
GROSS = 10.0


def scene(row: str, k: int) -> tuple[Recipe, np.random.Generator]:
    """The ``k``-th scene of a row, and the generator for its noise.

    Beam radius 0.5–1.4 of the aperture's, offsets up to half the beam cut, edges of 0.6–8 px (to 1.5 % of the side), peak
    20–5 000 electrons, halo 0.5–20 % that decays and slopes, a background that slopes by up to 3 % of the beam.
    """
    kinds, nuisances = ROWS[row]
    rng = np.random.default_rng([71, list(ROWS).index(row), k])
    side = int(rng.choice(SIZES, p=SHARES))
    recipe = random_recipe(rng, kinds[k % len(kinds)], nuisances, size=side)
    for _ in range(1000):
        peak, softest = _log(rng, 20.0, 5000.0), max(8.0, 0.015 * side)
        gain = min(_log(rng, 0.3, 30.0), 40_000.0 / peak)
        slope = rng.uniform(-0.03, 0.03, 2)
        trial = recipe.with_values(
            peak_electrons=peak,
            gain=gain,
            read_noise=gain * _log(rng, 0.1, 3.0) + 0.3,
            halo_level=_log(rng, 0.005, 0.2),
            aperture_edge_px=_log(rng, 0.6, min(softest, 0.06 * recipe.aperture_radius_px)),
            beam_edge_px=_log(rng, 0.6, min(softest, 0.06 * recipe.aperture_radius_px)),
            background_level=float(np.abs(slope).sum() / 2 + rng.uniform(0, 0.02)),
            background_slope_x=float(slope[0]),
            background_slope_y=float(slope[1]),
        )
        if halo_z(trial) >= LEAST_HALO_Z:
            return trial, rng
    raise RuntimeError(f"{row} {k}: no visible halo found")


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


def picture(recipe: Recipe, rng: np.random.Generator) -> Any:
    """The scene's frame."""
    pixels, level = digitize(expose(clean_light(recipe), recipe, rng), recipe)
    return as_frame(pixels, saturation=level)


def judged(frame: Any) -> tuple[Result, Any]:
    """The engine's answer and the fit that it ended with (``None`` when the engine does not show it)."""
    from apertrue.locate import readings

    seen: list[tuple[Any, Any]] = []
    plain = getattr(readings, "judge_pair", None)
    if plain is None:
        return judge(frame), None

    def watched(pair: Any, *args: Any, **kwargs: Any) -> Any:
        out = plain(pair, *args, **kwargs)
        if out is not None:
            seen.append((out.scene, pair.fit))
        return out

    readings.judge_pair = watched
    try:
        result = judge(frame)
    finally:
        readings.judge_pair = plain
    for found, fit in seen:
        if found.profile is not None and found.profile == result.scene.profile:
            return result, fit
    return result, None


def measure(task: tuple[str, int]) -> dict[str, Any]:
    """One scene: errors, bounds and stated σ of all fields, ready for JSON."""
    row, k = task
    recipe, rng = scene(row, k)
    frame = picture(recipe, rng)
    start = time.perf_counter()
    result, fit = judged(frame)
    seconds = time.perf_counter() - start
    basis: Basis | None = None if fit is None else fit.basis
    a, truth = result.assessment, truths(recipe)
    at, weight = places(recipe), information(recipe)
    plain = true_basis(recipe)
    what = known(recipe, plain, at, weight=weight)
    floor = bounds(recipe, what.fisher)
    fitted = true_basis(recipe, basis) if basis is not None else plain
    bound = floor
    if fitted != plain:
        what = known(recipe, fitted, at, weight=weight)
        bound = bounds(recipe, what.fisher)
    bias = biases(recipe, what)
    own = bound if fit is None else bounds(recipe, fit.normal)
    values: dict[str, list[float] | None] = {}
    for name in REGISTRY:
        value, sigma = getattr(a, name), getattr(a, f"{name}_sigma")
        given = value is not None and sigma is not None
        values[name] = [value - truth[name], bound[name], floor[name], sigma, bias[name], own[name]] if given else None
    return {
        "row": row, "k": k, "scene": a.scene, "reasons": list(a.reasons or ()), "seconds": round(seconds, 4),
        "terms": None if basis is None else [basis.halo, basis.decays, basis.radial],
        "residual": result.scene.extra.get("residual"), "chi2": result.scene.chi2,
        "side": recipe.rows, "radius": recipe.aperture_radius_px, "ratio": recipe.beam_ratio,
        "offset": math.hypot(recipe.offset_x_percent, recipe.offset_y_percent),
        "peak": recipe.peak_electrons, "read": recipe.read_noise / recipe.gain, "halo": recipe.halo_level,
        "decay": recipe.halo_decay, "aperture_edge": recipe.aperture_edge_px, "beam_edge": recipe.beam_edge_px,
        "bound_offset": [bound[name] for name in FIELDS["offset"]], "values": values,
    }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Line:
    """One field's figures over a row.

    Attributes:
        n, refused: scenes with a value and without.
        rms, low, high: root mean square of error ÷ bound and its 95 % interval.
        middle: the same from the median (1 = at the bound), which a few bad scenes don't move.
        gross: scenes with an error beyond :data:`GROSS` bounds.
        stated: median of stated σ ÷ bound.
        z: root mean square of error ÷ stated σ.
        cells: median of the fit's own σ, before anything is added to it, ÷ bound.
        bias: root mean square of the noiseless fit's error ÷ bound: what the light misses of the picture's.
        terms: median of the bound ÷ that with the plain light.
    """

    n: int
    refused: int
    rms: float
    low: float
    high: float
    middle: float
    gross: int
    stated: float
    z: float
    cells: float
    bias: float
    terms: float


def line(results: list[dict[str, Any]], names: tuple[str, ...], rng: np.random.Generator, repeats: int = 2000) -> Line:
    """Figures of one field of the table (``names``: the registry's fields pooled in it)."""
    cells = [[r["values"][name] for name in names] for r in results]
    given = np.array([c for c in cells if all(v is not None for v in c)], dtype=float)
    if not len(given):
        return Line(0, len(cells), *([math.nan] * 4), 0, *([math.nan] * 5))
    error, bound, floor, sigma, bias, own = (given[..., i] for i in range(6))
    square = ((error / bound) ** 2).mean(axis=1)
    draws = rng.integers(0, len(square), (repeats, len(square)))
    resampled = np.sqrt(square[draws].mean(axis=1))
    low, high = np.quantile(resampled, [0.025, 0.975])
    return Line(
        len(given),
        len(cells) - len(given),
        float(np.sqrt(square.mean())),
        float(low),
        float(high),
        float(np.median(np.abs(error / bound)) / 0.67449),
        int((np.abs(error / bound).max(axis=1) > GROSS).sum()),
        float(np.median(sigma / bound)),
        float(np.sqrt(((error / sigma) ** 2).mean())),
        float(np.median(own / bound)),
        float(np.sqrt(((bias / bound) ** 2).mean())),
        float(np.median(bound / floor)),
    )


def report(results: list[dict[str, Any]], *, list_bad: int = 0) -> None:
    """Print the table."""
    print(f"{'row':11} {'field':16} {'n':>5} {'refused':>7} {'RMS ÷ bound':>11} {'95 %':>13} {'median':>7} "
          f"{'gross':>5} {'σ ÷ bound':>9} {'z rms':>6} {'cells':>5} {'bias':>5} {'terms':>6}")  # fmt: skip
    for row in ROWS:
        mine = [r for r in results if r["row"] == row]
        if not mine:
            continue
        for field, names in FIELDS.items():
            f = line(mine, names, np.random.default_rng(1))
            print(f"{row:11} {field:16} {f.n:5} {f.refused:7} {f.rms:11.3f} {f.low:6.3f}–{f.high:6.3f} {f.middle:7.2f} "
                  f"{f.gross:5} {f.stated:9.2f} {f.z:6.2f} {f.cells:5.2f} {f.bias:5.2f} {f.terms:6.2f}")  # fmt: skip
        seconds = np.array([r["seconds"] for r in mine])
        print(f"{row:11} median {np.median(seconds) * 1000:.0f} ms a picture")
        if list_bad:
            for text in worst(mine, list_bad):
                print("   ", text)


def worst(results: list[dict[str, Any]], n: int) -> Iterator[str]:
    """The scenes with the largest error ÷ bound of offset, centers and radii, and those refused, as texts."""

    def size(r: dict[str, Any]) -> float:
        fields = [r["values"][name] for name in REGISTRY[:8]]
        return max((abs(v[0]) / v[1] for v in fields if v is not None), default=math.inf)

    for r in sorted(results, key=size, reverse=True)[:n]:
        fields = {name: r["values"][name] for name in REGISTRY}
        ratios = ", ".join(
            f"{k} {v[0] / v[1]:+.1f}" for k, v in fields.items() if v is not None and abs(v[0]) > 3 * v[1]
        )
        about = (f"side {r['side']} R {r['radius']:.0f} ratio {r['ratio']:.2f} offset {r['offset']:.0f} % "
                 f"peak {r['peak']:.0f} read {r['read']:.2f} halo {r['halo']:.3f} decay {r['decay']:.2f} "
                 f"edges {r['aperture_edge']:.2f}/{r['beam_edge']:.2f} terms {r['terms']} "
                 f"residual {_short(r['residual'])}")  # fmt: skip
        about += f" bias {max(abs(v[4]) / v[1] for v in fields.values()):.1f}" if None not in fields.values() else ""
        about += f" bound {max(r['bound_offset']):.3g} %"
        refused = "" if fields["offset_x_percent"] is not None else f" REFUSED {r['scene']} {r['reasons']}"
        yield f"{r['row']} {r['k']}:{refused} {ratios} | {about}"


def _short(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f}"


def engine_digest() -> str:
    """A short hash of the code that the figures depend on, so that results of different engines are not mixed."""
    root = Path(apertrue.__file__).parent
    digest = hashlib.sha256()
    for room in ("locate", "model", "assess", "simulate"):
        for path in sorted((root / room).rglob("*.py")):
            digest.update(path.read_bytes())
    for name in ("cramer_rao.py", "cramer_rao_bound.py"):
        digest.update((Path(__file__).parent / name).read_bytes())
    return digest.hexdigest()[:10]


def study(rows: list[str], n: int, jobs: int, path: Path | None, first: int = 0) -> list[dict[str, Any]]:
    """Measure ``n`` scenes of each row, in as many processes; done ones are taken from ``path``."""
    engine = engine_digest()
    done: dict[tuple[str, int], dict[str, Any]] = {}
    if path is not None and path.exists():
        for text in path.read_text(encoding="utf-8").splitlines():
            try:
                r = json.loads(text)
            except ValueError:  # the line at which a run was killed
                continue
            if r.get("engine") == engine:
                done[r["row"], r["k"]] = r
    wanted = [(row, k) for k in range(first, first + n) for row in rows]
    missing = [t for t in wanted if t not in done]
    print(f"engine {engine}: {len(wanted) - len(missing)} scenes done, {len(missing)} to go", file=sys.stderr)

    def keep(r: dict[str, Any]) -> None:
        done[r["row"], r["k"]] = r
        if path is not None:
            with path.open("a", encoding="utf-8") as file:
                file.write(json.dumps(r | {"engine": engine}) + "\n")

    if jobs <= 1:
        for task in missing:
            keep(measure(task))
    else:
        with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
            for r in pool.map(measure, missing, chunksize=4):
                keep(r)
    return [done[t] for t in wanted if t in done]


def check(rows: list[str], n: int) -> None:
    """Print how a maximum-likelihood fit to all pixels from the truth keeps the bound that it is compared with.

    Its light is the engine's plain one; the second figure has the error that the noiseless fit predicts taken away, and
    must be 1 within chance.
    """
    print(f"{'row':11} {'quantity':20} {'RMS ÷ bound':>11} {'less bias':>9}")
    for row in rows:
        ratios = []
        for k in range(n):
            recipe, rng = scene(row, k)
            basis = true_basis(recipe)
            what = known(recipe, basis)
            error, bound = ideal_fit(picture(recipe, rng).pixels, recipe, basis), bounds(recipe, what.fisher)
            bias = biases(recipe, what)
            ratios.append([[error[name] / bound[name], bias[name] / bound[name]] for name in REGISTRY])
        r = np.array(ratios)
        for i, name in enumerate(REGISTRY):
            rms, less = (float(np.sqrt((v**2).mean())) for v in (r[:, i, 0], r[:, i, 0] - r[:, i, 1]))
            print(f"{row:11} {name:20} {rms:11.3f} {less:9.3f}")


def main(argv: list[str] | None = None) -> int:
    """Command line of the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="few scenes")
    parser.add_argument("--n", type=int, default=0, help="scenes a row (1000)")
    parser.add_argument("--first", type=int, default=0, help="number of the first scene")
    parser.add_argument(
        "--row", action="append", default=[], choices=list(ROWS), help="only this row (may be repeated)"
    )
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--json", type=Path, default=None, help="file to which results are appended, and taken up from")
    parser.add_argument("--list-bad", nargs="?", type=int, const=5, default=0, help="name the worst scenes of each row")
    parser.add_argument(
        "--check", type=int, default=0, help="hold the bound against a fit to all pixels, so many scenes"
    )
    args = parser.parse_args(argv)
    if args.check:
        check(args.row or list(ROWS), args.check)
        return 0
    n = args.n or (12 if args.quick else 1000)
    results = study(args.row or list(ROWS), n, args.jobs, args.json, args.first)
    report(results, list_bad=args.list_bad)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
