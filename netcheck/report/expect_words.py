"""How the bench sheet says a value, a band and a stop."""

from __future__ import annotations

import math

from netcheck.models.sheet import SheetLine
from netcheck.units import format_quantity

QUIET = {"V": 5e-3, "A": 1e-7, "W": 1e-4, "ohm": 0.0}
"""Below this a reading is zero."""


def reading(value: float, unit: str) -> str:
    """Write a value as a meter shows it, three digits."""
    if math.isinf(value):
        return "open"
    if math.isnan(value):
        return "?"
    if abs(value) <= QUIET[unit]:
        return f"0 {unit}"
    return format_quantity(value, unit, 3)


def band_words(line: SheetLine) -> str:
    """Write the band: `209 to 241 kohm`."""
    low, high = reading(line.low, line.unit), reading(line.high, line.unit)
    return low if low == high else f"{low} to {high}"


def stop_words(line: SheetLine) -> str:
    """Write when to stop, without why; empty where no value says so."""
    if line.stop is None:
        return ""
    return f"{side_words(line, line.stop.side)} {reading(line.stop.value, line.unit)}"


def side_words(line: SheetLine, side: str) -> str:
    """Say a side so that it cannot be read wrongly of a negative value."""
    if line.nominal < 0.0 and line.unit == "V":
        return "less negative than" if side == "above" else "more negative than"
    return side


def off_words(line: SheetLine) -> tuple[str, ...]:
    """Say what a reading above its band points to, and one below."""
    found = []
    for side, word in (("above", "too high"), ("below", "too low")):
        faults = line.above if side == "above" else line.below
        if faults:
            lead = word
            if line.nominal < 0.0 and line.unit == "V":
                lead = "less negative" if side == "above" else "more negative"
            found.append(f"{lead}: {', '.join(faults)}")
    return tuple(found)
