"""The instrument file: what it holds survives a round trip, and what is wrong is named by its key."""

from dataclasses import fields
from pathlib import Path
from types import MappingProxyType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from apertrue.errors import InstrumentError
from apertrue.instrument import (
    ENVIRONMENT_VARIABLE,
    Camera,
    Console,
    Costs,
    Instrument,
    Limits,
    Working,
    default_instrument_path,
    dumps_instrument,
    find_instrument,
    load_instrument,
    loads_instrument,
)
from apertrue.instrument.schema import CAMERA, SECTIONS, TOP, Key

CLASSES = {"limits": Limits, "costs": Costs, "working": Working, "console": Console}


def uncommented(text: str) -> str:
    """The template with every example switched on."""
    lines = []
    for line in text.splitlines():
        bare = line.removeprefix("# ")
        is_example = line.startswith("# ") and (
            bare.startswith("[cameras.s") or (" = " in bare and bare.split(" = ")[0].isidentifier())
        )
        lines.append(bare if is_example else line)
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("keys", "settings_class"),
    [(keys, CLASSES[name]) for name, (_, keys) in SECTIONS.items()] + [(CAMERA, Camera)],
)
def test_each_setting_has_exactly_one_key(keys: tuple[Key, ...], settings_class: type) -> None:
    assert sorted(k.name for k in keys) == sorted(f.name for f in fields(settings_class))


def test_the_top_and_the_sections_cover_the_instrument() -> None:
    assert sorted([k.name for k in TOP] + [*SECTIONS, "cameras"]) == sorted(f.name for f in fields(Instrument))


def test_starting_values_are_allowed_values_and_survive_the_file() -> None:
    assert loads_instrument(dumps_instrument()) == Instrument()


def test_every_example_of_the_template_is_valid_when_switched_on() -> None:
    instrument = loads_instrument(uncommented(dumps_instrument()))
    assert instrument.default_camera == "screen"
    assert instrument.cameras["screen"].max_current_pa == 100.0
    assert instrument.cameras["screen"].aperture_radius_px == {"any": 410.0}
    assert instrument.working.focus_negative == -40.0
    assert instrument.apertures_um == (30.0, 50.0, 70.0)


def number(key: Key) -> st.SearchStrategy[float]:
    return st.floats(
        min_value=key.low if key.low is not None else key.above,
        max_value=key.high,
        exclude_min=key.above is not None,
        allow_nan=False,
        allow_infinity=False,
    )


def strategy(key: Key) -> st.SearchStrategy[object]:
    if key.words:
        return st.sampled_from(key.words)
    match key.kind:
        case "text":
            # What TOML can't hold at all is a lone surrogate; a line end becomes \n by its own rules.
            return st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20)
        case "truth":
            return st.booleans()
        case "whole":
            return st.integers(int(key.low or 0), int(key.high or 9))
        case "numbers":
            return st.lists(number(key), max_size=3).map(tuple)
        case "radii":
            magnifications = st.one_of(st.just("any"), st.integers(1, 10**6).map(lambda m: f"{float(m):g}"))
            return st.dictionaries(magnifications, number(key), max_size=3).map(MappingProxyType)
    return number(key)


def settings_of(keys: tuple[Key, ...]) -> st.SearchStrategy[dict[str, object]]:
    return st.fixed_dictionaries({}, optional={k.name: strategy(k) for k in keys})


names = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=12)
FREE = {
    "limits": (),
    "costs": SECTIONS["costs"][1],
    "working": SECTIONS["working"][1],
    "console": SECTIONS["console"][1][:1],
}


@settings(max_examples=30, deadline=None)
@given(st.data())
def test_any_instrument_survives_a_round_trip(data: st.DataObject) -> None:
    cameras = {n: Camera(**data.draw(settings_of(CAMERA))) for n in data.draw(st.lists(names, max_size=2, unique=True))}
    parts = {name: CLASSES[name](**data.draw(settings_of(keys))) for name, keys in FREE.items()}
    top = data.draw(settings_of(tuple(k for k in TOP if k.name in ("name", "apertures_um"))))
    default = data.draw(st.sampled_from([None, *cameras]))
    instrument = Instrument(**top, **parts, cameras=MappingProxyType(cameras), default_camera=default)
    assert loads_instrument(dumps_instrument(instrument)) == instrument


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "[limits]\nofset_leave = 3",
            "limits.ofset_leave is no key of the instrument file; did you mean limits.offset_leave",
        ),
        ("[limit]\n", "limit is no key of the instrument file; did you mean limits"),
        (
            "[limits]\noffset_leave = 'five'",
            'limits.offset_leave = "five" is not allowed; allowed: a number from 0 to 100',
        ),
        ("[limits]\noffset_leave = true", "limits.offset_leave = true is not allowed"),
        ("[limits]\noffset_leave = nan", "limits.offset_leave = nan is not allowed"),
        ("[limits]\noffset_leave = -1", "limits.offset_leave = -1 is not allowed"),
        ("[limits]\nhalf_cut = 0.0", "limits.half_cut = 0.0 is not allowed; allowed: a number above 0 and up to 1"),
        ("[limits]\nnudges_before_auto = 2.5", "allowed: a whole number from 1 to 100"),
        ("[costs]\ndose = 'speed'", 'costs.dose = "speed" is not allowed; allowed: one of "counts", "current"'),
        ("[costs]\nin_alignment_view = 'yes'", "allowed: true or false"),
        ("[limits]\noffset_leave = 30", "limits.offset_leave = 30 must be smaller than limits.offset_nudge = 25"),
        ("[limits]\nscore_leave = 80", "limits.score_nudge = 85 must be smaller than limits.score_leave = 80"),
        ("[console]\nshift_min = 5.0\nshift_max = 5.0", "console.shift_min = 5 must be smaller"),
        ("apertures_um = 70", "apertures_um = 70 is not allowed; allowed: a list of numbers above 0"),
        ("apertures_um = [0]", "allowed: a list of numbers above 0"),
        ("limits = 3", r"limits must be a table, written as \[limits\]"),
        ("cameras.a = 3", r"cameras.a must be a table, written as \[cameras.a\]"),
        ("[cameras.a]\naperture_radius_px = { big = 4.0 }", "cameras.a.aperture_radius_px = .* is not allowed"),
        ("[cameras.a]\ngamma = 2.2", "cameras.a.gamma is no key of the instrument file"),
        ("default_camera = 'a'", 'default_camera = "a" is not described; allowed: a camera of this file'),
        ("timezone = 'Nowhere/Atlantis'", "is no time zone; allowed: an IANA name"),
        ("name = 3", "name = 3 is not allowed; allowed: a text in quotes"),
        ("name = unquoted", "this is no valid TOML: .*line 1"),
    ],
)
def test_what_is_wrong_is_named_by_its_key(text: str, expected: str) -> None:
    with pytest.raises(InstrumentError, match=expected) as caught:
        loads_instrument(text, "lab.toml")
    assert str(caught.value).startswith("lab.toml: ")


def test_all_problems_are_told_at_once() -> None:
    with pytest.raises(InstrumentError) as caught:
        loads_instrument("colour = 1\n[limits]\noffset_leave = 'a'\n[costs]\nauto_min = -1\n")
    assert len(str(caught.value).splitlines()) == 3


def test_a_magnification_is_found_however_it_was_written() -> None:
    camera = loads_instrument('[cameras.a]\naperture_radius_px = { "2.50e4" = 400, any = 410 }').cameras["a"]
    assert camera.aperture_radius_px == {"25000": 400.0, "any": 410.0}


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"\xff\xfe\x00bad", "no text in UTF-8"),
        (b"#" * 1_000_001, "too large for an instrument file"),
    ],
)
def test_files_that_are_something_else(tmp_path: Path, content: bytes, expected: str) -> None:
    file = tmp_path / "lab.toml"
    file.write_bytes(content)
    with pytest.raises(InstrumentError, match=expected):
        load_instrument(file)


def test_a_folder_and_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(InstrumentError, match="can't be read"):
        load_instrument(tmp_path)
    with pytest.raises(InstrumentError, match=r"no such file\. Write one with: apertrue instrument"):
        load_instrument(tmp_path / "none.toml")


def test_an_editor_that_writes_a_byte_order_mark_is_forgiven(tmp_path: Path) -> None:
    file = tmp_path / "lab.toml"
    file.write_text('name = "µ"\n', encoding="utf-8-sig")
    assert load_instrument(file).name == "µ"


def test_where_the_instrument_file_is_looked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(ENVIRONMENT_VARIABLE, raising=False)
    monkeypatch.setattr("platformdirs.user_config_path", lambda *_, **__: tmp_path / "settings")
    assert find_instrument() == (Instrument(), None)
    default = default_instrument_path()
    default.parent.mkdir()
    default.write_text('name = "by default"', encoding="utf-8")
    assert find_instrument() == (Instrument(name="by default"), default)
    named = tmp_path / "named.toml"
    named.write_text('name = "by variable"', encoding="utf-8")
    monkeypatch.setenv(ENVIRONMENT_VARIABLE, str(named))
    assert find_instrument()[0].name == "by variable"
    assert find_instrument(default)[0].name == "by default"
    monkeypatch.setenv(ENVIRONMENT_VARIABLE, str(tmp_path / "gone.toml"))
    with pytest.raises(InstrumentError, match="no such file"):
        find_instrument()
