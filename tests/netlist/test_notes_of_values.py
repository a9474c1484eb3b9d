"""The ratings beside a value on a sheet become part notes, or nothing."""

from __future__ import annotations

import pytest

from netcheck.netlist.schematics.parts.value_texts import read_value_text


@pytest.mark.parametrize(
    ("text", "letter", "notes"),
    [
        ("4k7 1% 0.5W", "R", ("tol=1%", "power=0.5W")),
        ("100n 630V", "C", ("volts=630V",)),
        ("22u 5%", "C", ()),
        ("10 5%", "L", ()),
    ],
)
def test_ratings_of_a_value(text: str, letter: str, notes: tuple[str, ...]) -> None:
    assert read_value_text(text, letter).notes == notes
