"""The house as the contributor guide draws it, held against the imports that the files really have."""

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SOURCE = ROOT / "src" / "apertrue"

# What each room may import from the house, as the guide's table says in words (a test below holds both together).
DATA = {"frame", "scene", "assessment", "advice"}
PURE = {"registry", "errors", "model", "fitting", "instrument", *DATA}
MAIN_LINE = {*PURE, "readers", "locate", "assess", "advise", "pipeline", "judging"}
PAIRS = {"calibration", "compare", "current", "drift"}
EVERYTHING = {
    *MAIN_LINE, *PAIRS, "burst", "simulate", "microscope", "practice", "store", "session", "audit", "watch", "runner", "overlay",
    "report", "api", "_version", "fixed_map",
}  # fmt: skip

MAY_IMPORT: dict[str, set[str]] = {
    "registry": set(),
    "fixed_map": set(),
    "errors": set(),
    "_version": set(),
    "frame": {"registry", "fixed_map"},
    "scene": {"registry"},
    "assessment": {"registry"},
    "advice": {"registry"},
    "model": {"scene"},
    "fitting": {"model", "errors"},
    "instrument": {"errors", "frame", "fixed_map"},
    "readers": {"registry", "errors", "frame", "fixed_map"},
    "locate": {"registry", "errors", "model", "fitting", *DATA},
    "assess": {"registry", "errors", "model", "fitting", "instrument", *DATA},
    "advise": {"registry", "errors", "model", "instrument", *DATA},
    "pipeline": {"registry", "errors", "instrument", "locate", "assess", "advise", *DATA},
    "judging": {"registry", "errors", "instrument", "readers", "pipeline", "calibration", *DATA},
    "burst": {*MAIN_LINE},
    "simulate": {"registry", "errors", "model", *DATA},
    "microscope": {"registry", "errors", "model", "instrument", "simulate", *DATA},
    "calibration": {*PURE, "drift"},
    "compare": {*PURE, "advise"},
    "current": {*PURE},
    "drift": {*PURE},
    "store": {"registry", "errors", *DATA},
    "runner": {*MAIN_LINE},
    "session": {*MAIN_LINE, *PAIRS, "store", "fixed_map"},
    "audit": {*MAIN_LINE, *PAIRS, "store", "session", "runner", "report"},
    "watch": {*MAIN_LINE, *PAIRS, "store", "session", "runner"},
    "practice": {*MAIN_LINE, *PAIRS, "simulate", "microscope"},
    "overlay": {"registry", "errors", "pipeline", *DATA},
    "report": {*MAIN_LINE, *PAIRS, "store", "session", "overlay"},
    "api": {*MAIN_LINE, "burst", "calibration", "overlay"},
    "cli": EVERYTHING,
    "napari": EVERYTHING,
    "__init__": {"_version"},
    "__main__": {"cli"},
}

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
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`(\w+)(?:/|\.py)`", guide.partition("## The house")[2].partition("\n## ")[0]))
    hidden = {"__init__", "__main__", "_version"}
    assert {room_of(f) for f in files()} - hidden <= named


def test_each_room_imports_only_what_the_drawing_allows() -> None:
    wrong = []
    for found in ALL:
        room = house_room(found.target)
        allowed = {*MAY_IMPORT[found.room], found.room, "_version"}
        if room and found.runtime and room not in allowed:
            wrong.append(str(found))
    assert not wrong, "\n".join(wrong)


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
    assert len(text.splitlines()) <= LONGEST_MODULE
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
