"""Which engine judged a picture: a hash of the sources that its numbers come from.

The program's version alone would not do: between two versions, and in a development copy, results change without it.
"""

import hashlib
from functools import lru_cache
from pathlib import Path

#: Rooms and modules through which a picture goes on its way to a row; a test holds this against what is imported.
SOURCES = (
    *("advise", "assess", "calibration", "drift", "fitting", "instrument", "locate", "model", "readers", "registry"),
    *("advice.py", "assessment.py", "frame.py", "judging.py", "pipeline.py", "scene.py", "threads.py"),
)


def engine_revision() -> str:
    """16 hex digits that change with the sources of reading, measuring and advising."""
    return revision_of(Path(__file__).parents[1])


@lru_cache(maxsize=4)
def revision_of(root: Path) -> str:
    """The same for the sources in the folder ``root``; line ends do not count, so that all machines agree."""
    out = hashlib.sha256()
    for name in SOURCES:
        place = root / name
        files = sorted(place.rglob("*.py"), key=lambda f: f.relative_to(root).as_posix()) if place.is_dir() else [place]
        for file in files:
            if file.is_file():  # a frozen program has no sources: then only its version counts
                out.update(file.relative_to(root).as_posix().encode() + b"\0")
                out.update(file.read_bytes().replace(b"\r\n", b"\n") + b"\0")
    return out.hexdigest()[:16]
