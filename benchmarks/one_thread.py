"""Runs a benchmark on one thread: the libraries read their limits when they are loaded, so before anything else."""

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

LIMITS = {
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "NUMEXPR_NUM_THREADS": "1",
}


def elsewhere(module: str, argv: Sequence[str] | None) -> int | None:
    """Run ``module`` anew with one thread and return its exit status; ``None`` when this process has one already."""
    if all(os.environ.get(name) == value for name, value in LIMITS.items()):
        return None
    command = [sys.executable, "-m", module, *(sys.argv[1:] if argv is None else argv)]
    root = str(Path(__file__).resolve().parents[1])
    path = os.pathsep.join(p for p in (root, os.environ.get("PYTHONPATH", "")) if p)
    return subprocess.call(command, env=os.environ | LIMITS | {"PYTHONPATH": path})
