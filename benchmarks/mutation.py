"""Mutation testing: small wrongs are put into the formula and decision modules, and the tests must notice.

    python benchmarks/mutation.py [--quick] [--sample 600] [--seed 0] [--modules A,B] [--folder DIR] [--names FILE]

Works on a copy of what is committed, with mutmut (https://mutmut.readthedocs.io; extra package, not a dependency), in
the rooms ``model``, ``assess`` and ``advise`` against the tests of these rooms and of the properties of the whole.
Modules that only hold sentences or drawings are left out. Of the thousands of mutants a random sample is tried, the same for the
same seed; the share that is killed is given with its 95 % interval (Wilson, J. Am. Stat. Assoc. 22, 1927). Survivors
are listed with what was changed. ``--names`` tries those of a file again, one a line. ``--modules`` takes only these
(``locate/rivals,assess/current``) or whole rooms (``calibration,drift``); rooms other than the three are tried this way only,
each against its own tests alone (those of ``locate`` fit whole pictures and take long). Needs a POSIX system (mutmut forks).
"""

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("model", "assess", "advise")
#: Sentences and drawings for people, no formulas and no decisions.
WORDS = ("advise.words.", "advise.cautions.", "advise.plain.", "current.plot.")
TESTS = (
    "tests/model",
    "tests/assess",
    "tests/advise",
    "tests/properties/test_frozen_stages.py",
    "tests/properties/test_exact_edges.py",
    "tests/outside/test_lens_area.py",
    "tests/outside/test_gaussian_stop.py",
    "tests/outside/test_offset_gaussian.py",
)
#: Against which mutants of other rooms are tried.
OWN_TESTS = {
    "locate": ("tests/locate",),
    "calibration": ("tests/calibration",),
    "current": ("tests/current",),
    "drift": ("tests/drift",),
}
CONFIG = """
[tool.mutmut]
source_paths = {sources}
only_mutate = {only}
pytest_add_cli_args_test_selection = {tests}
also_copy = ["src", "sample_images", "benchmarks"]
"""
#: mutmut's exit statuses: 0 = the tests passed, so the mutant lives; 33 = no test reaches it.
LIVES, UNREACHED = 0, 33


def prepare(folder: Path, modules: tuple[str, ...] = ()) -> Path:
    """A copy of the committed tree with mutmut's settings, for these modules (``room/name``) or all of :data:`ROOMS`."""
    rooms = sorted({m.split("/")[0] for m in modules}) or ROOMS
    chosen = [t for r in rooms for t in OWN_TESTS.get(r, ())]
    if set(rooms) - set(OWN_TESTS):
        chosen = [*TESTS, *chosen]
    tree = folder / "tree"
    if not tree.exists():
        subprocess.run(["git", "clone", "--quiet", str(ROOT), str(tree)], check=True)
        settings = CONFIG.format(
            sources=json.dumps([f"src/apertrue/{r}" for r in rooms]),
            only=json.dumps([f"src/apertrue/{m}{'.py' if '/' in m else '/*.py'}" for m in modules]),
            tests=json.dumps([t for t in chosen if (tree / t).exists()]),
        )
        with (tree / "pyproject.toml").open("a", encoding="utf-8") as out:
            out.write(settings)
        # What is frozen is what this tree gives: the mutants are compared with it.
        subprocess.run(
            [sys.executable, "tests/properties/stages.py"], cwd=tree, check=True, capture_output=True,
            env=os.environ | {"PYTHONPATH": str(tree / "src"), "OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip
    return tree


def mutmut(tree: Path, *arguments: str) -> str:
    """Run mutmut; its output."""
    # Other packages' pytest plugins only cost time here.
    environment = os.environ | {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-m", "mutmut", *arguments],
        cwd=tree, env=environment, capture_output=True, text=True, encoding="utf-8", errors="replace", check=False,
    )  # fmt: skip
    return done.stdout + done.stderr


def statuses(tree: Path) -> dict[str, int | None]:
    """Every mutant's name and mutmut's exit status; ``None`` where it was not tried."""
    found: dict[str, int | None] = {}
    for file in sorted((tree / "mutants" / "src").rglob("*.meta")):
        found |= json.loads(file.read_text(encoding="utf-8"))["exit_code_by_key"]
    return {k: v for k, v in found.items() if not any(word in k for word in WORDS)}


def wilson(killed: int, tried: int) -> tuple[float, float]:
    """95 % interval of a share."""
    z, p = 1.96, killed / tried
    middle, half = p + z * z / (2 * tried), z * math.sqrt(p * (1 - p) / tried + z * z / (4 * tried * tried))
    return (middle - half) / (1 + z * z / tried), (middle + half) / (1 + z * z / tried)


def module(name: str) -> str:
    """The file of a mutant, such as ``model/edges.py``."""
    parts = [p for p in name.split(".")[1:] if not p.startswith(("x_", "xǁ"))]
    return "/".join(parts if len(parts) > 1 else [*parts, "__init__"]) + ".py"


def change(tree: Path, name: str) -> str:
    """The lines that a mutant changes."""
    lines = mutmut(tree, "show", name).splitlines()
    return "\n".join(line for line in lines if line[:1] in "+-" and line[:3] not in ("+++", "---"))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="20 mutants")
    parser.add_argument("--sample", type=int, default=600)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--modules", default="", help="only these, such as locate/rivals,assess/current")
    parser.add_argument("--children", type=int, default=2)
    parser.add_argument("--folder", type=Path, default=None, help="where to work; kept, and gone on with")
    parser.add_argument("--names", type=Path, default=None, help="try these mutants, one a line")
    args = parser.parse_args()
    try:
        import mutmut as _  # noqa: F401
    except ImportError:
        print("mutmut is not installed (pip install mutmut); nothing done")
        return 0
    with tempfile.TemporaryDirectory() as scratch:
        folder = args.folder or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        tree = prepare(folder, tuple(m for m in args.modules.split(",") if m))
        # A name that nothing has: all mutants are made, none is tried.
        said = mutmut(tree, "run", "--max-children", "1", "none")
        names = list(statuses(tree))
        if not names:
            print(said[-3000:])
            return 1
        if args.names is not None:
            chosen = args.names.read_text(encoding="utf-8").split()
        else:
            count = min(20 if args.quick else args.sample, len(names))
            chosen = [str(n) for n in np.random.default_rng(args.seed).choice(names, count, replace=False)]
        print(f"{len(names)} mutants, {len(chosen)} of them tried", flush=True)
        for start in range(0, len(chosen), 100):
            mutmut(tree, "run", "--max-children", str(args.children), *chosen[start : start + 100])
            now = statuses(tree)
            tried = [n for n in chosen if now.get(n) is not None]
            alive = [n for n in tried if now[n] in (LIVES, UNREACHED)]
            print(f"… {len(tried)} tried, {len(alive)} alive", flush=True)
        rooms, left = Counter(map(module, tried)), Counter(map(module, alive))
        print("| module | tried | killed |\n|---|---|---|")
        for name, count in sorted(rooms.items()):
            print(f"| {name} | {count} | {count - left[name]} |")
        low, high = wilson(len(tried) - len(alive), len(tried))
        share = 1 - len(alive) / len(tried)
        print(f"| all | {len(tried)} | {len(tried) - len(alive)} |")
        print(f"\nkilled: {share:.1%} (95 % interval {low:.1%} to {high:.1%})\n")
        for name in alive:
            print(
                f"{name}{' (no test reaches it)' if now[name] == UNREACHED else ''}\n{change(tree, name)}\n", flush=True
            )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
