"""One picture of a benchmark set, with what is true of it and what may be said of it."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

#: Fields that tell where the beam lies; none of them may be given for a picture that cannot tell.
POSITION = (
    "offset_x_px",
    "offset_y_px",
    "offset_x_percent",
    "offset_y_percent",
    "offset_percent",
    "offset_direction_deg",
    "move_direction_deg",
    "offset_um",
    "gap_percent",
)
#: Fields that need gray levels proportional to light.
LIGHT = ("clipped_fraction", "score", "unevenness_percent")
#: Fields that must be missing when a picture cannot be read.
NUMBERS = (*POSITION, "clipped_fraction", "score", "working_score")
#: Fields that tell on which side the beam lies.
SIGNED = (
    "offset_x_px",
    "offset_y_px",
    "offset_x_percent",
    "offset_y_percent",
    "offset_direction_deg",
    "move_direction_deg",
)


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """One picture.

    Attributes:
        name: set, kind and number; unique in its set.
        group: row of the benchmark's table that it counts in.
        pixels: (rows, columns).
        truth: registry field → value; fields without truth are missing.
        allowed: scene kinds that count as right.
        must_be_null: fields that must not be reported.
        must_flags, may_flags: flags that must, and further ones that may be raised.
        about: keywords for :func:`apertrue.frame.as_frame` (linear, saturation, lossy, color).
        hints: keywords for :class:`apertrue.scene.Hints`.
        source, license: of a picture that is not ours.
    """

    name: str
    group: str
    pixels: np.ndarray
    truth: Mapping[str, float] = field(default_factory=dict)
    allowed: tuple[str, ...] = ()
    must_be_null: tuple[str, ...] = ()
    must_flags: tuple[str, ...] = ()
    may_flags: tuple[str, ...] = ()
    about: Mapping[str, Any] = field(default_factory=dict)
    hints: Mapping[str, Any] = field(default_factory=dict)
    source: str = "simulated"
    license: str = "BSD-3-Clause"

    def frame(self) -> Any:
        """The picture as the engine takes it."""
        from apertrue.frame import as_frame

        return as_frame(self.pixels, **self.about)


def from_simulated(name: str, group: str, shot: Any, **changes: Any) -> Case:
    """A case from :class:`apertrue.simulate.Simulated`; ``changes`` overrule."""
    truth = shot.truth
    values: dict[str, Any] = {
        "truth": truth.values(),
        "allowed": tuple(str(k) for k in truth.allowed_kinds),
        "must_be_null": truth.must_be_null,
        "must_flags": truth.must_flags,
        "may_flags": truth.may_flags,
        "about": {
            "linear": shot.frame.linear,
            "saturation": shot.frame.saturation,
            "lossy": shot.frame.lossy,
            "color": shot.frame.color,
        },
    }
    return Case(name, group, shot.frame.pixels, **(values | changes))


def in_turn(
    name: str,
    groups: Sequence[str],
    one: Callable[[str, str, np.random.Generator], Case],
    rngs: Sequence[np.random.Generator],
) -> Iterator[Case]:
    """A picture for each generator, the set's groups in turn."""
    for k, rng in enumerate(rngs):
        group = groups[k % len(groups)]
        yield one(group, f"{name}-{group}-{k // len(groups):03}", rng)


def numbered(
    groups: Sequence[str], one: Callable[[str, str, np.random.Generator], Case], seed: int, group: str, number: int
) -> Case:
    """The picture with this number of a group, alone, as :func:`in_turn` draws it."""
    k = groups.index(group) + number * len(groups)
    return one(group, f"{group}-{number}", children(seed, k + 1)[k])


def children(seed: int, n: int) -> list[np.random.Generator]:
    """``n`` independent generators; the k-th does not depend on ``n``."""
    return [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(n)]
