"""What the guides and the help texts tell people to type exists."""

import re
import shlex
import shutil
from pathlib import Path

import pytest

from apertrue.cli import COMMANDS
from apertrue.cli._lazy import _is_there, load

ROOT = Path(__file__).resolve().parents[2]
INSTALLED = [name for name, command in COMMANDS.items() if _is_there("apertrue.cli", command.module)]
GUIDES = [p for p in (ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "sample_images" / "README.md") if p.exists()]


def commands_in(text: str) -> list[str]:
    """Lines that call apertrue, without the explanation that may follow after several spaces."""
    found = re.findall(r"(?m)^\s*(?:python -m )?(apertrue [^\n]*)$", text)
    lines = [re.split(r"\s{3,}|\s+[|>&]\s", line)[0] for line in found]
    return [line for line in lines if not re.match(r"apertrue (only )?(advises|never|tells|keeps|has|is) ?", line)]


def known_options(name: str, rest: list[str]) -> set[str]:
    """All options of a command, or of its subcommand where ``rest`` names one."""
    command = load("apertrue.cli", COMMANDS[name].module, name)
    inner = getattr(command, "commands", {})
    for word in rest:
        if word in inner:
            command = inner[word]
            break
    options = {"--help", "-h"}
    for parameter in command.params:
        options.update(parameter.opts)
        options.update(parameter.secondary_opts)
    return options


def check(line: str) -> None:
    words = shlex.split(line)
    name, rest = words[1], words[2:]
    if name.startswith("-"):
        assert name in ("--help", "--version", "-h"), line
        return
    assert name in INSTALLED, line
    used = {w.partition("=")[0] for w in rest if re.fullmatch(r"--?[a-z][a-z-]*(=.*)?", w)}
    assert used <= known_options(name, rest), line


@pytest.mark.parametrize("guide", GUIDES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_commands_in_the_guides_exist(guide: Path) -> None:
    lines = commands_in(guide.read_text(encoding="utf-8"))
    for line in lines:
        check(line)
    assert lines or guide.name == "DEVELOPERS.md"


@pytest.mark.parametrize("name", INSTALLED)
def test_examples_in_the_help_exist(run, name: str) -> None:
    command = load("apertrue.cli", COMMANDS[name].module, name)
    texts = [run(name, "--help").out, *(run(name, inner, "--help").out for inner in getattr(command, "commands", {}))]
    lines = [line for text in texts for line in commands_in(text)]
    assert lines
    for line in lines:
        check(line)


def test_the_readme_s_python_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (code,) = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    shutil.copy(ROOT / "sample_images" / "02-drifted.tif", tmp_path / "snapshot.tif")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("APERTRUE_INSTRUMENT", raising=False)
    names: dict[str, object] = {}
    exec(compile(code, "README.md", "exec"), names)
    assert names["a"].verdict in ("nudge", "auto")  # type: ignore[attr-defined]


def test_make_targets_in_the_guides_exist() -> None:
    targets = set(re.findall(r"(?m)^([a-z]+):", (ROOT / "Makefile").read_text(encoding="utf-8")))
    for guide in GUIDES:
        for line in re.findall(r"(?m)(?:^ {4}|`)make ([a-z ]+?)(?:  |`| [A-Z]|$)", guide.read_text(encoding="utf-8")):
            assert set(line.split()) <= targets, f"{guide.name}: make {line}"
