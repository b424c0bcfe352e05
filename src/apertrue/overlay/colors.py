"""Colors that color-blind eyes tell apart (Okabe & Ito 2008, "Color Universal Design", from memory).

Nothing is told by color alone: edges differ in dashes, centers in shape, verdicts in the word.
"""

from collections.abc import Mapping

APERTURE = "#56B4E9"
BEAM = "#E69F00"
MOVE = "#F0E442"
UNKNOWN = "#CC79A7"
CASING = "#000000"

PANEL = "#14171A"
TEXT = "#F2F2F2"
QUIET = "#B4BAC0"

VERDICTS: Mapping[str, str] = {
    "leave": "#009E73",
    "nudge": "#E69F00",
    "auto": "#D55E00",
    "retake": "#56B4E9",
}
