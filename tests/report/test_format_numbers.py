"""The one formatter of numbers."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apertrue.registry import FIELDS
from apertrue.registry.format import as_current, format_number, format_value, heading, number_typed, unit_symbol


@pytest.mark.parametrize(
    ("value", "sigma", "text"),
    [
        (12.3456, 0.4321, "12.3 ± 0.4"),
        (12.3456, 0.1234, "12.35 ± 0.12"),
        (12.3456, 0.0296, "12.35 ± 0.03"),
        (12.3456, 0.0294, "12.346 ± 0.029"),
        (12.3456, 0.096, "12.35 ± 0.10"),
        (1234.5, 35.0, "1230 ± 40"),
        (1234.5, 12.0, "1234 ± 12"),
        (-0.0001, 0.3, "0.0 ± 0.3"),
        (-3.21, 0.5, "−3.2 ± 0.5"),
        (3.0, 1e-12, "3.000000 ± 0.000000"),
        (3.14159, None, "3.14"),
        (3.14159, 0.0, "3.14"),
        (None, None, "—"),
        (float("nan"), 1.0, "—"),
        (float("inf"), None, "—"),
    ],
)
def test_digits_follow_the_doubt(value: float | None, sigma: float | None, text: str) -> None:
    assert format_number(value, sigma) == text


@pytest.mark.parametrize(
    ("name", "value", "sigma", "text"),
    [
        ("offset_percent", 12.34, 0.42, "12.3 ± 0.4 %"),
        ("move_direction_deg", 220.16, 3.4, "220 ± 3°"),
        ("offset_um", 1.234, 0.021, "1.234 ± 0.021 µm"),
        ("working_score", 97.04, 0.55, "97.0 ± 0.6"),
        ("kv", 200.0, None, "200 kV"),
        ("gun_focus", -40.0, None, "−40"),
        ("current_pa", 22.5, None, "22.5 pA"),
        ("page", 3, None, "3"),
        ("scene", "both-edges", None, "both-edges"),
        ("flags", ["noisy", "uneven"], None, "noisy, uneven"),
        ("flags", "noisy;uneven", None, "noisy, uneven"),
        ("flags", (), None, "none"),
        ("flags", None, None, "—"),
        ("gap_percent", None, None, "—"),
    ],
)
def test_fields(name: str, value: object, sigma: float | None, text: str) -> None:
    assert format_value(name, value, sigma) == text


def test_headings_carry_the_unit() -> None:
    assert heading("offset_percent") == "offset, %"
    assert heading("working_score") == "working score"
    assert format_value("offset_percent", 1.0, 0.1, unit=False) == "1.00 ± 0.10"
    assert all(isinstance(unit_symbol(f.name), str) for f in FIELDS)


@given(st.floats(-1e6, 1e6), st.floats(1e-5, 1e5))
def test_what_is_printed_is_the_value_within_its_doubt(value: float, sigma: float) -> None:
    shown, doubt = (float(t.replace("−", "-")) for t in format_number(value, sigma).split(" ± "))
    assert abs(shown - value) <= 0.18 * sigma + 1e-9
    assert 0.8 * sigma <= doubt <= 1.2 * sigma


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1.5", 1.5),
        ("1,5", 1.5),
        (" −2,25 ", -2.25),
        ("-.5", -0.5),
        ("1e3", 1000.0),
        ("1.234,5", None),
        ("1e999", None),
        ("nan", None),
        ("inf", None),
        ("1_000", None),
        ("", None),
    ],
)
def test_what_a_person_types_is_a_finite_number_or_none(text, value):
    assert number_typed(text) == value


def test_each_reading_says_what_it_may_be():
    for f in FIELDS:
        if f.group == "state" and f.kind == "real":
            assert f.allowed
            assert not f.allows(float("nan"))
            assert f.allows(70.0)
            assert f.allows(-1.0) == (f.low is None and f.above is None)


@pytest.mark.parametrize(
    ("pa", "text"),
    [
        (38.04, "38 pA"),
        (0.0, "0 pA"),
        (999.4, "999 pA"),
        (999.7, "1 nA"),
        (1000.0, "1 nA"),
        (1234.0, "1.23 nA"),
        (-1234.0, "-1.23 nA"),
        (25300.0, "25.3 nA"),
    ],
)
def test_a_current_is_written_in_three_digits_of_its_unit(pa, text):
    assert as_current(pa) == text
