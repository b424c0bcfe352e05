"""The wheel alone, the optional parts absent, the bundle's scripts: what someone who installs apertrue meets."""

import importlib.util
import os
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest
import tifffile
from benchmarks.faults.seeds import disc

_SPEC = importlib.util.find_spec("setuptools")


def _tool(root: Path, name: str):
    spec = importlib.util.spec_from_file_location(name, root / "tools" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def wheel(root: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from a copy of what goes into it."""
    import shutil

    if _SPEC is None:
        pytest.skip("setuptools is not installed; building needs it")
    import setuptools

    if int(setuptools.__version__.partition(".")[0]) < 77:
        pytest.skip("this setuptools is older than the build needs (77)")
    copy = tmp_path_factory.mktemp("tree")
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(root / name, copy)
    shutil.copytree(root / "src" / "apertrue", copy / "src" / "apertrue", ignore=shutil.ignore_patterns("__pycache__"))
    code = "import sys; from setuptools.build_meta import build_wheel; print(build_wheel(sys.argv[1]))"
    done = subprocess.run(
        [sys.executable, "-c", code, str(copy)], cwd=copy, capture_output=True, text=True, encoding="utf-8", check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return next(copy.glob("*.whl"))


def test_the_wheel_holds_everything(wheel: Path, root: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        inside = set(archive.namelist())
    source = root / "src"
    kept = {p.relative_to(source).as_posix() for p in (source / "apertrue").rglob("*") if p.is_file()}
    assert {k for k in kept if "__pycache__" not in k} <= inside
    assert any(name.endswith("licenses/LICENSE") for name in inside)


def test_the_wheel_alone_judges_a_picture(wheel: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(tmp_path / "lib")
    tifffile.imwrite(tmp_path / "a.tif", disc())
    code = "import apertrue, sys; print(apertrue.__file__); from apertrue.cli import main; main(sys.argv[1:])"
    done = subprocess.run(
        [sys.executable, "-c", code, "assess", "a.tif", "--as-taken", "--report", "r.html"],
        cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(tmp_path / "lib"), "PYTHONUTF8": "1"},
        capture_output=True, text=True, encoding="utf-8", check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(str(tmp_path / "lib"))
    assert (tmp_path / "r.html").stat().st_size > 10_000


#: Optional part → modules that must be missing, and a command that needs them.
EXTRAS = {
    "plot": (("matplotlib",), ("session", "plot", "day.svg", "--log", "log.sqlite")),
    "table": (
        ("pyarrow", "pandas"),
        ("audit", "in", "--store", "a.sqlite", "--workers", "0", "--parquet", "a.parquet"),
    ),
    "dask": (("dask", "distributed"), ("audit", "in", "--store", "b.sqlite", "--scheduler", "tcp://127.0.0.1:1")),
    "remote": (("fsspec",), ("assess", "memory://a.tif")),
    "formats": (("rsciio",), ("assess", "unknown.bin")),
}
_WITHOUT = """
import sys
class Missing:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in NAMES:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
sys.meta_path.insert(0, Missing())
from apertrue.cli import main
main(sys.argv[1:])
"""


@pytest.mark.parametrize("extra", EXTRAS)
def test_a_missing_part_is_named_with_its_remedy(extra: str, tmp_path: Path) -> None:
    from apertrue.cli import main

    missing, command = EXTRAS[extra]
    (tmp_path / "in").mkdir()
    tifffile.imwrite(tmp_path / "in" / "a.tif", disc())
    (tmp_path / "unknown.bin").write_bytes(bytes(range(256)) * 20)
    if extra == "plot":  # something to draw
        with pytest.raises(SystemExit):
            main(["session", "add", str(tmp_path / "in" / "a.tif"), "--log", str(tmp_path / "log.sqlite")])
    done = subprocess.run(
        [sys.executable, "-c", f"NAMES = {missing!r}\n{_WITHOUT}", *command],
        cwd=tmp_path, env={**os.environ, "PYTHONUTF8": "1"}, capture_output=True, text=True, encoding="utf-8", check=False,
    )  # fmt: skip
    said = done.stdout + done.stderr
    assert f'python -m pip install ".[{extra}]"' in said
    assert done.returncode in (1, 2)
    assert "Traceback" not in said
    assert not (tmp_path / "a.sqlite").exists()  # what can't be written in the end is said before an audit begins


def test_every_part_has_a_lower_bound(root: Path) -> None:
    """What was tested at its oldest is stated; nothing is open downward."""
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    listed = [
        *project["dependencies"],
        *(d for name, group in project["optional-dependencies"].items() if name != "all" for d in group),
    ]
    assert len(listed) >= 20
    assert [d for d in listed if ">=" not in d and "sys_platform" not in d] == []


def test_install_scripts_of_the_bundle(root: Path, tmp_path: Path) -> None:
    bundle = _tool(root, "bundle")
    (tmp_path / "wheels").mkdir()
    (tmp_path / "wheels" / "some_part-1.2-py3-none-any.whl").write_bytes(b"abc")
    bundle.write_scripts(tmp_path, "3.12")
    # The SHA-256 of "abc": FIPS 180-4's own example.
    known = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert (tmp_path / "requirements.txt").read_text(encoding="utf-8") == f"some_part==1.2 --hash=sha256:{known}\n"
    shell, batch = (tmp_path / "install.sh").read_bytes(), (tmp_path / "install.bat").read_bytes()
    assert b"\r" not in shell
    assert batch.count(b"\n") == batch.count(b"\r\n") > 10
    for text in (shell, batch):
        assert b"--no-index" in text
        assert b"--require-hashes" in text
        assert b"(3, 12)" in text
        assert b"@" not in text.replace(b"@echo off", b"")


def test_the_shell_script_refuses_another_python(root: Path, tmp_path: Path) -> None:
    import shutil

    shell = shutil.which("sh")
    if shell is None:
        pytest.skip("no POSIX shell on this system")
    bundle = _tool(root, "bundle")
    (tmp_path / "wheels").mkdir()
    bundle.write_scripts(tmp_path, "3.99")
    done = subprocess.run(
        [shell, "install.sh", str(tmp_path / "to")], cwd=tmp_path, env={**os.environ, "PYTHON": sys.executable},
        capture_output=True, text=True, encoding="utf-8", check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "This bundle is for Python 3.99" in done.stderr
    assert not (tmp_path / "to").exists()
