"""Engineering numbers: SPICE reading, values with units, writing."""

from __future__ import annotations

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcheck.errors import NetcheckError
from netcheck.units import format_quantity, parse_quantity, parse_spice_value, six_digits


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        ("470", "r", 470.0),
        ("4.7k", "r", 4700.0),
        ("4.7K", "r", 4700.0),
        ("1meg", "r", 1e6),
        ("1MEG", "r", 1e6),
        ("2.2Megohm", "r", 2.2e6),
        ("1m", "i", 1e-3),
        ("1M", "i", 1e-3),
        ("100n", "c", 100e-9),
        ("100nF", "c", 100e-9),
        ("22u", "c", 22e-6),
        ("10p", "c", 10e-12),
        ("1f", "r", 1e-15),
        ("1t", "r", 1e12),
        ("2g", "r", 2e9),
        ("1e3", "r", 1e3),
        ("1.5e-3k", "r", 1.5),
        (".5", "r", 0.5),
        ("-38V", "v", -38.0),
        ("+5", "v", 5.0),
        ("5A", "i", 5.0),
        ("470R", "r", 470.0),
        ("470ohm", "r", 470.0),
    ],
)
def test_spice_values_without_a_ruling(text: str, kind: str, expected: float) -> None:
    read = parse_spice_value(text, kind)  # type: ignore[arg-type]

    assert read.value == expected
    assert read.rulings == ()


@pytest.mark.parametrize(
    ("text", "kind", "expected", "rule", "level"),
    [
        ("4k7", "r", 4700.0, "value-engineer-style", "note"),
        ("2R2", "r", 2.2, "value-engineer-style", "note"),
        ("1M5", "r", 1.5e6, "value-engineer-style", "note"),
        ("4u7", "c", 4.7e-6, "value-engineer-style", "note"),
        ("4n7F", "c", 4.7e-9, "value-engineer-style", "note"),
        ("1M", "r", 1e-3, "value-bare-m", "warning"),
        ("470M", "r", 0.47, "value-bare-m", "warning"),
        ("1Mohm", "r", 1e-3, "value-bare-m", "warning"),
        ("1MΩ", "r", 1e-3, "value-bare-m", "warning"),
        ("1m", "r", 1e-3, "value-bare-m", "note"),
        ("10MFD", "c", 10e-6, "value-mfd", "warning"),
        ("10mfd", "c", 10e-6, "value-mfd", "warning"),
        ("100mmf", "c", 100e-12, "value-mmf", "warning"),
        ("100uuF", "c", 100e-12, "value-mmf", "warning"),
        ("10mF", "c", 10e-3, "value-millifarad", "warning"),
        ("1F", "c", 1e-15, "value-farad", "warning"),
        ("10\N{MICRO SIGN}F", "c", 10e-6, "value-micro-sign", "note"),
        ("10\N{GREEK SMALL LETTER MU}F", "c", 10e-6, "value-micro-sign", "note"),
        ("4.7k\N{OHM SIGN}", "r", 4700.0, "value-ohm-sign", "note"),
        ("4.7k\N{GREEK CAPITAL LETTER OMEGA}", "r", 4700.0, "value-ohm-sign", "note"),
        ("10mil", "r", 254e-6, "value-mil", "warning"),
    ],
)
def test_each_ruling_says_how_it_read(
    text: str, kind: str, expected: float, rule: str, level: str
) -> None:
    read = parse_spice_value(text, kind)  # type: ignore[arg-type]

    assert read.value == pytest.approx(expected, rel=1e-15)
    assert [(ruling.rule, ruling.level) for ruling in read.rulings] == [(rule, level)]
    assert f"`{text}`" in read.rulings[0].message


def test_engineer_style_tells_what_others_read() -> None:
    message = parse_spice_value("2M2", "r").rulings[0].message

    assert "2.2 Mohm" in message
    assert "2 mohm" in message


@pytest.mark.parametrize(
    "text", ["", "k", "4,7k", "10u/63V", "1.2.3", "nan", "inf", "1e400", "1e999999999999", "0x10"]
)
def test_what_is_no_number_is_refused_with_a_hint(text: str) -> None:
    with pytest.raises(NetcheckError) as caught:
        parse_spice_value(text, "r")

    assert caught.value.hint


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("20Mohm", "ohm", 20e6),
        ("20 Mohm", "ohm", 20e6),
        ("20M", "ohm", 20e6),
        ("1meg", "ohm", 1e6),
        ("10MΩ", "ohm", 10e6),
        ("4k7", "ohm", 4700.0),
        ("2R2", "ohm", 2.2),
        ("5W", "W", 5.0),
        ("500mW", "W", 0.5),
        ("400V", "V", 400.0),
        ("1.2kV", "V", 1200.0),
        ("120mA", "A", 0.12),
        ("22µF", "F", 22e-6),
        ("5%", "%", 0.05),
        ("60y", "y", 60.0),
        ("2800", "", 2800.0),
        ("1MHz", "Hz", 1e6),
        ("2mH", "H", 2e-3),
        ("10m", "H", 10e-3),
    ],
)
def test_quantities_carry_units_and_m_is_mega(text: str, unit: str, expected: float) -> None:
    assert parse_quantity(text, unit) == pytest.approx(expected, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("5V", "W"),
        ("5", "%"),
        ("", "V"),
        ("W", "W"),
        ("5 kturns", ""),
        ("5ky", "y"),
        ("1e999", "V"),
    ],
)
def test_wrong_units_are_refused(text: str, unit: str) -> None:
    with pytest.raises(NetcheckError):
        parse_quantity(text, unit)


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (4700.0, "ohm", "4.7 kohm"),
        (999.96, "V", "1 kV"),
        (99.99999, "V", "100 V"),
        (0.0473, "A", "47.3 mA"),
        (22e-6, "F", "22 uF"),
        (-38.25, "V", "-38.25 V"),
        (0.0, "W", "0 W"),
        (-0.0, "W", "0 W"),
        (0.05, "%", "5 %"),
        (60.0, "y", "60 y"),
        (2800.0, "", "2800"),
        (math.inf, "ohm", "inf ohm"),
    ],
)
def test_numbers_are_written_for_people(value: float, unit: str, expected: str) -> None:
    assert format_quantity(value, unit) == expected


@given(st.floats(min_value=1e-11, max_value=1e9), st.sampled_from(["ohm", "V", "A", "F", "W"]))
def test_what_is_written_reads_back(value: float, unit: str) -> None:
    assert parse_quantity(format_quantity(value, unit, 9), unit) == pytest.approx(value, rel=1e-8)


@given(
    st.floats(min_value=1e-3, max_value=999, allow_subnormal=False),
    st.sampled_from([("t", 12), ("g", 9), ("meg", 6), ("k", 3), ("u", -6), ("n", -9), ("p", -12)]),
)
def test_a_suffix_gives_the_nearest_float(number: float, suffix: tuple[str, int]) -> None:
    text, exponent = suffix
    digits = f"{number:.6f}"

    assert parse_spice_value(digits + text).value == float(f"{digits}e{exponent}")


@given(st.text(max_size=12))
def test_any_text_reads_or_is_refused(text: str) -> None:
    for read in (lambda: parse_spice_value(text, "r").value, lambda: parse_quantity(text, "ohm")):
        with contextlib.suppress(NetcheckError):
            assert math.isfinite(read())


def test_six_digits_are_significant() -> None:
    assert six_digits(123456.789) == 123457.0
    assert six_digits(1.23456789e-9) == 1.23457e-9
    assert math.isnan(six_digits(math.nan))
    assert str(six_digits(-0.0)) == "0.0"
