"""Meters: what they load a circuit with, and how far their reading may be off.

Comes in: the words of `--meter`; a point, the meter's ohms there and the faults.  Goes out: a
`Meter`; the volts it reads.  A digital meter has one input resistance on every range; an
analog one has so many ohms a volt of the range it is set to, and is off by a share of that
range's full scale.  For faults whose source is not small against the meter's ohms the circuit
is solved with the meter connected; elsewhere the linear source resistance of the page does:
behind an open part a tube stands in the way, and no line through one point tells what it does
under a load.

Sources: digital meter, 10 Mohm and +-(0.5 % + 2 counts) of 6000, as published for a
common handheld meter; analog meter of 20 kohm/V, +-2 % of full scale: from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import AddResistor, Change
from netcheck.circuit.model import GROUND, Circuit
from netcheck.errors import NetcheckError
from netcheck.solve.pool import Pool
from netcheck.solve.results import Solved
from netcheck.units import format_quantity, parse_quantity
from netcheck.workbench.sweep import IdleTask, idle_outcomes

ANALOG_RANGES_V = (2.5, 10.0, 50.0, 250.0, 1000.0)
"""Ranges of a 20 kohm/V meter: from memory."""
DIGITAL_RANGES_V = (0.6, 6.0, 60.0, 600.0, 1000.0)
"""Ranges of a meter of 6000 counts."""
COUNTS = 6000
IDEAL_OHM = 1e15


@dataclass(frozen=True, slots=True)
class Meter:
    """A voltmeter.

    input_ohm: on every range; 0 where `ohm_per_volt` says it.  of_reading,
    of_full_scale: accuracy as shares; counts: of the last digit.
    """

    name: str
    input_ohm: float
    ohm_per_volt: float
    ranges_v: tuple[float, ...]
    of_reading: float
    of_full_scale: float
    counts: int
    source: str

    def range_for(self, volts: float) -> float:
        """Return the smallest range that shows `volts` [V]."""
        return next((one for one in self.ranges_v if abs(volts) <= one), self.ranges_v[-1])

    def load_ohm(self, volts: float) -> float:
        """Return what the meter puts between its probes when it shows `volts` [ohm]."""
        if self.ohm_per_volt:
            return self.ohm_per_volt * self.range_for(volts)
        return self.input_ohm

    def uncertainty_v(self, volts: float) -> float:
        """Return the largest error of a reading of `volts` [V]."""
        return float(self.uncertainties_v(np.array([volts]))[0])

    def uncertainties_v(self, volts: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the largest errors of readings of `volts` [V]."""
        size = np.abs(volts)
        ranges = np.array(self.ranges_v)
        place = np.minimum(np.searchsorted(ranges, size), len(ranges) - 1)
        share = self.of_full_scale + self.counts / COUNTS
        return np.asarray(self.of_reading * size + ranges[place] * share)

    @property
    def words(self) -> str:
        """The meter in words."""
        if self.ohm_per_volt:
            ranges = ", ".join(f"{one:g}" for one in self.ranges_v)
            return (
                f"{self.name}, {format_quantity(self.ohm_per_volt, 'ohm')}/V on the lowest range "
                f"that holds the volts ({ranges} V)"
            )
        if self.input_ohm >= IDEAL_OHM:
            return self.name
        return f"{self.name}, {format_quantity(self.input_ohm, 'ohm')}"


DIGITAL = Meter(
    "digital meter",
    10e6,
    0.0,
    DIGITAL_RANGES_V,
    0.005,
    0.0,
    2,
    "+-(0.5 % + 2 counts) of 6000, as published for a common handheld meter",
)


def parse_meter(text: str, said: str = "--meter") -> Meter:
    """Read `10Mohm`, `20kohm/V`, `digital`, `analog` or `none`; `said` is where it stood."""
    word = text.strip().casefold()
    if word == "none":
        ideal = "a meter that loads nothing"
        return Meter(ideal, IDEAL_OHM, 0.0, DIGITAL_RANGES_V, 0.0, 0.0, 0, "asked for")
    if word == "digital":
        text = "10Mohm"
    if word == "analog":
        text = "20kohm/V"
    amount, slash, per = text.partition("/")
    try:
        ohm = parse_quantity(amount, "ohm")
    except NetcheckError as error:
        raise NetcheckError(
            f"{said}: {error.message}", hint="such as 10Mohm, 20kohm/V, digital, analog or none"
        ) from error
    if ohm <= 0.0 or not math.isfinite(ohm) or (slash and per.strip().casefold() != "v"):
        raise NetcheckError(
            f"{said}: `{text}` is not a meter",
            hint="such as 10Mohm, 20kohm/V, digital, analog or none",
        )
    if slash:
        return Meter(
            "analog meter", 0.0, ohm, ANALOG_RANGES_V, 0.0, 0.02, 0,
            "+-2 % of full scale: from memory",
        )  # fmt: skip
    return replace(DIGITAL, input_ohm=ohm)


LOADED_SHARE = 0.02
"""A source of more than this share of the meter's ohms is solved with the meter."""


def loaded_volts(
    pool: Pool,
    circuit: Circuit,
    ends: tuple[str, str],
    load_ohm: float,
    variants: Sequence[tuple[Change, ...]],
) -> list[float | None]:
    """Return nominal volts from the first net to the second, with a resistor between them."""
    meter = AddResistor("the meter", *ends, load_ohm)
    task = IdleTask(pool.share("metered", circuit), "metered", (), None)
    outcomes = idle_outcomes(pool, task, [(*changes, meter) for changes in variants])
    return [_between(one, ends) if isinstance(one, Solved) else None for one in outcomes]


def _between(state: Solved, ends: tuple[str, str]) -> float:
    first, second = (0.0 if net == GROUND else state.nets[net] for net in ends)
    return first - second
