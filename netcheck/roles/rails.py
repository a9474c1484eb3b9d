"""Supply rails: which nets are B+ and which belong to a negative supply.

Comes in: the wiring.  Goes out: a `Supply`.  From every DC source the walk
(`supply_walk.py`) goes outward.  A grid or a cathode is never a rail (but for the
cathode of a regulator's pass tube), a plate only with a large capacitor on it.  The
far end of a transformer winding is no rail either: signal lives there.

The negative side stops earlier: at electrodes, at nets a coupling capacitor brings
signal to, and at cathode resistors (a tail to a negative supply) unless a capacitor
holds the net below them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from netcheck.circuit.model import GROUND, Part
from netcheck.roles.supply_walk import (
    DECOUPLING_F,
    PLATE_DECOUPLING_F,
    capacitance,
    is_bias_net,
    is_rail,
    spread,
)
from netcheck.roles.wiring import Wiring, is_alternating, is_amplifying

MAX_CELL_V = 15.0
"""Largest voltage of a cell or a heater supply that floats (common practice)."""

__all__ = ["DECOUPLING_F", "MAX_CELL_V", "PLATE_DECOUPLING_F", "Supply", "find_supply"]


@dataclass(frozen=True, slots=True)
class Supply:
    """Supply nets.

    positive: B+ nets from the highest source outward.  negative: nets of
    negative supplies, source first.  source_of: the source behind each net.
    seeds: nets held by a source itself or by a rectifier.  droppers: for each
    part between two rails its net nearer the source and the farther one.
    back: negative nets made by the drop in the supply's own return.  passes: tubes
    and transistors that pass a rail's current on (regulators).  cells: cathode nets
    that a small source holds above ground, and that source.
    """

    positive: tuple[str, ...]
    negative: tuple[str, ...]
    source_of: Mapping[str, str]
    seeds: frozenset[str]
    droppers: Mapping[str, tuple[str, str]]
    back: frozenset[str] = frozenset()
    passes: frozenset[str] = frozenset()
    cells: Mapping[str, str] = field(default_factory=dict)

    def quiet(self, net: str) -> bool:
        """Say whether a net is ground or a supply net."""
        return net == GROUND or net in self.positive or net in self.negative or net in self.cells

    def is_back(self, net: str) -> bool:
        """Say whether a negative net lives on the drop in a supply's return."""
        sources = {self.source_of[other] for other in self.back}
        return net in self.negative and self.source_of[net] in sources


def find_supply(wiring: Wiring) -> Supply:
    """Find the supply nets of a circuit."""
    potential, source_of, back = _source_nets(wiring)
    rectified = _rectified(wiring)
    for net, (sign, ref) in rectified.items():
        potential.setdefault(net, sign)
        source_of.setdefault(net, ref)
    cells = _cathode_cells(wiring, potential, source_of)
    highest_first = sorted(potential, key=lambda net: -abs(potential[net]))
    upper = [net for net in highest_first if potential[net] > 0 and net not in cells]
    lower = [net for net in highest_first if potential[net] < 0]
    droppers: dict[str, tuple[str, str]] = {}

    def accept_negative(far: str, _via: Part, known: Iterable[str]) -> bool:
        return is_bias_net(wiring, far, {*known, *upper})

    def accept_positive(far: str, via: Part, known: Iterable[str]) -> bool:
        return far not in negative and is_rail(wiring, far, via, known)

    negative = spread(wiring, lower, source_of, droppers, accept_negative, positive=False)
    positive = spread(wiring, upper, source_of, droppers, accept_positive, positive=True)
    passes = frozenset(
        ref for ref in droppers if wiring[ref].kind == "transistor" or is_amplifying(wiring[ref])
    )
    return Supply(
        positive, negative, source_of, frozenset(potential), droppers, back, passes, cells
    )


def _cathode_cells(
    wiring: Wiring, potential: Mapping[str, float], source_of: Mapping[str, str]
) -> dict[str, str]:
    """Return the nets of cathodes that stand on a cell."""
    return {
        net: source_of[net]
        for net, volts in potential.items()
        if 0 < volts <= MAX_CELL_V and wiring.at(net, "cathode") and net in source_of
    }


def _source_nets(
    wiring: Wiring,
) -> tuple[dict[str, float], dict[str, str], frozenset[str]]:
    """Return the voltage of every net a DC source holds, and by which source.

    A supply whose return is not ground but reaches it through a resistor makes
    a net below ground there (back bias).
    """
    sources = [
        part
        for part in wiring.circuit.of_kind("voltage_source")
        if part.value and part.ref not in wiring.inputs and not is_alternating(part)
    ]
    volts: dict[str, float] = {GROUND: 0.0}
    source_of: dict[str, str] = {}
    back: set[str] = set()
    waiting = _place(sources, volts, source_of)
    for part in waiting:
        if abs(part.value or 0.0) <= MAX_CELL_V:
            continue  # a cell in a grid circuit, or a heater supply
        plus, minus = part.nets if (part.value or 0.0) > 0 else part.nets[::-1]
        returned = [
            net
            for net in (minus, plus)
            if any(GROUND in resistor.nets for resistor in wiring.on(net, "resistor"))
        ]
        if returned and returned[0] not in volts:
            net = returned[0]
            volts[net] = -1.0 if net == minus else 1.0
            source_of[net] = part.ref
            back.update({net} if net == minus else ())
            waiting = _place(waiting, volts, source_of)
    return (
        {net: level for net, level in volts.items() if net != GROUND},
        source_of,
        frozenset(back),
    )


def _place(sources: list[Part], volts: dict[str, float], source_of: dict[str, str]) -> list[Part]:
    """Spread known voltages through sources; return those not reached."""
    waiting = list(sources)
    moved = True
    while moved:
        moved = False
        for part in tuple(waiting):
            plus, minus = part.nets
            value = part.value or 0.0
            if minus in volts and plus not in volts:
                volts[plus] = volts[minus] + value
                source_of[plus] = part.ref
            elif plus in volts and minus not in volts:
                volts[minus] = volts[plus] - value
                source_of[minus] = part.ref
            elif not (plus in volts and minus in volts):
                continue
            waiting.remove(part)
            moved = True
    return waiting


def rectifiers(wiring: Wiring) -> tuple[tuple[Part, str, str], ...]:
    """Return diodes and tubes without a grid with each anode and cathode net."""
    found: list[tuple[Part, str, str]] = []
    for part in wiring.circuit.of_kind("diode", "tube"):
        if part.kind == "diode":
            found.append((part, part.nets[0], part.nets[1]))
        elif not part.has_pin("grid") and part.has_pin("cathode"):
            cathode = part.net("cathode")
            found += [(part, pin.net, cathode) for pin in part.pins if pin.name != "cathode"]
    return tuple(found)


def _rectified(wiring: Wiring) -> dict[str, tuple[float, str]]:
    """Return nets that a rectifier charges from an alternating source."""
    mains = [
        part
        for part in wiring.circuit.of_kind("voltage_source")
        if is_alternating(part) and part.ref not in wiring.inputs
    ]
    found: dict[str, tuple[float, str]] = {}
    if not mains:
        return found
    for part, anode, cathode in rectifiers(wiring):
        for net, sign in ((cathode, 1.0), (anode, -1.0)):
            if net != GROUND and capacitance(wiring, net, {GROUND}) >= PLATE_DECOUPLING_F:
                found.setdefault(net, (sign, part.ref))
    return found
