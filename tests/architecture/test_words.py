"""The registry and everything that must agree with it: the dataclass, the remedies, the words of the trade."""

import re
from dataclasses import fields
from pathlib import Path
from typing import get_type_hints

import pytest

from apertrue.assessment import Assessment
from apertrue.frame import State
from apertrue.registry import (
    FIELDS,
    FLAGS,
    REASONS,
    SCENE_WORDS,
    VERDICT_WORDS,
    Flag,
    Reason,
    SceneKind,
    Verdict,
    field_names,
)

ROOT = Path(__file__).resolve().parents[2]
KINDS = {"text": str | None, "texts": tuple[str, ...] | None, "whole": int | None, "real": float | None}


def test_the_assessment_has_the_registry_s_fields_in_its_order() -> None:
    assert [f.name for f in fields(Assessment)] == list(field_names())


def test_the_assessment_s_types_are_the_registry_s() -> None:
    hints = get_type_hints(Assessment)
    for field in FIELDS:
        assert hints[field.name] == KINDS[field.kind], field.name
        if field.measured:
            assert hints[f"{field.name}_sigma"] == float | None, field.name


def test_the_state_s_fields_are_the_registry_s() -> None:
    state = [f.name for f in FIELDS if f.group == "state" and f.name != "state_source"]
    assert [f.name for f in fields(State) if f.name != "sources"] == state


def test_names_carry_their_unit() -> None:
    suffixes = {
        "px": "_px",
        "deg": "_deg",
        "µm": "_um",
        "% of the aperture radius": "_percent",
        "%": "_percent",
        "pA": "_pa",
    }
    for field in FIELDS:
        if field.unit in suffixes:
            assert field.name.endswith(suffixes[field.unit]), field.name


def test_every_scene_and_verdict_has_words() -> None:
    assert set(SCENE_WORDS) == set(SceneKind)
    assert set(VERDICT_WORDS) == set(Verdict)


ENTRIES = [*FLAGS.values(), *REASONS.values()]


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda e: e.id)
def test_flags_and_reasons_are_complete(entry: Flag | Reason) -> None:
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", entry.id)
    assert entry.sentence.endswith(".")
    assert entry.remedy.endswith(".")
    assert entry.threshold
    assert ";" not in entry.id + ",".join(FLAGS)


RAISES = re.compile(
    r"expose (for )?longer|longer exposure|average several|spread (the beam )?(until|less)|surround visible"
    r"|focus the beam|lower (the )?magnification",
    re.IGNORECASE,
)


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda e: e.id)
def test_a_remedy_that_may_raise_the_load_asks_first_which_detector_is_in(entry: Flag | Reason) -> None:
    asks = entry.remedy.find("which detector is in and what it may take")
    if entry.raises_load:
        assert asks >= 0
    text = re.sub(r"Do not [^.]*\.", "", entry.remedy)  # what it warns of is no advice
    for advice in RAISES.finditer(text):
        if any(word in advice.group().lower() for word in ("less", "longer", "visible", "magnification")):
            assert entry.raises_load, f"{entry.id} advises to {advice.group()!r}"


def texts() -> list[Path]:
    places = [ROOT / "src", ROOT / "docs"]
    found = [p for place in places if place.exists() for p in place.rglob("*") if p.suffix in {".py", ".md", ".html"}]
    return sorted([*found, *ROOT.glob("*.md")])


#: Words that would mean two things in this trade, and the words to use.
AMBIGUOUS = {
    r"\b(camera|dark|detector|pixel|readout)('s)? offset\b": "bias",
    r"\boffset of the (camera|detector|dark)\b": "bias",
    r"\b(camera|detector|pixel|sensor)('s)? clipping\b": "saturation",
    r"\bclipped (pixels|gray levels|highlights)\b": "saturated",
    r"\b(settings|instrument|user) profile\b": "instrument file",
}
BRITISH = re.compile(
    r"\b(centre|centred|centring|colour|coloured|grey|behaviour|neighbour|metre|analyse)\w*\b", re.IGNORECASE
)


@pytest.mark.parametrize("file", texts(), ids=lambda f: f.relative_to(ROOT).as_posix())
def test_words_of_the_trade_mean_one_thing_and_are_spelled_one_way(file: Path) -> None:
    for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), start=1):
        for pattern, instead in AMBIGUOUS.items():
            assert not re.search(pattern, line, re.IGNORECASE), f"{file.name}:{number}: say {instead}: {line.strip()}"
        found = BRITISH.search(line)
        assert not found, f"{file.name}:{number}: American spelling: {found.group() if found else ''}"
