"""Generic metadata: documented spellings, units stated or none taken."""

import pytest

from apertrue.readers.metadata.keys import KEYS, facts_from_text, words_of
from apertrue.readers.metadata.times import parse_time
from apertrue.registry import FIELDS


@pytest.mark.parametrize(
    ("text", "field", "value"),
    [
        ("kv = 200", "kv", 200.0),
        ("kV: 200 kV", "kv", 200.0),
        ("High tension: 200 kV", "kv", 200.0),
        ("HighTension_kV\t200", "kv", 200.0),
        ("acceleration-voltage [V] = 2e5", "kv", 200.0),
        ("Accelerating voltage (kV): 80", "kv", 80.0),
        ("beam energy = 60 keV", "kv", 60.0),
        ("Condenser aperture = 70 µm", "aperture_um", 70.0),
        ("condenser aperture diameter: 0.15 mm", "aperture_um", 150.0),
        ("aperture_um = 50", "aperture_um", 50.0),
        ("Magnification: 12 kx", "magnification", 12000.0),
        ("mag = 50000", "magnification", 50000.0),
        ("spot size: 3", "spot", "3"),
        ("Gun lens focus = -40.5", "gun_focus", -40.5),
        ("gun_shift_x = 1.25", "gun_shift_x", 1.25),
        ("GunShift X: -3", "gun_shift_x", -3.0),
        ("screen current = 1.5 nA", "current_pa", 1500.0),
        ("current: 20 pA", "current_pa", 20.0),
        ("beam current [A] = 2e-11", "current_pa", 20.0),
        ("current_pa = 0", "current_pa", 0.0),
        ("Focus side: Negative", "focus_side", "negative"),
        ("Camera = screen 2", "camera", "screen 2"),
        ("stored gun setting: morning", "setting", "morning"),
    ],
)
def test_understood(text, field, value):
    taken = facts_from_text(text).state[field]
    assert taken == (pytest.approx(value) if isinstance(value, float) else value)


@pytest.mark.parametrize(
    "text",
    [
        "high tension = 200",  # no unit
        "kv = 200000 V",  # key and value contradict each other
        "current = 3",
        "current = 3 apples",
        "aperture = 70",
        "objective aperture = 70 µm",
        "emission current = 40 uA",
        "defocus = 1 um",
        "kv = high",
        "kv = -200",
        "kv = 1e999",
        "kv = nan",
        "magnification = 0",
        "gun shift x = 1,5",  # a decimal comma could be two numbers
        "focus side = left",
        "a sentence that mentions 200 kV",
        "spot = ",
        "",
        "{broken json",
        "[1, 2, 3]",
    ],
)
def test_not_taken(text):
    assert dict(facts_from_text(text).state) == {}


def test_other_facts():
    text = (
        "Exposure time [ms] = 250\ncamera pixel size: 14 µm\nsaturation level = 16383\n"
        "linear = yes\nAcquired = 2026-03-14 09:26:53"
    )
    facts = facts_from_text(text)
    assert facts.exposure_s == pytest.approx(0.25)
    assert facts.pixel_size_um == 14.0
    assert facts.saturation == 16383.0
    assert facts.linear is True
    assert facts.taken_at.isoformat() == "2026-03-14T09:26:53"


def test_the_first_statement_wins_and_one_line_may_hold_several():
    facts = facts_from_text("kv = 200; spot = 4; gun focus = 12\nkv = 80")
    assert dict(facts.state) == {"kv": 200.0, "spot": "4", "gun_focus": 12.0}


def test_nested_json():
    text = """{"gun": {"shift_x": 1.5, "shift_y": -2, "focus": {"value": 30}},
      "beam": {"current": {"value": 0.3, "unit": "nA"}}, "detector": {"current": "5 nA", "name": "screen 1"},
      "heater": {"voltage": "5 V", "tension": "3 V"}}"""
    state = facts_from_text(text).state
    assert state["gun_shift_x"] == 1.5
    assert state["gun_shift_y"] == -2.0
    assert state["current_pa"] == pytest.approx(300.0)
    assert state["camera"] == "screen 1"
    assert "kv" not in state  # a heater's voltage is not the high tension


def test_hostile_text():
    deep = "[" * 100_000
    assert dict(facts_from_text(deep).state) == {}
    assert dict(facts_from_text('{"a":' * 50 + '{"kv": 200}' + "}" * 50).state) == {}
    many = "\n".join(f"key{i} = {i}" for i in range(30_000)) + "\nkv = 200"
    assert dict(facts_from_text(many).state) == {}
    assert dict(facts_from_text("=" * 100_000 + "\n" + ":" * 100_000).state) == {}


def test_every_state_field_has_spellings_and_every_spelling_one_field():
    fields = {f.name for f in FIELDS if f.group == "state"} - {"state_source"}
    own = {"exposure_s", "pixel_size_um", "saturation", "linear", "taken_at"}
    assert {key.field for key in KEYS} == fields | own
    spellings = [name for key in KEYS for name in key.names | key.top]
    assert len(spellings) == len(set(spellings))
    assert all(words_of(name) == name for name in spellings)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026:03:14 09:26:53", "2026-03-14T09:26:53"),
        ("2026-03-14T09:26:53Z", "2026-03-14T09:26:53+00:00"),
        ("2026-03-14T09:26:53.25+01:00", "2026-03-14T09:26:53.250000+01:00"),
        ("2026-03-14 09:26", "2026-03-14T09:26:00"),
        ("2026/03/14 09:26:53,5", "2026-03-14T09:26:53.500000"),
        ("Sat, 14 Mar 2026 09:26:53 +0000", "2026-03-14T09:26:53+00:00"),
        ("14 Mar 2026 09:26:53 GMT", "2026-03-14T09:26:53+00:00"),
        ("2026:03:14 09:26:53\0", "2026-03-14T09:26:53"),
    ],
)
def test_times(text, expected):
    assert parse_time(text).isoformat() == expected


@pytest.mark.parametrize(
    "text",
    [
        "",
        "0000:00:00 00:00:00",
        "    :  :     :  :  ",
        "03/04/25 12:00",
        "2026-13-01T00:00:00",
        "1904-01-01T00:00:00",
        "yesterday",
        "2026-03-14",
        "1741944413",
        "Sat, 14 Foo 2026 09:26:53 +0000",
    ],
)
def test_no_times(text):
    assert parse_time(text) is None
