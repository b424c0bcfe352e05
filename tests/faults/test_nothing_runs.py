"""Nothing from a file is run, nothing goes through a shell, nothing asks a network: read in the source, and tried."""

import ast
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import tifffile
from benchmarks.faults.seeds import disc

import apertrue

SOURCE = Path(apertrue.__file__).parent
#: Calls that run or unpickle what they are given, by the name after the last dot and, where it matters, its module.
_RUNNING = {"eval", "exec", "compile", "__import__", "execfile"}
_UNPICKLING = {"pickle", "cPickle", "dill", "cloudpickle", "marshal", "shelve", "joblib"}
_SHELLS = {("os", "system"), ("os", "popen"), ("subprocess", "getoutput"), ("subprocess", "getstatusoutput")}
#: Work that our own process hands to its own children through a pipe that nobody else holds.
_OWN_PIPES = {"napari/_second_process.py", "runner/processes.py", "runner/worker.py", "runner/cluster.py"}
_NETWORK = {"socket", "urllib", "http", "requests", "ftplib", "smtplib", "aiohttp", "httpx", "xmlrpc", "telnetlib"}


def _modules():
    for path in sorted(SOURCE.rglob("*.py")):
        yield path.relative_to(SOURCE).as_posix(), ast.parse(path.read_text(encoding="utf-8"))


def _imported(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            yield (node.module or "").split(".")[0]


def _calls(tree):
    """(module or object, function, keywords) of each call, as far as its text tells."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        words = {k.arg: k.value for k in node.keywords if k.arg}
        if isinstance(node.func, ast.Name):
            yield None, node.func.id, words
        elif isinstance(node.func, ast.Attribute):
            owner = node.func.value
            yield owner.id if isinstance(owner, ast.Name) else "", node.func.attr, words


def faults_in(name, tree):
    found = [f"imports {module}" for module in _imported(tree) if module in _UNPICKLING and name not in _OWN_PIPES]
    found += [f"imports {module}" for module in _imported(tree) if module in _NETWORK]
    for owner, function, words in _calls(tree):
        if owner in (None, "builtins") and function in _RUNNING:
            found.append(f"calls {function}")
        if (owner, function) in _SHELLS:
            found.append(f"calls {owner}.{function}")
        if function in ("load", "unsafe_load", "full_load") and owner == "yaml":
            found.append(f"calls yaml.{function}")
        for keyword in ("shell", "allow_pickle"):
            value = words.get(keyword)
            if value is not None and not (isinstance(value, ast.Constant) and value.value is False):
                found.append(f"{function}({keyword}=…)")
        if owner in ("np", "numpy") and function == "load":
            found.append("calls numpy.load")
    return found


def test_the_source_runs_nothing_it_reads():
    assert {name: faults for name, tree in _modules() if (faults := faults_in(name, tree))} == {}


@pytest.mark.parametrize(
    "text",
    [
        "eval(x)",
        "import pickle",
        "from dill import loads",
        "subprocess.run(x, shell=True)",
        "np.load(x, allow_pickle=True)",
        "os.system(x)",
        "import socket",
        "yaml.load(x)",
    ],
)
def test_the_search_finds_what_it_looks_for(text):
    assert faults_in("x.py", ast.parse(text))


#: Opens of a socket and starts of a program fail loudly.
_SEALED = """
import socket, subprocess, sys
import numpy, scipy.optimize, tifffile, PIL.Image
class Sealed(socket.socket):
    def connect(self, *a): raise OSError("a connection was tried")
    connect_ex = bind = sendto = connect
def refused(*a, **k): raise OSError("a connection was tried")
socket.socket = Sealed
socket.getaddrinfo = socket.gethostbyname = socket.create_connection = refused
subprocess.Popen = refused
from apertrue.cli import main
main(sys.argv[1:])
"""


def _sealed(*arguments, cwd):
    env = {**os.environ, "XDG_CONFIG_HOME": str(cwd), "XDG_DATA_HOME": str(cwd), "PYTHONUTF8": "1"}
    return subprocess.run(
        [sys.executable, "-c", _SEALED, *map(str, arguments)],
        cwd=cwd, env=env, capture_output=True, text=True, encoding="utf-8", check=False,
    )  # fmt: skip


@pytest.fixture
def picture(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", disc())
    return tmp_path / "a.tif"


def test_no_command_asks_a_network(tmp_path, picture):
    for arguments in (
        ("assess", picture, "--as-taken", "--report", "report.html", "--overlay", "overlays"),
        ("session", "add", picture, "--log", "log.sqlite", "--as-taken"),
        ("session", "handover", "--log", "log.sqlite", "--output", "handover.html"),
        ("instrument", "microscope.toml"),
    ):
        done = _sealed(*arguments, cwd=tmp_path)
        assert done.returncode == 0, done.stderr + done.stdout
        assert "was tried" not in done.stderr
    # A report loads nothing by itself, whatever opens it.
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert (
        re.findall(r"""(?:src|srcset|poster|action)\s*=\s*["'](?!data:)[^"']+|url\((?!["']?data:)[^)]*\)""", page) == []
    )
    assert not re.search(r"""<link[^>]+href=["']https?:""", page)


def test_the_seal_holds(tmp_path):
    """Else the test above would tell nothing."""
    code = _SEALED.replace(
        "from apertrue.cli import main\nmain(sys.argv[1:])", "import urllib.request as u\nu.urlopen(sys.argv[1])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "http://127.0.0.1:9/"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert "a connection was tried" in done.stderr
