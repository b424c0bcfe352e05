"""The frame: help, version, lazy commands, completion, and what is never imported for them."""

import os
import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import pytest
import typer

from apertrue import __version__
from apertrue.cli import COMMANDS, app
from apertrue.cli._lazy import _is_there

HEAVY = (
    "numpy",
    "scipy",
    "skimage",
    "rich",
    "jinja2",
    "PIL",
    "tifffile",
    "pandas",
    "dask",
    "napari",
    "qtpy",
    "matplotlib",
)
INSTALLED = [name for name, command in COMMANDS.items() if _is_there("apertrue.cli", command.module)]


def modules_after(code: str) -> set[str]:
    """Top-level modules that a new Python has loaded after ``code``."""
    program = f"import sys\ntry:\n    {code}\nexcept SystemExit:\n    pass\nprint('LOADED', *sys.modules)"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, encoding="utf-8")
    return set(done.stdout.rpartition("LOADED")[2].split())


@pytest.mark.parametrize(
    "code",
    [
        "import apertrue",
        "from apertrue.cli import main; main(['--help'])",
        "from apertrue.cli import main; main(['--version'])",
        "from apertrue.cli import main; main(['assess', '--help'])",
        "from apertrue.cli import main; main(['instrument', '--help'])",
    ],
)
def test_nothing_heavy_is_loaded_for(code: str) -> None:
    assert not modules_after(code).intersection(HEAVY)


def test_the_quick_path_leaves_out_what_it_does_not_need(pictures) -> None:
    picture = str(pictures / "centered.tif")
    loaded = modules_after(f"from apertrue.cli import main; main(['assess', {picture!r}, '--json'])")
    assert "numpy" in loaded
    assert not loaded.intersection({"scipy", "skimage", "rich", "jinja2", "PIL", "matplotlib", "pandas", "pydantic"})


def test_version(run) -> None:
    done = run("--version")
    assert (done.status, done.out) == (0, f"apertrue {__version__}\n")


def test_help_lists_every_installed_command_with_its_line(run) -> None:
    text = run("--help").out
    squeezed = " ".join(text.split())
    for name in INSTALLED:
        assert f"{name} " in text
        assert COMMANDS[name].line in squeezed
    assert "not yet been verified on an instrument" in squeezed


def test_a_command_whose_module_is_missing_is_hidden(run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("apertrue.cli._lazy._is_there", lambda _, module: module != "assess")
    assert "Judge pictures" not in run("--help").out
    done = run("assess", "x.tif")
    assert done.status == 2
    assert "No such command" in done.err


@pytest.mark.parametrize(("typed", "meant"), [("asses", "assess"), ("watc", "watch"), ("curent", "current")])
def test_a_mistyped_command_gets_a_suggestion(run, typed: str, meant: str) -> None:
    done = run(typed, "x.tif")
    assert done.status == 2
    assert f"No such command {typed!r}. Did you mean {meant!r}" in done.err


@pytest.mark.parametrize("name", INSTALLED)
def test_each_command_has_help_with_an_example(run, name: str) -> None:
    done = run(name, "--help")
    assert done.status == 0
    assert f"apertrue {name}" in done.out.partition("Example")[2]


@pytest.mark.parametrize("arguments", [["nonsense"], ["--nonsense"], ["assess"], ["assess", "--nonsense", "x.tif"]])
def test_wrong_usage_is_status_2_and_says_so_on_stderr(run, arguments: list[str]) -> None:
    done = run(*arguments)
    assert done.status == 2
    assert done.out == ""
    assert "Usage: apertrue" in done.err


def test_python_dash_m_is_the_same_command() -> None:
    done = subprocess.run([sys.executable, "-m", "apertrue", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout == f"apertrue {__version__}\n"


def test_the_shell_completes_commands() -> None:
    environment = {
        **os.environ,
        "_APERTRUE_COMPLETE": "complete_bash",
        "COMP_WORDS": "apertrue as",
        "COMP_CWORD": "1",
    }
    code = "from apertrue.cli import main; main()"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=False)
    assert done.stdout.split() == ["assess"]


def _all_commands(command: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[str, Any]]:
    yield " ".join(path) or "apertrue", command
    if hasattr(command, "list_commands"):
        context = command.make_context("apertrue", [], resilient_parsing=True)
        for name in command.list_commands(context):
            yield from _all_commands(command.get_command(context, name), (*path, name))


def test_each_value_in_the_help_has_a_name_of_its_own() -> None:
    """Not that of a data type: people read it."""
    shown = {
        (path, parameter.name): parameter.metavar
        for path, command in _all_commands(typer.main.get_command(app))
        for parameter in command.params
        if not getattr(parameter, "is_flag", False) and not parameter.name.endswith("_completion")
    }
    assert len(shown) > 100
    assert {where for where, metavar in shown.items() if not metavar} == set()
