"""Readings into lines of the sheet: bands, stop values, what a wrong value points to, in words.

Comes in: what was wanted and what was read of it, healthy and with each fault.  Goes out:
`SheetLine`s, the words of the steps, and the cautions that stand first, each with who says so.
A band is what 90 % of the drawn units read, widened by what the meter may be off; over several
states (tubes cold and hot) it spans them all.

A fault counts where it moves the reading out of the band; the order is its likelihood
times the share that this reading has in all it moves in the step (each counted in
half bands), so that a fault is named where it shows best and one that upsets
everything, such as the mains, comes last.  Sizes of one fault of one part are one entry.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from netcheck.circuit.model import GROUND
from netcheck.diagnose.bench import Read, Stops, band_of
from netcheck.diagnose.lamp import Lamp, LampPoints
from netcheck.diagnose.meters import Meter
from netcheck.diagnose.plan import Wanted
from netcheck.faults.base import Fault
from netcheck.judge.base import PartLimit
from netcheck.models.sheet import Caution, SheetLine, SheetStep, Stop
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


MOST = 4
"""Faults named on each side."""
FAR = 10.0
"""Bands away from the middle; more says no more."""


@dataclass(frozen=True, slots=True)
class Pointed:
    """Faults above and below, in words."""

    above: tuple[str, ...] = ()
    below: tuple[str, ...] = ()


def moves(nominal: float, low: float, high: float, value: float, least: float) -> float:
    """Return how many half bands a value is away; 0 inside the band.

    least: what a meter can tell apart.
    """
    if math.isinf(nominal) or math.isinf(value):
        if math.isinf(nominal) and math.isinf(value):
            return 0.0
        return FAR if math.isinf(value) else -FAR
    if low - least <= value <= high + least:
        return 0.0
    half = max((high - low) / 2.0, least)
    return max(-FAR, min(FAR, (value - nominal) / half))


def pointed(
    bands: Sequence[tuple[float, float, float, float]],
    faults: Sequence[Fault],
    readings: Sequence[Sequence[float] | None],
) -> list[Pointed]:
    """Return what each measurement points to.

    bands: nominal, low, high and least by measurement.
    """
    sides: list[dict[int, dict[str, float]]] = [{1: {}, -1: {}} for _ in bands]
    for fault, values in zip(faults, readings, strict=True):
        if values is None:
            continue
        away = [
            moves(nominal, low, high, value, least)
            for (nominal, low, high, least), value in zip(bands, values, strict=True)
        ]
        total = sum(abs(one) for one in away)
        words = f"{'+'.join(fault.parts)} {fault.kind.replace('_', ' ')}"
        for place, one in enumerate(away):
            if one == 0.0:
                continue
            side = sides[place][1 if one > 0.0 else -1]
            weight = fault.likelihood.value * abs(one) / total
            side[words] = max(side.get(words, 0.0), weight)
    return [Pointed(_first(side[1]), _first(side[-1])) for side in sides]


def _first(side: dict[str, float]) -> tuple[str, ...]:
    ordered = sorted(side.items(), key=lambda item: (-item[1], item[0]))
    return tuple(words for words, _ in ordered[:MOST])


TITLES = {
    "power_off": "Power off: resistances",
    "tubes_out": "Tubes out: supplies, bias and leaks",
    "mains": "Tubes in, mains at {:.0%}",
    "lamp": "Tubes in, behind a series lamp",
    "idle": "Tubes in, full mains, no signal",
}
LEADS = {
    "power_off": "Plug pulled, supply capacitors drained and checked, all tubes out, a load on the "
    "output, nothing at the input. Do not switch on where a value is past its stop.",
    "tubes_out": "All tubes out but a rectifier tube. Clip the meter on with the power off, switch "
    "on, read, switch off, drain. B+ stands at its highest here. Put the tubes in only where every "
    "output grid has its bias.",
    "mains": "Tubes in, a variable transformer at this share of the mains, no signal. How much a "
    "tube emits at this heat of its heater is not on its sheet: the band spans from not at all to "
    "fully; a tube rectifier may not conduct yet. Compare what stands in proportion: the bias, the "
    "two sides. Watch the plates; go on only where nothing is past its stop.",
    "lamp": "A bright flash, then dim, is right; a lamp that stays bright says short. Readings "
    "behind a lamp belong to this step alone. The band spans from cold to hot tubes.",
    "idle": "Ten minutes after switching on, both sides of a pair by turns. Currents are read as "
    "volts over the resistor named.",
}


def idle_notes(
    wanted: Sequence[Wanted], state: Solved, limits: Mapping[str, PartLimit]
) -> list[str]:
    """Return for each idle line what else it says: a current's share of its limit."""
    return [_note(one, state, limits) for one in wanted]


def _note(wanted: Wanted, state: Solved, limits: Mapping[str, PartLimit]) -> str:
    shares = [
        (ref, state.tubes[ref].plate_dissipation_w, limits[ref].compared_limit)
        for ref in wanted.tubes
        if ref in limits
    ]
    if wanted.purpose == "watts":
        return "; ".join(f"{watts / limit:.0%} of {limit:.3g} W" for _, watts, limit in shares)
    if wanted.purpose == "current":
        return "; ".join(
            f"{ref} plate {watts:.3g} W, {watts / limit:.0%} of its limit"
            for ref, watts, limit in shares
        )
    return ""


def assumptions_of(draws: int, seed: int, meter: Meter) -> tuple[str, ...]:
    """Return what the sheet takes for granted beside what is drawn."""
    return (
        f"bands: 90 % of {draws} units drawn (seed {seed}), widened by what the meter may be off "
        f"({meter.source})",
        "each reading is solved with the meter between its two probes; drawn units are loaded by "
        "the same share",
        "stop values of output tubes: the state in which a current into the grid circuit has "
        "brought the plate to its limit, all else nominal; a limit of another rating system than "
        "design-center is scaled, since the stop is for nominal values",
        "power off: capacitors, diodes, transistors and cold tubes do not conduct, and every "
        "supply is open behind its rectifier",
    )


PRACTICE = "common practice"

CAUTIONS = (
    Caution(
        "The voltages in this amplifier kill. Above 60 V dc or 35 V peak ac is not to be touched; "
        "whoever is not used to such work leaves it to somebody who is.",
        "touch limits of EN 60065, as quoted in a service manual",
    ),
    Caution(
        "Pull the plug, then drain every supply capacitor through 10 kohm on insulated clips and "
        "check with the meter that less than 10 V are left, each time before touching anything. "
        "100 uF at 450 V holds 10 J and needs minutes through a bleeder.",
        "published service texts; energy and time worked out",
    ),
    Caution(
        "One hand in the pocket, the black probe clipped to the chassis, insulated probes rated "
        "for the volts, safety glasses, nobody alone.",
        "published service texts",
    ),
    Caution(
        "The chassis is earthed through a three-wire cord. A set without a mains transformer may "
        "have its chassis at mains potential: then only behind an isolating transformer, and the "
        "chassis is not earthed. An isolating transformer does not guard against touching B+.",
        "published service texts",
    ),
    Caution(
        "A load of the right resistance stays on the output, always.",
        "published service texts: an open output destroys output transformers",
    ),
    Caution(
        "Switch off at any glow of a plate or a screen, at smoke, and at any value past its stop. "
        "Do not keep a tube on in order to measure why it is too hot.",
        PRACTICE,
    ),
    Caution(
        "Without tubes, and on cold tubes, B+ is higher than in use: see step 2 against the rating "
        "of the capacitors.",
        PRACTICE,
    ),
    Caution(
        "The values come from a model of the netlist, not from this unit; they replace neither an "
        "insulation test nor an earth test.",
        PRACTICE,
    ),
)
