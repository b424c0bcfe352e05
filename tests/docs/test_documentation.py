"""The documentation: its commands run as written, its reference is the registry's, and it builds without a warning."""

import ast
import importlib.util
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from apertrue.cli import main

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
#: Commands that need a person.
INTERACTIVE = {"apertrue calibrate --guide"}
COMMANDS = [
    (page.name, line.strip())
    for page in sorted(DOCS.glob("*.md"))
    for line in re.findall(r"(?m)^    (apertrue .*)$", page.read_text(encoding="utf-8"))
    if line.strip() not in INTERACTIVE
]


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder with the sample pictures that the pages name, and a sheet of currents."""
    (tmp_path / "sample_images").mkdir()
    text = "".join(p.read_text(encoding="utf-8") for p in DOCS.glob("*.md"))
    for name in set(re.findall(r"sample_images/([\w.-]+\.\w+)", text)):
        shutil.copy(ROOT / "sample_images" / name, tmp_path / "sample_images" / name)
    rows = [f"{focus},{round(900 / (1 + (focus / 12) ** 2), 1)}" for focus in range(6, 60, 6)]
    (tmp_path / "pairs.csv").write_text("gun_focus,current_pa\n" + "\n".join(rows) + "\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("APERTRUE_INSTRUMENT", raising=False)
    monkeypatch.setenv("APERTRUE_LOG", str(tmp_path / "log.sqlite"))
    monkeypatch.setattr("platformdirs.user_config_path", lambda *_, **__: tmp_path / "settings")
    return tmp_path


@pytest.mark.parametrize(("page", "line"), COMMANDS, ids=lambda v: v.removeprefix("apertrue "))
def test_commands_run_as_written(folder, monkeypatch, capsys, page, line):
    import io

    monkeypatch.setattr(sys, "stdin", io.StringIO("look\nquit\n"))
    if line == "apertrue session show":
        with pytest.raises(SystemExit):
            main(["session", "add", "sample_images/01-centered.tif"])
    with pytest.raises(SystemExit) as ended:
        main(shlex.split(line)[1:])
    out, err = capsys.readouterr()
    assert not ended.value.code, err
    assert out.strip()


def test_reference_is_the_registrys():
    spec = importlib.util.spec_from_file_location("make_reference", ROOT / "tools" / "make_reference.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    made = module.reference()
    assert (DOCS / "reference.md").read_text(encoding="utf-8") == made, "run: python tools/make_reference.py"


@pytest.mark.parametrize("file", sorted((ROOT / "tests" / "outside").glob("test_*.py")), ids=lambda f: f.stem)
def test_each_outside_check_stands_in_the_table(file):
    """The table is made by the tests themselves (make checks); what is missing there was added since."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    source = next(
        ast.literal_eval(node.value)
        for node in tree.body
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "SOURCE"
    )
    page = (DOCS / "checks.md").read_text(encoding="utf-8")
    assert (
        "{author}, {title}, {year}, {place}. *{how}.*".format(**source | {"how": source["how"].capitalize()}) in page
    ), "run: make checks"


@pytest.mark.skipif(importlib.util.find_spec("mkdocs") is None, reason="mkdocs is not installed (group docs)")
def test_the_site_builds_without_a_warning(tmp_path):
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-m", "mkdocs", "build", "--strict", "-q", "-d", str(tmp_path / "site")],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "site" / "index.html").exists()
