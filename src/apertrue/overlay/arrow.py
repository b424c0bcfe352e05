"""The arrow of the needed move: one geometry and one rule of scale for overlay, report and window. Pure.

It ends at the aperture's center and begins at the beam's: to scale. A move too short to be seen is drawn longer backward,
behind the beam's center: an arrow whose tip passed the aperture's center would tell people to move too far.
"""

from dataclasses import dataclass
from math import hypot

Place = tuple[float, float]

#: Shortest arrow and its longest head, aperture radii.
LEAST, _HEAD = 0.2, 0.09


@dataclass(frozen=True, slots=True)
class Arrow:
    """Places (x, y) in picture px.

    Attributes:
        tail, tip: ends of the shaft; ``tip`` is the aperture's center.
        left, right: ends of the head's wings.
        lengthened: whether it is longer than the move.
    """

    tail: Place
    tip: Place
    left: Place
    right: Place
    lengthened: bool

    @property
    def words(self) -> str:
        """What it means, for legends."""
        if self.lengthened:
            return "the needed move, its tail drawn longer; the tip is the target"
        return "the needed move of the beam, to scale"

    @property
    def neck(self) -> Place:
        """Middle of the head's base."""
        return (self.left[0] + self.right[0]) / 2, (self.left[1] + self.right[1]) / 2


def is_wanted(verdict: str | None, move_direction_deg: float | None) -> bool:
    """Whether a picture has an arrow: its direction is known, and the beam is not left as it is."""
    return verdict != "leave" and move_direction_deg is not None


def move_arrow(beam: Place, aperture: Place, radius: float) -> Arrow | None:
    """The arrow from the beam's center to the aperture's; ``None`` where they are the same.

    Args:
        beam, aperture: centers (x, y), px.
        radius: of the aperture, px.
    """
    length = hypot(aperture[0] - beam[0], aperture[1] - beam[1])
    if length == 0:
        return None
    ux, uy = (aperture[0] - beam[0]) / length, (aperture[1] - beam[1]) / length
    shown = max(length, LEAST * radius)
    head = min(_HEAD * radius, 0.6 * shown)
    x, y = aperture
    neck, wing = (x - head * ux, y - head * uy), 0.5 * head
    return Arrow(
        (x - shown * ux, y - shown * uy),
        aperture,
        (neck[0] - wing * uy, neck[1] + wing * ux),
        (neck[0] + wing * uy, neck[1] - wing * ux),
        shown > length,
    )
