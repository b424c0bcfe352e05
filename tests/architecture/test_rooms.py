"""The house as the contributor guide draws it, held against the imports that the files really have."""

import ast
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SOURCE = ROOT / "src" / "apertrue"

GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
HOUSE = GUIDE.partition("## The house")[2].partition("\n## ")[0]
#: What the guide calls *words*: allowed where it says so, without each of them being needed.
DATA = {"frame", "scene", "assessment", "advice"}
WORDS = {"registry", "errors", "fixed_map", "threads", "whole_file", *DATA}


def drawing() -> dict[str, set[str]]:
    """The guide's table: what each room imports from the house."""
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")] for line in HOUSE.splitlines() if line.startswith("| `")
    ]
    rooms = [re.findall(r"`(\w+)(?:/|\.py)`", row[0]) for row in rows]
    everything = {name for names in rooms for name in names}
    out: dict[str, set[str]] = {}
    for names, row in zip(rooms, rows, strict=True):
        told = row[2]
        if told.startswith("everything but "):
            imports = everything - {told.removeprefix("everything but ")}
        else:
            imports = set(re.findall(r"`(\w+)`", told)) | (WORDS if "words" in told else set())
        out |= {name: imports - {name} for name in names}
    return out


#: What holds the rooms together is no room of the guide.
MAY_IMPORT = drawing() | {"_version": set(), "__init__": {"_version"}, "__main__": {"cli"}}
#: The quick path's rooms, and what computes from several pictures.
MAIN_LINE = {
    *WORDS, "model", "fitting", "instrument", "readers", "locate", "assess", "advise", "pipeline", "judging",
}  # fmt: skip
PAIRS = {"calibration", "compare", "current", "drift"}

#: Rooms that compute: they know nothing of windows, plots or terminals.
COMPUTATION = {
    *MAIN_LINE, *PAIRS, "burst", "simulate", "microscope", "store", "session", "audit", "runner",
}  # fmt: skip
OUTER = {"qtpy", "PySide6", "PyQt6", "napari", "vispy", "magicgui", "typer", "click", "rich", "matplotlib", "IPython"}
#: Libraries that the quick path (one picture, JSON) must not load.
HEAVY = {
    "scipy", "skimage", "matplotlib", "pandas", "pyarrow", "dask", "distributed", "fsspec", "rsciio", "napari",
    "jinja2", "rich", "imageio", "watchdog", "pydantic", "mrcfile", "PIL",
}  # fmt: skip
QUICK_PATH = {*MAIN_LINE, "api", "cli", "__init__", "__main__", "_version"}

#: Longer ones are split, or have a reason here.
LONG_MODULE = 400
REASONS = {
    "audit/wording.py": "one paragraph of the report after another, each with its sentences",
    "napari/_audit_model.py": "one state machine of a run in another process, with what its table shows",
}
LONGEST_MODULE = 600


@dataclass(frozen=True)
class Import:
    """One import statement: who, what, where; ``runtime`` is false under ``if TYPE_CHECKING``."""

    file: Path
    line: int
    target: str
    top_level: bool
    runtime: bool

    @property
    def room(self) -> str:
        return room_of(self.file)

    @property
    def outside(self) -> str:
        return self.target.partition(".")[0]

    def __str__(self) -> str:
        return f"{self.file.relative_to(ROOT)}:{self.line} imports {self.target}"


def room_of(file: Path) -> str:
    first = file.relative_to(SOURCE).parts[0]
    return first.removesuffix(".py")


def files() -> list[Path]:
    return sorted(SOURCE.rglob("*.py"))


def statements(tree: ast.Module) -> Iterator[tuple[ast.Import | ast.ImportFrom, bool, bool]]:
    """Import statements with (at the module's top level, needed at run time)."""

    def walk(node: ast.AST, top: bool, runtime: bool) -> Iterator[tuple[ast.Import | ast.ImportFrom, bool, bool]]:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.Import | ast.ImportFrom):
                yield child, top, runtime
            elif isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
                yield from walk(child, top, False)
            else:
                inner = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
                yield from walk(child, top and not inner, runtime)

    yield from walk(tree, True, True)


def imports(file: Path) -> Iterator[Import]:
    package = ["apertrue", *file.relative_to(SOURCE).parent.parts]
    for node, top, runtime in statements(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield Import(file, node.lineno, alias.name, top, runtime)
        elif node.level == 0:
            yield Import(file, node.lineno, node.module or "", top, runtime)
        else:
            base = package[: len(package) - node.level + 1]
            if node.module:
                yield Import(file, node.lineno, ".".join([*base, node.module]), top, runtime)
            else:
                for alias in node.names:
                    yield Import(file, node.lineno, ".".join([*base, alias.name]), top, runtime)


ALL = [i for file in files() for i in imports(file)]


def house_room(target: str) -> str | None:
    """The room of an import from the house; ``""`` for the package itself, ``None`` for one from outside."""
    parts = target.split(".")
    return None if parts[0] != "apertrue" else (parts[1] if len(parts) > 1 else "")


def test_every_room_is_known_to_the_drawing() -> None:
    assert {room_of(f) for f in files()} <= set(MAY_IMPORT)


def test_the_guide_names_every_room() -> None:
    hidden = {"__init__", "__main__", "_version"}
    assert {room_of(f) for f in files()} - hidden == set(drawing())


def test_the_guide_gives_each_dependency_its_reason() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    wanted = [*project["build-system"]["requires"], *project["project"]["dependencies"]]
    wanted += [one for extra in project["project"]["optional-dependencies"].values() for one in extra]
    wanted += [one for group in project["dependency-groups"].values() for one in group]
    names = {re.split(r"[<>=;\[ ]", one)[0].lower() for one in wanted} - {"apertrue"}
    table = GUIDE.partition("## Dependencies")[2].lower()
    told = set(
        re.findall(r"[\w-]+", "\n".join(line.split("|")[1] for line in table.splitlines() if line.startswith("|")))
    )
    assert {n for n in names if n not in told and n.removeprefix("pytest-") not in told} == set()


def test_each_room_imports_only_what_the_drawing_allows() -> None:
    wrong = []
    for found in ALL:
        room = house_room(found.target)
        allowed = {*MAY_IMPORT[found.room], found.room, "_version"}
        if room and found.runtime and room not in allowed:
            wrong.append(str(found))
    assert not wrong, "\n".join(wrong)


def test_the_drawing_shows_no_arrow_that_the_house_does_not_have() -> None:
    used: dict[str, set[str]] = {room: set() for room in MAY_IMPORT}
    for found in ALL:
        if found.runtime and (room := house_room(found.target)):
            used[found.room].add(room)
    unused = {
        room: sorted(rest)
        for room, allowed in MAY_IMPORT.items()
        if room not in ("cli", "napari", "__init__") and (rest := allowed - WORDS - used[room])
    }
    assert not unused, f"take these out of the table in DEVELOPERS.md: {unused}"


def test_nothing_inside_imports_through_the_package_root() -> None:
    wrong = [str(i) for i in ALL if house_room(i.target) == ""]
    assert not wrong, "\n".join(wrong)


def test_the_allowed_directions_have_no_cycle() -> None:
    graph = {room: set(allowed) for room, allowed in MAY_IMPORT.items()}
    while graph:
        leaves = {room for room, allowed in graph.items() if not allowed & set(graph)}
        assert leaves, f"a cycle among {sorted(graph)}"
        for room in leaves:
            del graph[room]


def test_modules_have_no_import_cycle() -> None:
    """Within a room too: no module needs, while it loads, one that needs it."""
    names = {
        ".".join(["apertrue", *f.relative_to(SOURCE).with_suffix("").parts]).removesuffix(".__init__"): f
        for f in files()
    }
    by_file = {f: n for n, f in names.items()}
    graph: dict[str, set[str]] = {n: set() for n in names}
    for found in ALL:
        if found.top_level and found.runtime and found.target in names and found.target != by_file[found.file]:
            target, here = found.target, by_file[found.file]
            # A package's own __init__ loads its modules; they may not load it back, except as `from . import x`.
            if not here.startswith(target + "."):
                graph[here].add(target)
    while graph:
        leaves = {n for n, needed in graph.items() if not needed & set(graph)}
        assert leaves, f"a cycle among {sorted(graph)[:12]}"
        for n in leaves:
            del graph[n]


def test_computation_knows_no_window_plot_or_terminal() -> None:
    # A room's drawings for a notebook live in its plot.py, which loads matplotlib when one is asked for.
    wrong = [
        str(i)
        for i in ALL
        if i.room in COMPUTATION and i.outside in OUTER and (i.top_level or i.file.name != "plot.py")
    ]
    assert not wrong, "\n".join(wrong)


def test_the_quick_path_loads_nothing_heavy_at_import() -> None:
    own_reader = re.compile(r"readers/formats/\w+\.py$")  # imported only when such a file is met
    wrong = [
        str(i)
        for i in ALL
        if i.room in QUICK_PATH
        and i.top_level
        and i.runtime
        and i.outside in HEAVY
        and not own_reader.search(i.file.as_posix())
    ]
    assert not wrong, "\n".join(wrong)


def test_only_the_window_imports_qt() -> None:
    qt = {"qtpy", "PySide6", "PyQt6", "napari", "vispy"}
    wrong = [str(i) for i in ALL if i.outside in qt and i.room != "napari"]
    assert not wrong, "\n".join(wrong)


def test_no_star_imports() -> None:
    stars = [
        f"{file.relative_to(ROOT)}:{node.lineno}"
        for file in files()
        for node, _, _ in statements(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and any(a.name == "*" for a in node.names)
    ]
    assert not stars


@pytest.mark.parametrize("file", files(), ids=lambda f: f.relative_to(SOURCE).as_posix())
def test_modules_stay_small_and_say_what_they_are_for(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    length, name = len(text.splitlines()), file.relative_to(SOURCE).as_posix()
    assert length <= LONGEST_MODULE
    assert length <= LONG_MODULE or name in REASONS, "over 400 lines: split it, or say in REASONS why not"
    assert ast.get_docstring(ast.parse(text)), "a module says in its first line what it is for"


def test_files_are_opened_with_an_encoding() -> None:
    """Text files mean UTF-8 on every system."""
    wrong = []
    for file in files():
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute | ast.Name):
                name = node.func.attr if isinstance(node.func, ast.Attribute) else node.func.id
                keywords = {k.arg for k in node.keywords}
                if name in ("read_text", "write_text") and "encoding" not in keywords and len(node.args) < 2:
                    wrong.append(f"{file.relative_to(ROOT)}:{node.lineno} {name} without encoding")
    assert not wrong, "\n".join(wrong)
