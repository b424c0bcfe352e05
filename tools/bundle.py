"""Collect all that a console computer without a network needs: wheels, their sums, and an install script.

    python tools/bundle.py [--platform here|linux|windows|mac] [--python 3.11] [--extras napari] [--folder bundle]

Needs pip and uv (resolves for another system than this one). On the other machine: ``install.bat`` or ``sh install.sh``.
"""

import argparse
import hashlib
import platform
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
#: Name → uv's name of the system, and the tags of the wheels that it takes.
PLATFORMS: dict[str, tuple[str, tuple[str, ...]]] = {
    "linux": (
        "x86_64-manylinux_2_28",
        (*(f"manylinux_2_{n}_x86_64" for n in range(28, 16, -1)), "manylinux2014_x86_64", "manylinux1_x86_64"),
    ),
    "windows": ("x86_64-pc-windows-msvc", ("win_amd64",)),
    "mac": ("aarch64-apple-darwin", tuple(f"macosx_{n}_0_arm64" for n in range(14, 10, -1))),
}

INSTALL_SH = """#!/bin/sh
# Installs apertrue from this folder, without a network: sh install.sh [FOLDER]
set -eu
here=$(cd "$(dirname "$0")" && pwd)
target=${1:-"$HOME/apertrue"}
python=${PYTHON:-python@PYTHON@}
command -v "$python" >/dev/null 2>&1 || python=python3
if ! "$python" -c 'import sys; sys.exit(sys.version_info[:2] != (@TUPLE@))' 2>/dev/null; then
    echo "This bundle is for Python @PYTHON@. Install it, or name it: PYTHON=/path/to/python@PYTHON@ sh install.sh" >&2
    exit 1
fi
if ! "$python" -m venv "$target"; then
    echo "No environment could be made in $target. Is it writable, and is Python's venv installed?" >&2
    exit 1
fi
"$target/bin/python" -m pip install --quiet --disable-pip-version-check --no-index --find-links "$here/wheels" \\
    --require-hashes --requirement "$here/requirements.txt"
"$target/bin/apertrue" --version
echo "Start it with: $target/bin/apertrue"
if [ -e "$target/bin/napari" ]; then echo "The window: $target/bin/napari"; fi
"""

INSTALL_BAT = """@echo off
rem Installs apertrue from this folder, without a network: install.bat [FOLDER]
setlocal
set "TARGET=%~1"
if not defined TARGET set "TARGET=%LOCALAPPDATA%\\apertrue-env"
if not defined PYTHON set "PYTHON=py -@PYTHON@"
rem A path may hold spaces and needs quotes then; "py -@PYTHON@" must not have them.
set "PYTHON=%PYTHON:"=%"
if exist "%PYTHON%" set PYTHON="%PYTHON%"
%PYTHON% -c "import sys; sys.exit(sys.version_info[:2] != (@TUPLE@))" || (
    echo This bundle is for Python @PYTHON@. Install it from python.org, or name it: set PYTHON=C:\\path\\python.exe
    goto failed
)
%PYTHON% -m venv "%TARGET%" || (
    echo No environment could be made in "%TARGET%". Is it writable?
    goto failed
)
"%TARGET%\\Scripts\\python.exe" -m pip install --quiet --disable-pip-version-check --no-index ^
    --find-links "%~dp0wheels" --require-hashes --requirement "%~dp0requirements.txt" || goto failed
"%TARGET%\\Scripts\\apertrue.exe" --version || goto failed
echo Start it with: "%TARGET%\\Scripts\\apertrue.exe"
if exist "%TARGET%\\Scripts\\napari.exe" echo The window: "%TARGET%\\Scripts\\napari.exe"
rem Started by a double click, the window would close before anybody could read this.
if "%~1"=="" pause
exit /b 0

:failed
if "%~1"=="" pause
exit /b 1
"""


def here() -> str:
    """The platform of this machine."""
    return {"Linux": "linux", "Windows": "windows", "Darwin": "mac"}.get(platform.system(), "linux")


def script(text: str, python: str) -> str:
    """An install script for this version of Python."""
    return text.replace("@PYTHON@", python).replace("@TUPLE@", python.replace(".", ", "))


def requirements(wheels: Path) -> str:
    """Every wheel pinned with its sum, so that a damaged copy is noticed before it is installed."""
    lines = []
    for wheel in sorted(wheels.glob("*.whl")):
        name, version = wheel.name.split("-")[:2]
        lines.append(f"{name}=={version} --hash=sha256:{hashlib.sha256(wheel.read_bytes()).hexdigest()}")
    return "\n".join(lines) + "\n"


def run(*command: str) -> str:
    """Run a command; its output. Its own words are shown when it fails."""
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, encoding="utf-8", check=False)
    if done.returncode:
        sys.exit(f"{' '.join(command[:6])} … failed:\n{done.stdout[-2000:]}{done.stderr[-3000:]}")
    return done.stdout


def write_scripts(folder: Path, python: str) -> None:
    """Both install scripts and the list of wheels with their sums."""
    (folder / "install.sh").write_text(script(INSTALL_SH, python), encoding="utf-8", newline="\n")
    (folder / "install.bat").write_text(script(INSTALL_BAT, python), encoding="ascii", newline="\r\n")
    (folder / "requirements.txt").write_text(requirements(folder / "wheels"), encoding="utf-8", newline="\n")


def collect(folder: Path, system: str, python: str, extras: str) -> int:
    """Fill ``folder``/wheels; the number of wheels."""
    wheels = folder / "wheels"
    shutil.rmtree(wheels, ignore_errors=True)
    wheels.mkdir(parents=True)
    pip = (sys.executable, "-m", "pip", "--disable-pip-version-check")
    run(*pip, "wheel", "--quiet", "--no-deps", "--wheel-dir", str(wheels), ".")
    name, tags = PLATFORMS[system]
    chosen = [part for extra in extras.split(",") if extra for part in ("--extra", extra)]
    resolve = (sys.executable, "-m", "uv", "pip", "compile", "--quiet", "--no-header", "--no-annotate", *chosen)
    listed = folder / "resolved.txt"
    run(*resolve, "--python-platform", name, "--python-version", python, "pyproject.toml", "--output-file", str(listed))
    where = [part for tag in tags for part in ("--platform", tag)]
    abi = f"cp{python.replace('.', '')}"
    version = ("--python-version", python, "--implementation", "cp", "--abi", abi, "--abi", "abi3", "--abi", "none")
    run(*pip, "download", "--quiet", "--no-deps", "--only-binary", ":all:", "--dest", str(wheels), *where, *version,
        "--requirement", str(listed))  # fmt: skip
    listed.unlink()
    return len(list(wheels.glob("*.whl")))


def main() -> int:
    """Make the bundle; 0 when it is there."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--platform", choices=("here", *PLATFORMS), default="here")
    parser.add_argument("--python", default=f"{sys.version_info[0]}.{sys.version_info[1]}", help="version over there")
    parser.add_argument("--extras", default="napari", help="optional parts, with commas; '' for none")
    parser.add_argument("--folder", type=Path, default=ROOT / "bundle")
    args = parser.parse_args()
    system = here() if args.platform == "here" else args.platform
    folder = args.folder.resolve()
    folder.mkdir(parents=True, exist_ok=True)
    count = collect(folder, system, args.python, args.extras)
    write_scripts(folder, args.python)
    size = sum(f.stat().st_size for f in folder.rglob("*") if f.is_file())
    print(f"{folder}: {count} wheels for {system}, Python {args.python}; {size / 1e6:.0f} MB")
    print("Copy the folder to the other machine; there: install.bat (Windows) or sh install.sh (Linux).")
    return 0


if __name__ == "__main__":
    sys.exit(main())
