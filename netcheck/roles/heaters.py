"""Heater supplies that are in the netlist: sources, hum-balance pots, lamps, lift.

Comes in: wiring and supply.  Goes out: a `Heater` for every source that feeds a heater:
an alternating one that is no input and charges no rectifier, or a small direct one
that floats with resistors from end to end.  Two resistors from its two ends to one net
set the hum balance.  A positive net that only such a pair hangs on lifts the heaters
above ground.  A directly heated tube has its cathode at one end of its heater.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from netcheck.circuit.model import GROUND, Part
from netcheck.roles.base import Role
from netcheck.roles.rails import MAX_CELL_V, Supply
from netcheck.roles.table import RoleName
from netcheck.roles.wiring import Wiring, is_alternating

MAX_HUM_OHM = 1e3
"""Largest half of a hum-balance pot (common practice: 50 to 250 ohm a half)."""


@dataclass(frozen=True, slots=True)
class Heater:
    """One heater supply.

    balance: resistor to the net it is joined to at its far end.  loads: parts from end
    to end.  lift: positive net that lifts the heaters, or nothing.  tubes: those with
    their cathode on it.
    """

    source: str
    ends: tuple[str, str]
    balance: dict[str, str]
    loads: tuple[str, ...]
    lift: str
    tubes: tuple[str, ...]


def find_heaters(wiring: Wiring, supply: Supply) -> tuple[Heater, ...]:
    """Find the heater supplies."""
    found = (
        _heater(wiring, supply, part)
        for part in wiring.circuit.of_kind("voltage_source")
        if part.ref not in wiring.inputs
    )
    return tuple(heater for heater in found if heater)


def _heater(wiring: Wiring, supply: Supply, source: Part) -> Heater | None:
    ends = (source.nets[0], source.nets[1])
    floats = GROUND not in ends and source.ref not in supply.source_of.values()
    small = 0 < abs(source.value or 0.0) <= MAX_CELL_V and floats
    if not (is_alternating(source) or small) or _charges(wiring, ends):
        return None
    arms = [
        (part, net, part.other_net(net))
        for net in ends
        if net != GROUND
        for part in wiring.on(net, "resistor")
    ]
    loads = [part.ref for part, _, far in arms if far in ends]
    tapped = [(part, far) for part, _, far in arms if far not in ends]
    middle = {far for _, far in tapped}
    balance = {
        part.ref: far
        for part, far in tapped
        if (part.value or 0.0) <= MAX_HUM_OHM and _joined(wiring, far, ends)
    }
    if not balance and not loads:
        return None
    lifts = [net for net in middle if net in supply.positive and _only_lifts(wiring, net, ends)]
    at = [ref for net in ends for ref in wiring.at(net, "cathode")]
    return Heater(
        source.ref,
        ends,
        balance,
        tuple(dict.fromkeys(loads)),
        lifts[0] if lifts else "",
        tuple(at),
    )


def _charges(wiring: Wiring, ends: tuple[str, str]) -> bool:
    """Say whether rectifiers or windings hang on a source."""
    return any(
        part.kind in ("diode", "capacitor") or part.ref in wiring.coupled
        for net in ends
        if net != GROUND
        for part in wiring.circuit.parts_on.get(net, ())
    )


def _joined(wiring: Wiring, net: str, ends: tuple[str, str]) -> bool:
    """Say whether resistors lead from both ends to a net."""
    reached = {part.other_net(net) for part in wiring.on(net, "resistor")}
    return set(ends) <= reached


def _only_lifts(wiring: Wiring, net: str, ends: tuple[str, str]) -> bool:
    """Say whether a net feeds nothing but heaters."""
    return not wiring.electrodes.get(net) and all(
        part.kind in ("resistor", "capacitor") for part in wiring.circuit.parts_on[net]
    )


def heater_roles(wiring: Wiring, heaters: tuple[Heater, ...]) -> Iterator[Role]:
    """Yield the roles of the parts of heater supplies."""
    for heater in heaters:
        first = heater.ends[0]
        ends = " and ".join(heater.ends)
        of = heater.tubes[0] if heater.tubes else first
        yield Role(heater.source, RoleName.HEATER_SOURCE, of, f"feeds a heater between {ends}", 0.9)
        for ref, middle in heater.balance.items():
            why = f"joins an end of the heater to {middle}, as another does from the other end"
            yield Role(ref, RoleName.HUM_BALANCE, of, why, 0.9)
        for ref in heater.loads:
            if not wiring[ref].note.is_lamp:
                why = f"lies across the heater supply {heater.source}"
                yield Role(ref, RoleName.HEATER_LOAD, of, why, 0.9)
        if heater.lift:
            yield from _lift_roles(wiring, heater)


def _lift_roles(wiring: Wiring, heater: Heater) -> Iterator[Role]:
    for part in wiring.on(heater.lift, "resistor", "capacitor"):
        if part.ref not in heater.balance:
            why = f"holds the heaters at {heater.lift} above ground"
            yield Role(part.ref, RoleName.HEATER_BIAS, heater.lift, why, 0.9)
