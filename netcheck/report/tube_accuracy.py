"""How well the law of one tube type meets its sheets, for a person and for a machine.

Comes in: a tube type.  Goes out: lines that say the worst deviation of fitted and of
held-out rows, and every figure that misses its bar; or the same as JSON values.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from netcheck.report.words import counted
from netcheck.tubes.accuracy import (
    FIGURE_UNITS,
    FIGURE_WORDS,
    Accuracy,
    Checked,
    Status,
    accuracy_of,
)
from netcheck.tubes.types import TubeType
from netcheck.units import format_quantity, six_digits

STATUSES: tuple[Status, ...] = ("fitted", "held out")
FIGURES = (("plate_a", "cathode_a"), ("screen_a",), ("transconductance_s",))


def accuracy_lines(tube: TubeType) -> list[str]:
    """Return what is to be said of a type; nothing where it has no rows."""
    found = [accuracy_of(section) for section in tube.unlike_sections]
    return [
        f"{accuracy.type}: {line}" if len(found) > 1 else line
        for accuracy in found
        if accuracy.checked
        for line in _lines(accuracy)
    ]


def _lines(accuracy: Accuracy) -> Iterator[str]:
    for status in STATUSES:
        rows = {each.number for each in accuracy.checked if each.status == status}
        if rows:
            yield f"{counted(len(rows), f'{status} row')}, furthest off: {_worst(accuracy, status)}"
        elif status == "held out":
            yield "nothing held out of the fit: there are fewer than three published rows"
    for each in accuracy.missed:
        note = f"; {each.row.note}" if each.row.note else ""
        yield (
            f"misses its bar of {100 * each.bar:g} %: {FIGURE_WORDS[each.figure]} at {each.where}: "
            f"{_amount(each, each.model)} for {_amount(each, each.published)} "
            f"({_percent(each.deviation)}, {each.status}, {each.row.basis}{note})"
        )


def _worst(accuracy: Accuracy, status: Status) -> str:
    found = [accuracy.worst(status, *figures) for figures in FIGURES]
    return ", ".join(
        f"{FIGURE_WORDS[each.figure]} {_percent(each.deviation)}" for each in found if each
    )


def _amount(each: Checked, value: float) -> str:
    return format_quantity(value, FIGURE_UNITS[each.figure], 3)


def _percent(fraction: float) -> str:
    return f"{100 * fraction:+.1f} %"


def accuracy_json(tube: TubeType) -> dict[str, Any]:
    """Return the same as JSON values; deviations are fractions."""
    accuracy = accuracy_of(tube)
    return {
        "held_out_rows": sorted(accuracy.held_out),
        "figures": [
            {
                "row": each.number,
                "figure": each.figure,
                "status": each.status.replace(" ", "_"),
                "published": six_digits(each.published),
                "model": six_digits(each.model),
                "deviation": six_digits(each.deviation),
                "bar": each.bar,
                "missed": each.misses,
            }
            for each in accuracy.checked
        ],
    }
