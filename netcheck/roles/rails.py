"""Supply rails: which nets are B+ and which belong to a negative supply.

Comes in: the wiring.  Goes out: a `Supply`.  From every DC source the walk goes
outward through resistors, chokes and diodes.  A net behind such a dropper is a
rail if a capacitor holds it (to ground or to another rail), or if at least two
plate or screen feeds branch off it.  A grid or a cathode is never a rail, a plate
only with a large capacitor on it.  The far end of a transformer winding is no
rail either: signal lives there.

The negative side stops earlier: at electrodes, at nets a coupling capacitor
brings signal to, and at cathode resistors (a tail to a negative supply).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from netcheck.circuit.model import GROUND, Part
from netcheck.roles.wiring import Wiring, is_alternating

PLATE_DECOUPLING_F = 0.5e-6
"""A capacitor this large holds a plate at signal ground (common practice)."""

DECOUPLING_F = 10e-9
"""Smallest capacitor that makes a supply net quiet (common practice)."""

BRANCHES = 2
"""Feeds that branch off a net without a capacitor and so make it a rail."""


@dataclass(frozen=True, slots=True)
class Supply:
    """Supply nets.

    positive: B+ nets from the highest source outward.  negative: nets of
    negative supplies, source first.  source_of: the source behind each net.
    seeds: nets held by a source itself or by a rectifier.  droppers: for each
    part between two rails its net nearer the source and the farther one.
    back: negative nets made by the drop in the supply's own return.
    """

    positive: tuple[str, ...]
    negative: tuple[str, ...]
    source_of: Mapping[str, str]
    seeds: frozenset[str]
    droppers: Mapping[str, tuple[str, str]]
    back: frozenset[str] = frozenset()

    def quiet(self, net: str) -> bool:
        """Say whether a net is ground or a supply net."""
        return net == GROUND or net in self.positive or net in self.negative

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
    highest_first = sorted(potential, key=lambda net: -abs(potential[net]))
    upper = [net for net in highest_first if potential[net] > 0]
    lower = [net for net in highest_first if potential[net] < 0]
    droppers: dict[str, tuple[str, str]] = {}

    def is_negative(far: str, _via: Part, known: Iterable[str]) -> bool:
        return _is_bias_net(wiring, far, {*known, *upper})

    def is_positive(far: str, via: Part, known: Iterable[str]) -> bool:
        return far not in negative and _is_rail(wiring, far, via, known)

    negative = _spread(wiring, lower, source_of, droppers, is_negative)
    positive = _spread(wiring, upper, source_of, droppers, is_positive)
    return Supply(positive, negative, source_of, frozenset(potential), droppers, back)


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
            if net != GROUND and _capacitance(wiring, net, {GROUND}) >= PLATE_DECOUPLING_F:
                found.setdefault(net, (sign, part.ref))
    return found


def _spread(
    wiring: Wiring,
    seeds: list[str],
    source_of: dict[str, str],
    droppers: dict[str, tuple[str, str]],
    accept: Callable[[str, Part, Iterable[str]], bool],
) -> tuple[str, ...]:
    """Walk outward from the sources; return the nets in the order met."""
    known = dict.fromkeys(seeds)
    queue = deque(seeds)
    while queue:
        net = queue.popleft()
        arms = [*wiring.dc_arms(net)]
        arms += [(part, part.other_net(net)) for part in wiring.on(net, "diode")]
        for part, far in arms:
            if far == GROUND:
                continue
            if far not in known and accept(far, part, known):
                known[far] = None
                source_of.setdefault(far, source_of[net])
                queue.append(far)
            if far in known:
                droppers.setdefault(part.ref, (net, far))
    return tuple(known)


def _is_bias_net(wiring: Wiring, far: str, quiet: Iterable[str]) -> bool:
    """Say whether a net behind a resistor still belongs to a negative supply."""
    held = {GROUND, *quiet}
    if far in wiring.electrodes or far in held or far in wiring.input_nets:
        return False
    carries_signal = any(part.other_net(far) not in held for part in wiring.on(far, "capacitor"))
    to_cathode = any(wiring.at(net, "cathode") for _, net in wiring.dc_arms(far))
    return not carries_signal and not to_cathode


def _is_rail(wiring: Wiring, far: str, via: Part, known: Iterable[str]) -> bool:
    """Say whether the net behind a dropper is a positive rail."""
    if wiring.at(far, "grid", "cathode"):
        return False
    held = _capacitance(wiring, far, {GROUND, *known})
    if wiring.at(far, "plate"):
        return held >= PLATE_DECOUPLING_F
    feeds = _feeds(wiring, far, via)
    screens = wiring.at(far, "screen")
    if screens:
        shared = len(screens) > 1
        return (held >= DECOUPLING_F and (shared or feeds > 0)) or feeds >= BRANCHES
    return held >= DECOUPLING_F or feeds >= BRANCHES


def _feeds(wiring: Wiring, net: str, via: Part) -> int:
    """Count the plate and screen feeds that branch off a net."""
    count = len(wiring.windings(net))
    for part, far in wiring.dc_arms(net):
        if part.ref == via.ref or far in via.nets:
            continue
        if wiring.at(far, "plate", "screen") or (
            not wiring.at(far, "grid", "cathode")
            and _capacitance(wiring, far, {GROUND}) >= DECOUPLING_F
        ):
            count += 1
    return count


def _capacitance(wiring: Wiring, net: str, held: Iterable[str]) -> float:
    """Return the largest capacitance from a net to any net of `held` [F]."""
    ends = set(held)
    values = [
        part.value or 0.0 for part in wiring.on(net, "capacitor") if part.other_net(net) in ends
    ]
    return max(values, default=0.0)
