"""Readings as text: what is read, and what is one clear error."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcheck.diagnose.readings import Reading, parse_reading
from netcheck.diagnose.situations import IDLE, POWER_OFF, SITUATIONS, TUBES_OUT
from netcheck.errors import NetcheckError


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("V(g4)=-31.2", Reading("volts", "g4", "0", -31.2, "idle")),
        (" v( p4 , ht ) = -2.5V ", Reading("volts", "p4", "ht", -2.5, "idle")),
        ("V(g4)=-37.2V@tubes_out", Reading("volts", "g4", "0", -37.2, "tubes_out")),
        ("I(R24)=34mA", Reading("amperes", "R24", "", 0.034, "idle")),
        ("W(X4)=12.8W@mains_80", Reading("watts", "X4", "", 12.8, "mains_80")),
        ("R(g4)=242kohm", Reading("ohms", "g4", "0", 242e3, "power_off")),
        ("ripple(ht)=yes", Reading("ripple", "ht", "", 1.0, "idle")),
        ("ripple(ht)=no", Reading("ripple", "ht", "", 0.0, "idle")),
    ],
)
def test_a_reading_is_read(text: str, expected: Reading) -> None:
    actual = parse_reading(text)

    assert actual == expected


@pytest.mark.parametrize(
    "text",
    ["", "g4=-31", "V(g4)", "V()=1", "V(a,b,c)=1", "I(a,b)=1", "V(g4)=3ohm", "Z(g4)=1",
     "ripple(ht)=maybe", "V(g4)=1@noon", "V(a,)=1"],
)  # fmt: skip
def test_what_is_no_reading_is_one_clear_error(text: str) -> None:
    with pytest.raises(NetcheckError):
        parse_reading(text)


@pytest.mark.parametrize(
    ("text", "value", "accuracy"),
    [
        ("V(g4)=-31.2V+-0.5V", -31.2, 0.5),
        ("V(g4) = -31.2 V +- 500 mV", -31.2, 0.5),
        ("V(g4)=-31.2\u00b10.5", -31.2, 0.5),
        ("I(R24)=34mA+-1mA@idle", 0.034, 0.001),
        ("R(g4)=242kohm+-3k", 242e3, 3e3),
        ("V(g4)=-31.2V", -31.2, 0.0),
    ],
)
def test_a_reading_may_state_its_error(text: str, value: float, accuracy: float) -> None:
    actual = parse_reading(text)

    assert (actual.value, actual.accuracy) == pytest.approx((value, accuracy))


@pytest.mark.parametrize(
    "text",
    ["V(g4)=1V+-", "V(g4)=+-1V", "V(g4)=1V+--1V", "V(g4)=1V+-2ohm", "V(g4)=1V+-1V+-1V",
     "R(g4)=1kohm+-open", "V(g4)=1V+-2%", "ripple(ht)=yes+-1"],
)  # fmt: skip
def test_an_error_that_is_no_size_is_one_clear_error(text: str) -> None:
    with pytest.raises(NetcheckError) as caught:
        parse_reading(text)

    assert text in caught.value.message
    assert caught.value.hint


@pytest.mark.parametrize(
    "text", ["ripple(ht)=yes+-yes", "R(g4)=-242kohm", "R(g4)=open+-1kohm", "V(g4)=1V+-0V"]
)
def test_what_no_meter_shows_is_one_clear_error(text: str) -> None:
    with pytest.raises(NetcheckError):
        parse_reading(text)


@pytest.mark.parametrize("word", ["open", "OPEN", "OL", "ol", " inf ", "infinite"])
def test_an_open_circuit_has_several_words(word: str) -> None:
    actual = parse_reading(f"R(g4,ht)={word}")

    assert actual == Reading("ohms", "g4", "ht", math.inf, POWER_OFF.key)
    assert actual.text == "R(g4,ht)=open@power_off"


@pytest.mark.parametrize("text", ["V(g4)=open", "I(R24)=OL", "W(X4)=inf", "V(g4)=nan"])
def test_only_ohms_can_be_open(text: str) -> None:
    with pytest.raises(NetcheckError):
        parse_reading(text)


@pytest.mark.parametrize("situation", [one.key for one in SITUATIONS])
@pytest.mark.parametrize("kind", ["V(g4)=1V", "I(R24)=1mA", "W(X4)=1W", "R(g4)=1kohm"])
def test_ohms_are_read_with_the_power_off_and_nothing_else_is(kind: str, situation: str) -> None:
    text = f"{kind}@{situation}"

    if kind.startswith("R") == (situation == POWER_OFF.key):
        assert parse_reading(text).situation == situation
    else:
        with pytest.raises(NetcheckError, match="with the power off"):
            parse_reading(text)


def test_a_leak_is_read_with_the_tubes_out() -> None:
    assert parse_reading("leak(C3)=0.4V") == Reading("leak", "C3", "", 0.4, TUBES_OUT.key)
    with pytest.raises(NetcheckError, match="tubes out"):
        parse_reading("leak(C3)=0.4V@idle")


NAMES = st.text("abgpktzABZ0123456789_.-+", min_size=1, max_size=6)
FIGURES = st.floats(1e-12, 1e9).map(lambda size: float(f"{size:.6g}"))
SIGNED = st.tuples(FIGURES, st.sampled_from((1.0, -1.0))).map(lambda pair: pair[0] * pair[1])
ERRORS = st.one_of(st.just(0.0), FIGURES)
LIVE = st.sampled_from([one.key for one in SITUATIONS if one != POWER_OFF])
READINGS = st.one_of(
    st.builds(Reading, st.just("volts"), NAMES, NAMES, SIGNED, LIVE, ERRORS),
    st.builds(Reading, st.just("amperes"), NAMES, st.just(""), SIGNED, LIVE, ERRORS),
    st.builds(Reading, st.just("watts"), NAMES, st.just(""), FIGURES, LIVE, ERRORS),
    st.builds(Reading, st.just("ohms"), NAMES, NAMES, FIGURES, st.just(POWER_OFF.key), ERRORS),
    st.builds(Reading, st.just("ohms"), NAMES, NAMES, st.just(math.inf), st.just(POWER_OFF.key)),
    st.builds(Reading, st.just("leak"), NAMES, st.just(""), SIGNED, st.just(TUBES_OUT.key), ERRORS),
    st.builds(
        Reading, st.just("ripple"), NAMES, st.just(""), st.sampled_from((0.0, 1.0)),
        st.just(IDLE.key),
    ),
)  # fmt: skip


@given(READINGS)
def test_every_reading_can_be_typed_again(reading: Reading) -> None:
    again = parse_reading(reading.text)

    assert (again.kind, again.first, again.second) == (reading.kind, reading.first, reading.second)
    assert again.situation == reading.situation
    assert again.value == pytest.approx(reading.value, rel=1e-9)
    assert again.accuracy == pytest.approx(reading.accuracy, rel=1e-9)
    assert again.text == reading.text


@given(st.text("VIRWripple(g4,0)=-+.5mkohMAV@idle ", max_size=25))
def test_any_text_is_a_reading_or_one_clear_error(text: str) -> None:
    try:
        reading = parse_reading(text)
    except NetcheckError:
        return

    assert parse_reading(reading.text).kind == reading.kind


def test_a_reading_may_name_its_own_meter() -> None:
    other = parse_reading("V(g4)=-24V@idle by 20kohm/V")
    usual = parse_reading("V(g4)=-24V")

    assert (other.by, usual.by) == ("20kohm/v", "")
    assert other.meter is not None
    assert other.meter.load_ohm(-24.0) == 20e3 * 50.0
    assert usual.meter is None
    assert parse_reading(other.text) == other


@pytest.mark.parametrize("text", ["R(g4)=2kohm by analog", "V(g4)=2V by sundial", "V(g4)=2V by"])
def test_a_meter_that_is_none_or_does_not_load_is_one_clear_error(text: str) -> None:
    with pytest.raises(NetcheckError):
        parse_reading(text)
