"""An audit's rows as what the summary needs of each picture."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from ..registry import SceneKind
from .work import PUT_ASIDE


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """One row of an audit, in short; units and meanings as in the registry.

    ``kind`` is the verdict, ``aside`` (no condenser aperture with a beam) or ``error``. ``session`` is never ``None``:
    a picture in no session is one of its own. ``row`` is the whole row.
    """

    number: int
    kind: str
    session: str
    when: float | None
    row: Mapping[str, Any]

    @property
    def offset(self) -> float | None:
        """``offset_percent``."""
        return self.row["offset_percent"]  # type: ignore[no-any-return]

    @property
    def working_score(self) -> float | None:
        """``working_score``."""
        return self.row["working_score"]  # type: ignore[no-any-return]

    @property
    def one_edge(self) -> bool:
        """Whether only one round edge shows, so that neither aperture and beam nor another view can be told."""
        alone = self.row["scene"] in (SceneKind.ONE_EDGE, SceneKind.BEAM_ONLY)
        return self.kind == "retake" and alone and self.offset is None

    @property
    def vector(self) -> tuple[float, float] | None:
        """Offset in the aperture plane, (right, down), % of the aperture radius."""
        x, y = self.row["offset_x_percent"], self.row["offset_y_percent"]
        return None if x is None or y is None else (x, y)

    @property
    def shift(self) -> tuple[float, float] | None:
        """Readings of the gun shift, console units."""
        x, y = self.row["gun_shift_x"], self.row["gun_shift_y"]
        return None if x is None or y is None else (x, y)


def pictures_of(rows: Iterable[Mapping[str, Any]]) -> list[Picture]:
    """Rows (as of :meth:`apertrue.audit.Audit.rows`) as pictures, in the order given."""
    out = []
    for number, row in enumerate(rows):
        if row["error"] is not None:
            kind = "error"
        elif row["scene"] in PUT_ASIDE:
            kind = "aside"
        else:
            kind = row["verdict"] or "retake"
        when = None
        if row["taken_at"] is not None:
            when = datetime.fromisoformat(row["taken_at"]).timestamp()
        out.append(Picture(number, kind, row.get("session") or f"{row['file']} ({number})", when, row))
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Session:
    """The pictures of one session, in order of time (those without time last)."""

    name: str
    pictures: tuple[Picture, ...]

    @property
    def measured(self) -> tuple[Picture, ...]:
        """Those with an offset."""
        return tuple(p for p in self.pictures if p.offset is not None)

    @property
    def start(self) -> float | None:
        """Time of the first picture, s since 1970."""
        return min((p.when for p in self.pictures if p.when is not None), default=None)

    @property
    def hours(self) -> float:
        """From the first to the last picture, h."""
        times = [p.when for p in self.pictures if p.when is not None]
        return (max(times) - min(times)) / 3600.0 if times else 0.0


def sessions_of(pictures: Sequence[Picture]) -> list[Session]:
    """The sessions that have a measured picture, in order of time."""
    groups: dict[str, list[Picture]] = {}
    for p in pictures:
        if p.kind != "error":
            groups.setdefault(p.session, []).append(p)
    late = float("inf")
    sessions = [
        Session(name, tuple(sorted(ps, key=lambda p: (late if p.when is None else p.when, p.number))))
        for name, ps in groups.items()
    ]
    return sorted((s for s in sessions if s.measured), key=lambda s: (late if s.start is None else s.start, s.name))
