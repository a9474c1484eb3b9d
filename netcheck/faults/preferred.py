"""Preferred numbers and the slips people make with them.

Comes in: the value a resistor should have.  Goes out: the wrong values it is likely to
be fitted with: the color code's multiplier read one or two decades off, and the
next values of the E12 and E6 series above and below (a part from the next bin).

Source: E6 and E12 after IEC 60063; the multiplier band after IEC 60062.  How often each
slip happens is common practice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import floor, log10

from netcheck.faults.base import Likelihood, likelihood

E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
E6 = (10, 15, 22, 33, 47, 68)
BAND = "IEC 60062 color code, multiplier band; how often: common practice"
SAME = 0.01
"""Two values nearer than this are the same preferred number."""


@dataclass(frozen=True, slots=True)
class Slip:
    """A wrong value and how it comes about."""

    ohm: float
    why: str
    likelihood: Likelihood


def slips(ohm: float) -> Iterator[Slip]:
    """Give the likely wrong values for a resistor of `ohm`, the likelier first."""
    yield from decade_slips(ohm)
    for name, series in (("E12", E12), ("E6", E6)):
        yield from neighbor_slips(ohm, name, series)
    for factor, text in ((100.0, "a hundred times"), (0.01, "a hundredth of")):
        yield Slip(ohm * factor, f"{text} the value, multiplier two off", likelihood("rare", BAND))


def coarse_slips(ohm: float) -> Iterator[Slip]:
    """Give the wrong values that matter where a fifth more or less does not."""
    yield from decade_slips(ohm)
    yield from neighbor_slips(ohm, "E6", E6)


def decade_slips(ohm: float) -> Iterator[Slip]:
    """Give the values that a multiplier band read one off leads to."""
    for factor, text in ((10.0, "ten times"), (0.1, "a tenth of")):
        yield Slip(
            ohm * factor, f"{text} the value, multiplier one off", likelihood("common", BAND)
        )


def neighbor_slips(ohm: float, name: str, series: Sequence[int]) -> Iterator[Slip]:
    """Give the values from the next bin on either side."""
    source = f"IEC 60063 {name} neighbor; how often: common practice"
    for value in neighbors(ohm, series):
        yield Slip(value, f"the next {name} value", likelihood("occasional", source))


def neighbors(ohm: float, series: Sequence[int]) -> tuple[float, float]:
    """Return the next lower and the next higher preferred value."""
    decade = floor(log10(ohm))
    # Powers divide below zero so that 4.7 comes out as 47/10, the float a person types.
    ladder = [
        float(step * 10**power if power >= 0 else step / 10**-power)
        for power in range(decade - 2, decade + 2)
        for step in series
    ]
    lower = max(value for value in ladder if value < ohm * (1.0 - SAME))
    higher = min(value for value in ladder if value > ohm * (1.0 + SAME))
    return lower, higher
