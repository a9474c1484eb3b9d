"""The bench sheet as values: what to measure in which order, and what to expect.

Made by `diagnose/bench_sheet.py`, printed by `expect_text.py`, `to_csv.py` and
`expect_html.py`.  Numbers are SI; an open circuit is infinite ohms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

SheetUnit = Literal["ohm", "V", "A", "W"]


@dataclass(frozen=True, slots=True)
class Stop:
    """The value at which to switch off, or not to switch on.

    side: on which side of `value` it is time to stop.  why: what it would mean.
    """

    side: Literal["above", "below"]
    value: float
    why: str


@dataclass(frozen=True, slots=True)
class SheetLine:
    """One measurement.

    id: stable, `<step>/<what>/<where>`.  red, black: where the two probes go.
    nominal: as the meter reads it on a unit with nominal parts; low, high: 90 % of
    the units drawn lie between.  above, below: the faults that a reading out of
    the band points to, the likeliest first.
    """

    id: str
    what: str
    red: str
    black: str
    unit: SheetUnit
    nominal: float
    low: float
    high: float
    stop: Stop | None = None
    above: tuple[str, ...] = ()
    below: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class SheetStep:
    """One step of the bench, with what to do before its measurements."""

    key: str
    title: str
    lead: str
    lines: tuple[SheetLine, ...]
    missing: str = ""
    """Why there is nothing to expect, where the step could not be solved."""


@dataclass(frozen=True, slots=True)
class Caution:
    """A caution and who says so."""

    text: str
    source: str


@dataclass(frozen=True, slots=True)
class BenchSheet:
    """The whole sheet."""

    file: str
    """As shown: never an absolute path."""
    title: str
    cautions: tuple[Caution, ...]
    steps: tuple[SheetStep, ...]
    meter: str
    mains: str
    assumptions: tuple[str, ...]
    engine: str = ""
