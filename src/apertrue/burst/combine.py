"""N frames of one scene → one result whose σ falls as 1/√N, and how much beam and aperture move between frames.

Two ways to the same mean, chosen by what the frames show:

* **The mean picture** is judged like any other. It sees the model's errors (fringes, odd profiles, grain), which do
  not average out, √N times better than one frame does, so that its σ stops falling where more frames can't help; it
  uses the counts of dim frames without the bias that a fit has at low counts. It holds while the jitter is small against
  the edges' widths, because it then only softens them a little.
* **The frames' own results** are averaged where the jitter is larger: a mean of sharp edges at several places is no
  edge.

In both, the jitter comes from the frames' scatter beyond their covariances (random effects,
:mod:`apertrue.burst.effects`), and its share T/N joins the mean's covariance: the result is that of the place about
which the beam moves, not of these N frames alone. Frames too dim to be read one by one are read as means of several
(:class:`apertrue.burst.stack.Groups`).
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..advice import Context
from ..assess import assess_scene
from ..assess.derive import parameters
from ..errors import BurstError
from ..frame import Frame, State
from ..judging import Setup, Unread, advised_after, context_before
from ..pipeline import Result, judge, readvise
from ..readers.digest import digest
from ..registry import SceneKind
from ..scene import Edge, Scene
from .average import PLACES, average, covariance_of
from .effects import RandomEffects, random_effects, trend, widening
from .stack import Groups, Sum
from .words import told

Array = NDArray[np.float64]

#: Jitter (1σ along an axis) up to this share of the sharper edge's width leaves the mean picture's edges whole.
SMALL_JITTER = 0.5
#: A trend less likely than this by chance is called creep.
NO_TREND = 0.01
#: So many equal frames at the end, more than ever before in the burst, are a camera that has stopped.
STOPPED = 3

_PAIR = (SceneKind.BOTH_EDGES, SceneKind.CLIPPED)
#: What may differ between frames of one scene.
_LOOSE = ("note", "current_pa")


@dataclass(frozen=True, slots=True, eq=False)
class Burst:
    """Frames of one scene, combined.

    Attributes:
        result: the combined result; its frame is the mean picture, its assessment names no page.
        given: frames that were given and could be read.
        used: distinct frames that carry the result.
        repeated: frames that repeat an earlier one bit by bit: no new evidence.
        left_out: distinct frames that gave no numbers and do not count.
        unread: files or pages that could not be read.
        way: ``mean picture``, ``frames`` (their results averaged) or ``single`` (nothing to combine).
        group: frames that were averaged before they could be read; 1 = each frame was read.
        effects: mean and jitter of the centers (aperture x, y, beam x, y; px) between groups; ``None`` with fewer than two.
        creep_percent: movement of the offset from the first frame to the last along a straight line, (x, y) in % of the
            aperture radius, y down; ``None`` where no trend is proven.
    """

    result: Result
    given: int
    used: int
    repeated: int
    left_out: int
    unread: int
    way: str
    group: int = 1
    effects: RandomEffects | None = None
    creep_percent: tuple[float, float] | None = None


def combine(outcomes: Iterable[Result | Unread], setup: Setup) -> Burst:
    """Combine judged frames of one scene.

    Args:
        outcomes: the frames in the order taken, as :func:`apertrue.judging.judge_files` yields them; each picture is
            looked at once and not kept.
        setup: what they were judged with.

    Raises:
        BurstError: no frame could be read, or the frames are not of one scene (size or state differ); the text says
            which.
    """
    combiner = Combiner(setup)
    for outcome in outcomes:
        combiner.add(outcome)
    return combiner.combined()


class Combiner:
    """:func:`combine`, frame by frame: it keeps what each showed, and sums of their pixels.

    ``given`` counts the frames so far.
    """

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self._results: list[Result] = []  # distinct frames, without pixels
        self._read = Sum()
        self._groups: Groups | None = Groups()
        self._last: Frame | None = None
        self._seen: set[str] = set()
        self._mark = ""
        self._runs: list[int] = []  # lengths of runs of equal successive frames
        self.given = self._unread = self._repeated = 0

    def add(self, outcome: Result | Unread) -> None:
        """One more frame; :class:`BurstError` when its size differs."""
        if isinstance(outcome, Unread):
            self._unread += 1
            return
        frame = outcome.frame
        if self._last is not None and frame.shape != self._last.shape:
            sizes = " and ".join(f"{rows} × {columns}" for rows, columns in (self._last.shape, frame.shape))
            raise BurstError(f"these are no frames of one scene: their sizes differ ({sizes} px)")
        self.given += 1
        self._last = frame
        if self._again(frame):
            self._repeated += 1
            return
        self._results.append(replace(outcome, frame=replace(frame, pixels=frame.pixels[:1, :1].copy())))
        if _has_numbers(outcome):
            self._read.add(frame)
        if self._groups is not None:
            self._groups.add(frame)
            if self._read.count >= 4 and 2 * self._read.count >= len(self._results):
                self._groups = None  # these frames can be read one by one

    def _again(self, frame: Frame) -> bool:
        """Whether an earlier frame had the same pixels, bit by bit."""
        mark = frame.digest or digest(frame.pixels)
        if mark == self._mark:
            self._runs[-1] += 1
        else:
            self._runs.append(1)
        self._mark = mark
        if mark in self._seen:
            return True
        self._seen.add(mark)
        return False

    def _stopped(self) -> bool:
        """Whether the camera delivered nothing new, or nothing new at the end."""
        last, earlier = self._runs[-1], max(self._runs[:-1], default=1)
        return (self.given > 1 and len(self._results) == 1) or (last >= STOPPED and last > earlier)

    def combined(self) -> Burst:
        """All frames so far together; :class:`BurstError` when none could be read or their states differ."""
        if self._last is None:
            raise BurstError("none of the frames could be read")
        last = replace(self._last, state=_common_state([r.frame.state for r in self._results]))
        context = context_before(last, self._setup, frozen=self._stopped())
        found = _combined(self._results, self._read, self._groups, last, self._setup, context)
        return _described(found, self._results, self.given, self._repeated, self._unread)


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """The combined result before it is described; attributes as in :class:`Burst`."""

    result: Result
    used: int
    way: str
    group: int = 1
    effects: RandomEffects | None = None
    creep: tuple[float, float] | None = None


def _has_numbers(result: Result) -> bool:
    return result.assessment.offset_x_px is not None


def _common_state(states: Sequence[State]) -> State:
    """The state that all frames share."""
    out = states[-1]
    for name in out.values():
        known = {getattr(s, name) for s in states} - {None}
        if name in _LOOSE:
            if len(known) > 1:
                out = replace(out, note=None) if name == "note" else replace(out, current_pa=_mean_current(states))
            continue
        if len(known) > 1:
            listed = ", ".join(str(v) for v in sorted(known, key=str)[:3])
            raise BurstError(f"these are no frames of one scene: {name} differs ({listed})")
        if known:
            out = replace(out, **{name: known.pop()})
    return out


def _mean_current(states: Sequence[State]) -> float:
    return float(np.mean([s.current_pa for s in states if s.current_pa is not None]))


def _combined(
    results: list[Result], pictures: Sum, groups: Groups | None, last: Frame, setup: Setup, context: Context
) -> _Found:
    read, group = [r for r in results if _has_numbers(r)], 1
    if groups is not None and (2 * len(read) < len(results) or not read):
        pictures = groups.whole
        if len(results) > 1:
            read, group = _in_groups(groups, lambda frame: _judge(frame, setup, context), last)
    mean = pictures.mean(last)
    if pictures.count == 1:
        only = next((r for r in results if _has_numbers(r)), results[-1])
        return _Found(_judged(only.scene, mean, setup, context), int(_has_numbers(only)), "single")
    read = _of_one_kind(read)
    whole = advised_after(context, _judge(mean, setup, context), setup)
    if len(read) < 2:
        used = pictures.count if _has_numbers(whole) else 0
        return _Found(whole, used, "mean picture", group)
    effects = random_effects(*_places(read))
    if _has_numbers(whole) and _small(effects, read, group):
        scene, way, used = _with_jitter(whole.scene, effects), "mean picture", pictures.count
    else:
        scene, way, used = average([r.scene for r in read], effects), "frames", group * len(read)
        scene = replace(scene, shape=mean.shape, flags=_flags(whole, read))
    creep = _creep(read, effects)
    if creep is not None:
        scene = replace(scene, flags=(*scene.flags, "creeping"))
    return _Found(_judged(scene, mean, setup, context), used, way, group, effects, creep)


def _judge(frame: Frame, setup: Setup, context: Context) -> Result:
    return judge(frame, instrument=setup.instrument, hints=setup.hints, context=context)


def _in_groups(groups: Groups, judged: Callable[[Frame], Result], last: Frame) -> tuple[list[Result], int]:
    """Means of as few frames as can be read, judged, and how many frames each has; none when no two can be read."""
    sums, each = groups.merged(groups.full), 2 * groups.each
    while len(sums) > 1:
        read = [r for r in (judged(s.mean(last)) for s in sums) if _has_numbers(r)]
        if len(read) > 1 and 2 * len(read) >= len(sums):
            return read, each
        sums, each = groups.merged(sums), 2 * each
    return [], 1


def _judged(scene: Scene, frame: Frame, setup: Setup, context: Context) -> Result:
    assessment = assess_scene(scene, frame, setup.instrument, context)
    return advised_after(context, readvise(frame, scene, assessment, setup.instrument, context), setup)


def _of_one_kind(read: list[Result]) -> list[Result]:
    """The results that agree on what the picture shows: pairs of discs, or spots, whichever are more."""
    pairs = [r for r in read if r.scene.kind in _PAIR]
    return pairs if 2 * len(pairs) >= len(read) else [r for r in read if r.scene.kind not in _PAIR]


def _places(read: Sequence[Result]) -> tuple[Array, Array]:
    """Centers of aperture and beam, shape (n, 4), and their covariances."""
    values = np.array([parameters(r.scene)[PLACES] for r in read])
    covariances = np.array([covariance_of(r.scene)[np.ix_(PLACES, PLACES)] for r in read])
    return values, covariances


def _small(effects: RandomEffects, read: Sequence[Result], group: int) -> bool:
    """Whether the jitter leaves a mean picture's edges whole."""
    width = min(e.width for r in read for e in (r.scene.aperture, r.scene.beam) if e is not None)
    return float(np.sqrt(group * np.diag(effects.jitter).max())) <= SMALL_JITTER * width


def moving(effects: RandomEffects) -> bool:
    """Whether beam or aperture is proven to move."""
    return effects.proven(np.eye(4)[:2]) or effects.proven(np.eye(4)[2:])


def _with_jitter(scene: Scene, effects: RandomEffects) -> Scene:
    """The mean picture's scene, with the jitter's share in its covariance."""
    covariance = covariance_of(scene).copy()
    covariance[np.ix_(PLACES, PLACES)] += widening(effects.freedom) ** 2 * effects.between
    return replace(scene, covariance=covariance)


def _flags(whole: Result, read: Sequence[Result]) -> tuple[str, ...]:
    """Flags of most frames; what concerns the noise alone is the mean picture's matter."""
    names = dict.fromkeys(f for r in read for f in r.scene.flags)
    often = [f for f in names if 2 * sum(f in r.scene.flags for r in read) > len(read)]
    return tuple(f for f in often if f not in ("noisy", "low-contrast") or f in whole.scene.flags)


def _creep(read: Sequence[Result], effects: RandomEffects) -> tuple[float, float] | None:
    """A proven straight movement of the offset over the burst, % of the aperture radius."""
    if len(read) < 4 or not moving(effects):
        return None
    values = np.array([[r.assessment.offset_x_percent, r.assessment.offset_y_percent] for r in read], dtype=np.float64)
    moved, chance = trend(values)
    return (float(moved[0]), float(moved[1])) if chance < NO_TREND else None


def _described(found: _Found, results: Sequence[Result], given: int, repeated: int, unread: int) -> Burst:
    """The burst with its own fields and sentences."""
    effects, group, result = found.effects, found.group, found.result
    files = {r.frame.file for r in results}
    values: dict[str, Any] = {
        "file": files.pop() if len(files) == 1 else None,
        "page": None,
        "frames_given": given,
        "frames_used": found.used,
    }
    if effects is not None:
        # Means of several frames move less than the frames do.
        scale = float(np.sqrt(group))
        matrices: dict[str, Array] = {"aperture_jitter_px": np.eye(4)[:2], "beam_jitter_px": np.eye(4)[2:]}
        if result.scene.aperture is not None:
            matrices["offset_jitter_percent"] = _to_percent(result.scene.aperture)
        for name, matrix in matrices.items():
            values[name], values[f"{name}_sigma"] = effects.spread(scale * matrix)
    assessment = replace(result.assessment, **values)
    left_out = len(results) - found.used
    headline, *rest = result.advice.sentences or ("",)
    about = told(
        assessment,
        moves=effects is not None and moving(effects),
        repeated=repeated,
        left_out=left_out,
        group=group,
        creep=found.creep,
    )
    advice = replace(result.advice, sentences=(headline, *about, *rest))
    return Burst(
        replace(result, assessment=assessment, advice=advice),
        given=given,
        used=found.used,
        repeated=repeated,
        left_out=left_out,
        unread=unread,
        way=found.way,
        group=group,
        effects=effects,
        creep_percent=found.creep,
    )


def _to_percent(aperture: Edge) -> Array:
    """Centers (aperture x, y, beam x, y; px) → offset in the aperture plane, %: shape (2, 4)."""
    plane = 100.0 * aperture.to_round() / aperture.radius
    return np.concatenate([-plane, plane], axis=1)
