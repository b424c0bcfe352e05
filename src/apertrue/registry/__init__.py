"""The words of apertrue: fields, scenes, verdicts, flags and reasons, each defined once.

Everything that prints, stores, draws or documents a number reads its name, unit and meaning here.
The room imports nothing from the rest of the package.
"""

from .fields import FIELDS, MOST_APERTURE_UM, SCHEMA_VERSION, Field, field, field_names
from .flags import FLAGS, Flag
from .reasons import REASONS, Reason
from .words import SCENE_WORDS, SESSION_GAP_H, VERDICT_WORDS, FocusSide, SceneKind, Verdict

__all__ = [
    "FIELDS",
    "FLAGS",
    "MOST_APERTURE_UM",
    "REASONS",
    "SCENE_WORDS",
    "SCHEMA_VERSION",
    "SESSION_GAP_H",
    "VERDICT_WORDS",
    "Field",
    "Flag",
    "FocusSide",
    "Reason",
    "SceneKind",
    "Verdict",
    "field",
    "field_names",
]
