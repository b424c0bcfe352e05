"""The documentation: its commands run as written, its reference is the registry's, and it builds without a warning."""

import ast
import csv
import importlib.util
import io
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
PAGES = sorted(p for p in DOCS.rglob("*.md") if p.name not in ("reference.md", "checks.md", "benchmarks.md"))
#: Lines of code blocks that are no commands of ours: installing, and what opens a window.
OTHERS = ("python -m pip install ", "napari")


def blocks(page: Path) -> list[tuple[str, str]]:
    """The page's code in its order: (``python`` or ``shell``, text); shell line by line."""
    out = []
    text = page.read_text(encoding="utf-8")
    for found in re.finditer(r"(?ms)^```(\w*)\n(.*?)^```$|^    (\S[^\n]*)$", text):
        if found[3] is not None:
            out.append(("shell", found[3].strip()))
        else:
            out.append((found[1] or "shell", found[2]))
    return out


WITH_CODE = [p for p in PAGES if blocks(p)]


@pytest.fixture
def folder(tmp_path, monkeypatch, request):
    """A folder with the sample pictures that the page names, and a table of currents."""
    (tmp_path / "sample_images").mkdir()
    text = request.getfixturevalue("page").read_text(encoding="utf-8")
    # Where a page speaks of the whole folder, two pictures stand for it.
    for name in {"01-centered.tif", "02-drifted.tif", *re.findall(r"sample_images/([\w.-]+\.\w+)", text)}:
        shutil.copy(ROOT / "sample_images" / name, tmp_path / "sample_images" / name)
    rows = [f"{focus},{round(900 / (1 + (focus / 12) ** 2), 1)}" for focus in range(6, 60, 6)]
    (tmp_path / "pairs.csv").write_text("gun_focus,current_pa\n" + "\n".join(rows) + "\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("APERTRUE_INSTRUMENT", raising=False)
    monkeypatch.setenv("APERTRUE_LOG", str(tmp_path / "log.sqlite"))
    monkeypatch.setattr("platformdirs.user_config_path", lambda *_, **__: tmp_path / "settings")
    return tmp_path


@pytest.mark.parametrize("page", WITH_CODE, ids=lambda p: p.relative_to(DOCS).as_posix())
def test_the_code_of_a_page_runs_as_written_from_top_to_bottom(folder, monkeypatch, capsys, page):
    if page.name == "scripts.md":  # it takes up the instrument file of the page before it
        with pytest.raises(SystemExit):
            main(["instrument", "lab.toml"])
    names: dict[str, object] = {}
    for language, code in blocks(page):
        if language == "python":
            exec(compile(code, str(page), "exec"), names)
        elif not code.startswith(OTHERS):
            assert code.startswith("apertrue "), f"{page.name}: {code!r} is not run by any test"
            # What a person types where a command asks.
            monkeypatch.setattr(sys, "stdin", io.StringIO("look\nquit\n"))
            with pytest.raises(SystemExit) as ended:
                main(shlex.split(code)[1:])
            out, err = capsys.readouterr()
            assert not ended.value.code, f"{code}: {err}"
            assert out.strip(), code
            assert "fault of apertrue" not in out + err, code


@pytest.mark.parametrize("page", [ROOT / "README.md"], ids=["README"])
def test_the_code_of_the_readme_runs_on_a_users_own_pictures(folder, capsys, page):
    (folder / "day1").mkdir()
    shutil.copy(ROOT / "sample_images" / "02-drifted.tif", folder / "snapshot.tif")
    shutil.copy(ROOT / "sample_images" / "01-centered.tif", folder / "day1")
    ran = 0
    for language, code in blocks(page):
        if language == "python":
            exec(compile(code, str(page), "exec"), {})
        elif code.startswith("make "):
            target = code.split()[1]
            assert re.search(rf"(?m)^{target}:", (ROOT / "Makefile").read_text(encoding="utf-8")), code
            continue
        elif code.startswith(OTHERS):
            continue
        else:
            assert code.startswith("apertrue "), code
            with pytest.raises(SystemExit) as ended:
                main(shlex.split(code.partition(" > ")[0])[1:])  # the shell's own part is left out
            out, err = capsys.readouterr()
            assert not ended.value.code, f"{code}: {err}"
            assert out.strip(), code
        ran += 1
    assert ran >= 5


def test_readings_in_commands_are_those_of_the_sample_pictures():
    """A calibration from readings that were never set would teach a false direction."""
    with (ROOT / "sample_images" / "session.csv").open(encoding="utf-8", newline="") as sheet:
        known = {row["file"]: (row["gun_shift_x"], row["gun_shift_y"]) for row in csv.DictReader(sheet)}
    commands = [shlex.split(code) for page in WITH_CODE for language, code in blocks(page) if language == "shell"]
    found = 0
    for words in commands:
        readings = re.findall(r"--at[ =](-?[\d.]+),(-?[\d.]+)", " ".join(words))
        pictures = [Path(w).name for w in words if w.startswith("sample_images/") and Path(w).name in known]
        if words[:2] == ["apertrue", "calibrate"] and readings:
            assert [tuple(map(float, r)) for r in readings] == [tuple(map(float, known[p])) for p in pictures]
            found += 1
    assert found >= 3


def test_pages_and_pictures_that_are_named_exist():
    for page in [*DOCS.rglob("*.md"), ROOT / "README.md"]:
        for target in re.findall(r"\]\(([^)#:]+)(?:#[\w-]+)?\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name} points to {target}"


def test_each_page_is_in_the_menu():
    menu = (ROOT / "mkdocs.yml").read_text(encoding="utf-8")
    for page in DOCS.rglob("*.md"):
        assert f": {page.relative_to(DOCS).as_posix()}\n" in menu, page


def test_the_citation_has_this_version():
    import apertrue

    cff = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert f"version: {apertrue.__version__}\n" in cff
    assert f"version {apertrue.__version__}" in (DOCS / "cite.md").read_text(encoding="utf-8")


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
