"""The Python API: ``apertrue.assess``."""

import io
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from html import escape
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, overload

from numpy.typing import NDArray

from .advice import Advice, Context
from .assessment import Assessment
from .errors import picture_name
from .frame import Frame, as_frame
from .instrument import Instrument, find_instrument
from .judging import Setup, judge_frame, kept_calibrations
from .pipeline import Result
from .readers import ReadOptions, read_frames
from .registry.format import format_value
from .scene import Hints, Scene

if TYPE_CHECKING:
    from .burst import Burst

__all__ = ["Combined", "Judged", "assess", "combine"]


class Judged(Assessment):
    """One judged picture: all fields of :class:`~apertrue.assessment.Assessment`, and what they came from.

    Fields are attributes (``judged.offset_percent``, ``judged.offset_percent_sigma``; ``None`` = not measured);
    :meth:`to_dict` gives the fields as ``apertrue assess --json`` prints them. In a notebook it shows its overlay.
    """

    __slots__ = ("_result",)
    _result: Result

    def __init__(self, result: Result) -> None:
        # Frozen, so the fields can't be assigned; this is the one place that fills them.
        for name in Assessment.__dataclass_fields__:
            object.__setattr__(self, name, getattr(result.assessment, name))
        object.__setattr__(self, "_result", result)

    def __reduce__(self) -> tuple[type["Judged"], tuple[Result]]:
        return type(self), (self._result,)

    @property
    def assessment(self) -> Assessment:
        """The fields alone, as a plain dataclass."""
        return self._result.assessment

    @property
    def result(self) -> Result:
        """Frame, scene, assessment and advice together."""
        return self._result

    @property
    def frame(self) -> Frame:
        """The picture."""
        return self._result.frame

    @property
    def located(self) -> Scene:
        """Edges, levels, noise and their covariance."""
        return self._result.scene

    @property
    def advice(self) -> Advice:
        """The verdict with its reasons, budget and move."""
        return self._result.advice

    @property
    def sentences(self) -> tuple[str, ...]:
        """The advice in words, headline first."""
        return self._result.advice.sentences

    def overlay(self) -> Any:
        """The picture with edges, centers, the needed move and the numbers: a :class:`PIL.Image.Image`."""
        from .overlay import draw_overlay

        return draw_overlay(self._result)

    def __repr__(self) -> str:
        parts = [f"{self.verdict}: {self.scene}"]
        if self.offset_percent is not None:
            toward = "" if self.offset_direction_deg is None else f" toward {self.offset_direction_deg:.0f}°"
            parts.append(f"offset {self._said('offset_percent')} of the aperture radius{toward}")
        if self.gap_percent is not None:
            parts.append(f"gap {self._said('gap_percent')}")
        if self.working_score is not None:
            parts.append(f"working score {self._said('working_score')}")
        if self.flags:
            parts.append(f"flags {', '.join(self.flags)}")
        if self.file is not None:
            parts.append(picture_name(self.file, self.page))
        return f"<apertrue {', '.join(parts)}>"

    def _said(self, name: str) -> str:
        return format_value(name, getattr(self, name), getattr(self, f"{name}_sigma"))

    def _repr_html_(self) -> str:
        """The overlay and the sentences, for notebooks; text is escaped."""
        from base64 import b64encode

        buffer = io.BytesIO()
        self.overlay().save(buffer, format="PNG")
        picture = b64encode(buffer.getvalue()).decode("ascii")
        said = "".join(f"<li>{escape(s)}</li>" for s in self.sentences)
        return (
            '<div style="max-width:640px">'
            f'<img alt="{escape(repr(self), quote=True)}" style="width:100%" src="data:image/png;base64,{picture}">'
            f"<ul>{said}</ul></div>"
        )


class Combined(Judged):
    """Frames of one scene, judged together: the fields of :class:`Judged` for all of them, and each on its own.

    ``frames_given``, ``frames_used``, ``aperture_jitter_px``, ``beam_jitter_px`` and ``offset_jitter_percent`` are set;
    the picture of :meth:`overlay` is the mean of the frames.
    """

    __slots__ = ("_burst", "_pages")
    _burst: "Burst"
    _pages: tuple[Judged, ...]

    def __init__(self, burst: "Burst", pages: tuple[Judged, ...]) -> None:
        Judged.__init__(self, burst.result)
        object.__setattr__(self, "_burst", burst)
        object.__setattr__(self, "_pages", pages)

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self._burst, self._pages)

    @property
    def pages(self) -> tuple[Judged, ...]:
        """Each frame on its own, in the order given."""
        return self._pages

    @property
    def burst(self) -> "Burst":
        """How they were combined, how many were left out and why, and the jitter's covariance."""
        return self._burst

    def __repr__(self) -> str:
        return f"{Judged.__repr__(self)[:-1]}, {self.frames_used} of {self.frames_given} frames>"


Source = str | PathLike[str] | Frame | NDArray[Any]


@overload
def assess(
    source: Frame | NDArray[Any],
    *,
    page: None = None,
    instrument: Instrument | str | PathLike[str] | None = None,
    hints: Hints | None = None,
    context: Context | None = None,
    options: ReadOptions | None = None,
    now: bool = False,
) -> Judged: ...


@overload
def assess(
    source: str | PathLike[str],
    *,
    page: int,
    instrument: Instrument | str | PathLike[str] | None = None,
    hints: Hints | None = None,
    context: Context | None = None,
    options: ReadOptions | None = None,
    now: bool = False,
) -> Judged: ...


@overload
def assess(
    source: str | PathLike[str],
    *,
    page: None = None,
    instrument: Instrument | str | PathLike[str] | None = None,
    hints: Hints | None = None,
    context: Context | None = None,
    options: ReadOptions | None = None,
    now: bool = False,
) -> Any: ...


def assess(
    source: Source,
    *,
    page: int | None = None,
    instrument: Instrument | str | PathLike[str] | None = None,
    hints: Hints | None = None,
    context: Context | None = None,
    options: ReadOptions | None = None,
    now: bool = False,
) -> Any:
    """Judge one picture.

    Args:
        source: a picture file, a 2-D array (rows downward, more light = larger) or a frame.
        page: the page of a stack, from 0; all pages when ``None``.
        instrument: the instrument or its file; ``None`` = the one that the command line would use. Beside a file lie
            its shift calibrations, which give the move; with an :class:`Instrument` put it into ``context``.
        hints: what is known before looking.
        context: what is known beside the picture.
        options: limits of reading, and what fills gaps.
        now: whether to hold the picture's stated time against the clock, so that an old one is called stale.

    Returns:
        One :class:`Judged`; for a file of several pages, without ``page``, a list of them in order.

    Raises:
        ReadError: the file can't be read; its text says why and what to do.
        InstrumentError: the instrument file is wrong; its text names the key.
        CalibrationError: the file of calibrations beside it can't be read.
    """
    setup = _setup(instrument, hints, context, options, now)
    if isinstance(source, str | PathLike):
        judged = [Judged(judge_frame(frame, setup)) for frame in _pages(source, page, setup.options)]
        return judged[0] if len(judged) == 1 else judged
    if page:
        raise ValueError(f"an array or frame has no page {page}; give the page's own 2-D array")
    return Judged(judge_frame(as_frame(source), setup))


def combine(
    source: Source | Iterable[Source],
    *,
    instrument: Instrument | str | PathLike[str] | None = None,
    hints: Hints | None = None,
    context: Context | None = None,
    options: ReadOptions | None = None,
    now: bool = False,
) -> Combined:
    """Judge frames of one scene and combine them: σ falls as 1/√N, and their jitter is told apart from the noise.

    Args:
        source: a stack's file, a 3-D array (frame, row, column), or several files, 2-D arrays or frames in the order
            taken.
        instrument, hints, context, options, now: as in :func:`assess`.

    Raises:
        ReadError: a file can't be read; its text says why and what to do.
        BurstError: the frames are not of one scene (sizes or states differ).
        InstrumentError, CalibrationError: as in :func:`assess`.

    >>> a = apertrue.combine("stack.tif")  # doctest: +SKIP
    >>> a.offset_percent, a.offset_percent_sigma, a.beam_jitter_px, a.frames_used  # doctest: +SKIP
    """
    from .burst import combine as combined

    setup = _setup(instrument, hints, context, options, now)
    given = [source] if isinstance(source, str | PathLike | Frame) else list(source)
    pages: list[Judged] = []

    def judged() -> Iterator[Result]:
        for one in given:
            for frame in _pages(one, None, setup.options) if isinstance(one, str | PathLike) else (as_frame(one),):
                result = judge_frame(frame, setup)
                pages.append(Judged(result))
                yield result

    return Combined(combined(judged(), setup), tuple(pages))


def _setup(
    instrument: Instrument | str | PathLike[str] | None,
    hints: Hints | None,
    context: Context | None,
    options: ReadOptions | None,
    now: bool,
) -> Setup:
    if isinstance(instrument, Instrument):
        found, file = instrument, None
    else:
        found, file = find_instrument(instrument)
    return Setup(
        instrument=found,
        hints=hints or Hints(),
        options=options or ReadOptions(timezone=found.timezone),
        now=datetime.now(UTC) if now else None,
        context=context or Context(),
        calibrations=() if isinstance(instrument, Instrument) else kept_calibrations(file),
    )


def _pages(source: str | PathLike[str], page: int | None, options: ReadOptions) -> Iterator[Frame]:
    name = source if isinstance(source, str) else Path(source)
    return read_frames(name, pages=None if page is None else (page,), options=options)
