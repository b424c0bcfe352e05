"""The stages behind the fit give the numbers of the day they were frozen (stages.py freezes them anew).

Seven digits: the same formulas on another processor or with another NumPy differ in the last two or three of sixteen,
and a difference quotient (the scores' σ) loses half of them.
"""

import importlib.util
import json
from pathlib import Path
from typing import Any

import pytest

_PLACE = Path(__file__).with_name("stages.py")
_SPEC = importlib.util.spec_from_file_location("frozen_stages", _PLACE)
assert _SPEC is not None
assert _SPEC.loader is not None
stages = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(stages)

KEPT: dict[str, Any] = json.loads(stages.FROZEN.read_text(encoding="utf-8"))


def assert_same(ours: Any, kept: Any, where: str) -> None:
    if isinstance(kept, dict):
        assert set(ours) == set(kept), where
        for key, value in kept.items():
            assert_same(ours[key], value, f"{where}/{key}")
    elif isinstance(kept, list):
        assert len(ours) == len(kept), where
        for i, value in enumerate(kept):
            assert_same(ours[i], value, f"{where}/{i}")
    elif isinstance(kept, float):
        assert ours == pytest.approx(kept, rel=1e-7, abs=1e-10), where
    else:
        assert ours == kept, where


@pytest.mark.parametrize("number", range(stages.COUNT))
def test_a_scene_tells_what_it_told(number: int) -> None:
    assert_same(json.loads(json.dumps(stages.line(number))), KEPT["lines"][number], f"scene {number}")


def test_formulas_give_what_they_gave() -> None:
    assert_same(dict(stages.formulas()), KEPT["formulas"], "formulas")


def test_the_scenes_reach_every_verdict_and_most_reasons() -> None:
    """What is frozen is worth freezing: all four verdicts, all ways in the budget, many reasons."""
    lines = KEPT["lines"]
    assert {k["verdict"] for k in lines} == {"leave", "nudge", "auto", "retake"}
    assert len({r for k in lines for r in k["reasons"]}) >= 20
    assert sum("working_score" in k["told"] for k in lines) >= 25
    assert sum(bool(k["move"]) for k in lines) >= 8
