"""The first step of the sheet: resistances with the power off.

Comes in: the measurements wanted, what spreads, the faults.  Goes out: lines.  All of
it is a linear network (`ohms.py`); nothing needs ngspice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import apply_changes
from netcheck.circuit.model import Circuit
from netcheck.diagnose.causes import pointed
from netcheck.diagnose.ohms import network_of
from netcheck.diagnose.plan import Wanted
from netcheck.diagnose.sheet_lines import Band, made_line, with_points
from netcheck.diagnose.situations import POWER_OFF
from netcheck.diagnose.stops import Stops
from netcheck.faults.base import Fault
from netcheck.judge.toleranced import Variable
from netcheck.report.expect_model import SheetLine
from netcheck.units import format_quantity

LEAST_OHM, LEAST_SHARE = 0.3, 0.01
"""What an ohmmeter with its leads tells apart: common practice."""
CONDUCTS_SHARE = 0.8
"""From here on it is worth a word what a rectifier that conducts would do."""

Array = NDArray[np.float64]


def ohm_step(
    circuit: Circuit,
    wanted: Sequence[Wanted],
    variables: Sequence[Variable],
    factors: Array,
    faults: Sequence[Fault],
    stops: Stops,
) -> tuple[SheetLine, ...]:
    """Return the lines of the step."""
    nominal = _read(circuit, wanted)
    bands = [
        _band(value, column)
        for value, column in zip(nominal, _units(circuit, wanted, variables, factors), strict=True)
    ]
    conducting = network_of(circuit, sources_conduct=True)
    lines = [
        made_line(
            POWER_OFF.key,
            one,
            band,
            stops.power_off(one, band.nominal, band.low, band.high),
            _note(one, band, conducting.ohm(one.net_a, one.net_b)),
        )
        for one, band in zip(wanted, bands, strict=True)
    ]
    shown = [fault for fault in faults if POWER_OFF.shows(fault)]
    readings = [_read(apply_changes(circuit, fault.changes), wanted) for fault in shown]
    ends = [(band.nominal, band.low, band.high, band.least) for band in bands]
    return with_points(lines, pointed(ends, shown, readings))


def _read(circuit: Circuit, wanted: Sequence[Wanted]) -> list[float]:
    network = network_of(circuit)
    return [network.ohm(one.net_a, one.net_b) for one in wanted]


def _units(
    circuit: Circuit, wanted: Sequence[Wanted], variables: Sequence[Variable], factors: Array
) -> Array:
    """Return (wanted, units)."""
    rows = []
    for unit in factors:
        known = {
            part: float(unit[at])
            for at, one in enumerate(variables)
            if one.kind in ("value", "wire")
            for part in one.parts
        }
        network = network_of(circuit, known)
        rows.append([network.ohm(one.net_a, one.net_b) for one in wanted])
    return np.array(rows).reshape(len(factors), len(wanted)).T


def _band(nominal: float, units: Array) -> Band:
    if math.isinf(nominal):
        return Band(nominal, nominal, nominal)
    low, high = (float(end) for end in np.percentile(units, (5.0, 95.0)))
    least = LEAST_OHM + LEAST_SHARE * nominal
    return Band(nominal, max(low - least, 0.0), high + least, least=least)


def _note(wanted: Wanted, band: Band, conducting: float) -> str:
    notes = []
    if wanted.purpose == "rail":
        notes.append("rises while the capacitors charge; wait")
    if LEAST_OHM < conducting < CONDUCTS_SHARE * band.nominal:
        words = format_quantity(conducting, "ohm", 3)
        notes.append(f"{words} if the rectifier ahead conducts: then swap the probes")
    if band.nominal < 2.0:
        notes.append("first touch the probes together and subtract what they read")
    return "; ".join(notes)
