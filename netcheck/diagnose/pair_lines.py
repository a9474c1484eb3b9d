"""Two faults at once, written down as a line of a diagnosis.

Comes in: an investigation and a pair that was weighed.  Goes out: its `CauseLine`.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from netcheck.diagnose.dictionary import Point
from netcheck.diagnose.hypotheses import rounded_size
from netcheck.diagnose.investigation import Investigation
from netcheck.diagnose.ohms import OPEN_FROM_OHM
from netcheck.diagnose.pair_causes import PairCause
from netcheck.diagnose.posterior import point_of, seen_value
from netcheck.diagnose.readings import Reading
from netcheck.faults.base import Fault, size_text
from netcheck.report.diagnosis_model import CauseLine, Explained

PAIR = "pair"
SIGMAS = 1.645
"""Half of a band of 90 % of a normal distribution."""


def pair_line(investigation: Investigation, pair: PairCause, share: float, group: int) -> CauseLine:
    """Return two faults at once; they are in no group with others."""
    first, second = pair.first, pair.second
    why = f" {_short_id(first)} overloads {pair.link}." if pair.kind == "causes" else ""
    open_ohm = investigation.basis.dictionary.open_ohm
    foreseen = zip(investigation.readings, pair.expected, pair.sigma, strict=True)
    return CauseLine(
        f"{_short_id(first)} & {_short_id(second)}",
        tuple(dict.fromkeys((*first.parts, *second.parts))),
        PAIR,
        f"{first.summary} {second.summary}{why}",
        share,
        pair.prior,
        group,
        explained=tuple(_explained(*one, open_ohm) for one in foreseen),
        next_step=first.next_measurement,
    )


def _short_id(fault: Fault) -> str:
    """Return a fault's id, its size as finely as a log grid can tell."""
    if fault.defect is None or fault.stem == fault.id:
        return fault.id
    size = size_text(rounded_size(fault.defect.value, fault.defect.unit), fault.defect.unit)
    return f"{fault.stem}@{size}"


def shown(point: Point, value: float, open_ohm: float) -> float:
    """Return a value of the dictionary as a meter shows it: ohms from their logarithm."""
    if point.kind != "ohms":
        return value
    ohm = 10.0**value
    return math.inf if ohm >= 0.99 * open_ohm else ohm


def _explained(
    reading: Reading, value: float, sigma: float, open_ohm: Callable[[Point], float]
) -> Explained:
    """Return what a pair expects of a reading, its band, and how far the reading is off."""
    point = point_of(reading)
    if math.isnan(value) or reading.kind == "ripple":
        return Explained(math.nan, math.nan, math.nan, math.nan)
    most = open_ohm(point) if reading.kind == "ohms" else OPEN_FROM_OHM
    expected, low, high = (
        shown(point, value + side * SIGMAS * sigma, most) for side in (0.0, -1.0, 1.0)
    )
    return Explained(expected, low, high, (seen_value(reading, most) - value) / sigma)
