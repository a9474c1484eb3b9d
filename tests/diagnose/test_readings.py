"""Readings as text: what is read, and what is one clear error."""

from __future__ import annotations

import pytest

from netcheck.diagnose.readings import Reading, parse_reading
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
