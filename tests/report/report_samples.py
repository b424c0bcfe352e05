"""Made-up results for the report's tests: pictures drawn here, numbers set by hand."""

import math

import numpy as np

from apertrue.advice import Advice, Option
from apertrue.assessment import Assessment
from apertrue.frame import Frame
from apertrue.pipeline import Result
from apertrue.registry import SceneKind, Verdict
from apertrue.scene import Edge, Scene

HOSTILE = "<img src=x onerror=\"document.title='owned'\">&\"'`=cmd|' /C calc'!A0\n{{7*7}}\u202e😀.tif"


def picture(offset: float = 12.0, angle: float = 40.0, side: int = 256) -> tuple[np.ndarray, Edge, Edge]:
    rng = np.random.default_rng(5)
    radius = side * 0.36
    aperture = Edge(side * 0.5, side * 0.52, radius, 0.01, 0.0)
    shift = radius * offset / 100
    beam = Edge(
        aperture.x + shift * math.cos(math.radians(angle)),
        aperture.y - shift * math.sin(math.radians(angle)),
        radius * 0.8,
        0.02,
        0.01,
    )
    y, x = np.mgrid[:side, :side]
    level = np.full((side, side), 100.0)
    level[np.hypot(x - aperture.x, y - aperture.y) < aperture.radius] += 60
    level[(np.hypot(x - beam.x, y - beam.y) < beam.radius) & (np.hypot(x - aperture.x, y - aperture.y) < radius)] += (
        1500
    )
    return rng.normal(level, 8.0), aperture, beam


def result(file: str = "day1/snap_0001.tif", offset: float = 12.0, verdict: Verdict = Verdict.NUDGE) -> Result:
    pixels, aperture, beam = picture(offset)
    assessment = Assessment(
        file=file,
        page=0,
        taken_at="2026-03-02T09:15:00+01:00",
        taken_at_source="file",
        scene="both-edges",
        scene_confidence=0.98,
        flags=("noisy",),
        verdict=str(verdict),
        reasons=("offset-over-leave", "cheapest"),
        aperture_x_px=aperture.x,
        aperture_x_px_sigma=0.05,
        offset_percent=offset,
        offset_percent_sigma=0.31,
        move_direction_deg=220.0,
        move_direction_deg_sigma=1.6,
        gap_percent=8.0,
        gap_percent_sigma=0.4,
        score=100.0,
        score_sigma=0.2,
        working_score=92.4,
        working_score_sigma=0.6,
        kv=200.0,
    )
    scene = Scene(SceneKind.BOTH_EDGES, 0.98, pixels.shape, ("noisy",), aperture, beam)
    advice = Advice(
        verdict,
        assessment.reasons or (),
        (
            Option(Verdict.LEAVE, 9.9, {"lost work": 9.9}, False, ("offset-over-leave",)),
            Option(Verdict.NUDGE, 2.3, {"moves": 2.0, "lost work": 0.3}),
        ),
        None,
        (
            "Make a small move by hand.",
            "The beam lies toward 40°; move it 12 % of the aperture radius toward 220°.",
        ),
    )
    return Result(Frame(pixels, file=file), scene, assessment, advice)
