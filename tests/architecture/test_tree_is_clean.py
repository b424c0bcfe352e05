"""Formatting, lint and types of the whole tree: what `make lint` runs, so that the tests alone say all."""

import importlib.util
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def run(*command: str) -> None:
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, encoding="utf-8", check=False)
    assert done.returncode == 0, f"{' '.join(command)}\n{done.stdout[-4000:]}{done.stderr[-2000:]}"


@pytest.mark.skipif(importlib.util.find_spec("ruff") is None, reason="ruff is not installed (group lint)")
@pytest.mark.parametrize("arguments", [["check"], ["format", "--check"]], ids=["lint", "format"])
def test_ruff(arguments: list[str]) -> None:
    run(sys.executable, "-m", "ruff", *arguments, ".")


@pytest.mark.skipif(importlib.util.find_spec("mypy") is None, reason="mypy is not installed (group lint)")
def test_types_are_strict_and_sound(tmp_path: Path) -> None:
    cache = ROOT / ".mypy_cache"
    run(sys.executable, "-m", "mypy", "--cache-dir", str(cache))


def test_shell_scripts_parse() -> None:
    shell = shutil.which("sh")
    if shell is None:
        pytest.skip("no POSIX shell on this system")
    for script in ("tools/install", "tools/make-venv", "tools/run-tests", ".ci/run"):
        run(shell, "-n", script)
