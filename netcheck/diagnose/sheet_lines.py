"""Readings into lines of the sheet: bands, stop values, what a wrong value points to.

Comes in: what was wanted and what was read of it.  Goes out: `SheetLine`s.  A band is
what 90 % of the drawn units read, widened by what the meter may be off; over several
states (tubes cold and hot) it spans them all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from netcheck.circuit.model import GROUND
from netcheck.diagnose.bench import Read, band_of
from netcheck.diagnose.causes import Pointed
from netcheck.diagnose.lamp import Lamp
from netcheck.diagnose.lamp_load import LampPoints
from netcheck.diagnose.meters import Meter
from netcheck.diagnose.plan import Wanted
from netcheck.diagnose.stops import Stops
from netcheck.report.expect_model import SheetLine, SheetStep, Stop
from netcheck.solve.results import Solved
from netcheck.units import format_quantity

SOUND_FILM_OHM = 10e9
"""Insulation of a film capacitor that is sound: common practice."""
QUIET_GRID_V = 0.01
"""A grid moves by this from one tube to the next: contact potential, common practice."""
LAMP_LIT = 0.7
"""Of the mains over the lamp once it should have dimmed: common practice."""
LAMP_SPREAD = 0.1
"""How far lamp and heaters may be off their ratings: common practice."""
LEAST_TEST_V = 10.0
"""Less than this on a capacitor shows no leak."""
AC_REMARK = "ac; from tubes cold to hot; no spread drawn"


@dataclass(frozen=True, slots=True)
class Band:
    """What to expect; `share` is what the meter's load leaves of a reading; `least` is
    what the meter can tell apart."""

    nominal: float
    low: float
    high: float
    share: float = 1.0
    least: float = 0.0


def bands_of(wanted: Sequence[Wanted], reads: Sequence[Read], meter: Meter) -> list[Band]:
    """Return the bands over one state or several; nominal is the last one's."""
    ends = np.array([band_of(read.units) for read in reads])
    low, high = ends[:, 0, :].min(axis=0), ends[:, 1, :].max(axis=0)
    bands = []
    for place, one in enumerate(wanted):
        nominal, share = reads[-1].nominal[place], reads[-1].share[place]
        first, second = (_off(one, meter, float(end[place])) for end in (low, high))
        least = 0.01 * abs(nominal) if one.unit == "W" else _off(one, meter, nominal)
        if one.purpose == "grid":
            least = max(least, QUIET_GRID_V)
        least_read = 0.0 if one.unit == "A" and low[place] >= 0.0 else -math.inf
        bottom = max(float(low[place]) - first, least_read)
        bands.append(Band(nominal, bottom, float(high[place]) + second, share, least))
    return bands


def _off(wanted: Wanted, meter: Meter, value: float) -> float:
    """Return by how much the meter may be off, in the unit of the line."""
    if wanted.unit == "W" or not np.isfinite(value):
        return 0.0
    return wanted.scale * meter.uncertainty_v(value / wanted.scale)


def made_line(key: str, wanted: Wanted, band: Band, stop: Stop | None, note: str) -> SheetLine:
    """Return one line."""
    return SheetLine(
        f"{key}/{wanted.name}",
        wanted.what,
        wanted.red,
        wanted.black,
        wanted.unit,
        band.nominal,
        band.low,
        band.high,
        stop,
        note=note,
    )


def with_points(lines: Sequence[SheetLine], points: Sequence[Pointed]) -> tuple[SheetLine, ...]:
    """Return the lines with what a wrong value points to."""
    return tuple(
        replace(line, above=one.above, below=one.below)
        for line, one in zip(lines, points, strict=True)
    )


def coupler_line(wanted: Wanted, state: Solved, meter: Meter, stops: Stops) -> SheetLine:
    """Return the leak test of a coupling capacitor whose grid end is lifted.

    The meter and the leak divide what stands on the other end: volts times Rm / (Rm + R).
    """
    source_v = _source_v(wanted, state)
    what = ""
    if source_v < LEAST_TEST_V:
        source_v = _source_v(wanted, stops.healthy)
        what = ", with the tube that drives it in its socket"
    ohm = meter.load_ohm(source_v)
    sound_v = source_v * ohm / (ohm + SOUND_FILM_OHM)
    leak = stops.coupler_leak_ohm(wanted)
    stop = None
    note = f"{source_v:.0f} V on its other end{what}; wait until the reading no longer falls"
    if leak is not None:
        value = source_v * ohm / (ohm + leak)
        words = format_quantity(leak, "ohm", 2)
        stop = Stop("above", value, f"a leak of {words} takes the tube to its limit")
    return SheetLine(
        f"tubes_out/{wanted.name}",
        wanted.what,
        wanted.red,
        wanted.black,
        "V",
        0.0,
        min(0.0, sound_v) - meter.uncertainty_v(0.0),
        max(0.0, sound_v) + meter.uncertainty_v(0.0),
        stop,
        above=(f"{wanted.part} leaky",),
        note=note,
    )


def _source_v(wanted: Wanted, state: Solved) -> float:
    return 0.0 if wanted.net_a == GROUND else state.nets[wanted.net_a]


def with_lamp(step: SheetStep, points: LampPoints, lamp: Lamp, mains_v: float) -> SheetStep:
    """Put the lamp's own volts and the amplifier's mains before the other lines."""
    lit = Stop(
        "above",
        LAMP_LIT * mains_v,
        f"half a minute after switching on: more than {points.full_w:.0f} W is taken",
    )
    ends = (points.cold, points.hot)
    shown = (
        ("lamp", "volts over the lamp", [one.lamp_v for one in ends], lit),
        ("mains", "mains left for the amplifier", [one.share * mains_v for one in ends], None),
    )
    lines = tuple(
        SheetLine(
            f"lamp/{name}/{name}",
            what,
            "one contact of the lamp" if name == "lamp" else "one pole behind the lamp",
            "the other contact" if name == "lamp" else "the other pole",
            "V",
            volts[-1],
            min(volts) * (1.0 - LAMP_SPREAD),
            min(max(volts) * (1.0 + LAMP_SPREAD), mains_v),
            stop,
            above=("a short, or more load than the netlist has",) if stop else (),
            note=f"{AC_REMARK}; the lamp takes {points.hot.lamp_w:.0f} of {lamp.rated_w:.0f} W"
            if stop
            else AC_REMARK,
        )
        for name, what, volts, stop in shown
    )
    return replace(step, lines=(*lines, *step.lines))


def pointing(line: SheetLine, at_idle: SheetLine | None) -> SheetLine:
    """Return a line on reduced mains, pointing where the same reading at idle does."""
    if at_idle is None or line.above or line.below:
        return line
    return replace(line, above=at_idle.above, below=at_idle.below)
