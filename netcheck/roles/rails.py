"""Supply rails: which nets are B+ and which belong to a negative supply.

Comes in: the wiring.  Goes out: a `Supply`.  From every DC source the walk
goes outward.  A grid or a cathode is never a rail (but for the
cathode of a regulator's pass tube), a plate only with a large capacitor on it.  The
far end of a transformer winding is no rail either: signal lives there.

The negative side stops earlier: at electrodes, at nets a coupling capacitor brings
signal to, and at cathode resistors (a tail to a negative supply) unless a capacitor
holds the net below them.

The walk from a supply's sources outward: on the positive side it goes through resistors,
chokes, diodes, rectifier tubes, and the pass transistor or pass tube of a regulator; nets
in a plain chain of parts (a fuse, a switch, a lamp) belong to the rail the chain ends on.
A net behind a dropper is a rail if a capacitor holds it, or if at least two plate or
screen feeds branch off it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from netcheck.circuit.model import GROUND, Part
from netcheck.roles.wiring import Wiring, is_alternating, is_amplifying

__all__ = ["DECOUPLING_F", "MAX_CELL_V", "PLATE_DECOUPLING_F", "Supply", "find_supply"]


MAX_CELL_V = 15.0
"""Largest voltage of a cell or a heater supply that floats (common practice)."""


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


PLATE_DECOUPLING_F = 0.5e-6
"""A capacitor this large holds a plate at signal ground (common practice)."""

DECOUPLING_F = 10e-9
"""Smallest capacitor that makes a supply net quiet (common practice)."""

BRANCHES = 2
"""Feeds that branch off a net without a capacitor and so make it a rail."""

BARE_RAILS = 4
"""Rails in a row without a capacitor that are followed."""

LONGEST_CHAIN = 8
"""Parts in a row without a capacitor between them that still are one feed."""

Accept = Callable[[str, Part, Iterable[str]], bool]
Link = tuple[Part, str, str]
"""A part, its net nearer the source, and the farther one."""


def spread(
    wiring: Wiring,
    seeds: list[str],
    source_of: dict[str, str],
    droppers: dict[str, tuple[str, str]],
    accept: Accept,
    positive: bool,
) -> tuple[str, ...]:
    """Walk outward from the sources; return the nets in the order met."""
    known = dict.fromkeys(seeds)
    queue = deque(seeds)
    while queue:
        net = queue.popleft()
        arms = list(supply_arms(wiring, net, positive))
        if positive:  # by values, so that names play no role in the order of rails
            arms.sort(key=lambda arm: _ohm(arm[0]))
        for part, far in arms:
            for link, near, beyond in _chain(wiring, (part, net, far), known, accept, positive):
                if beyond not in known:
                    known[beyond] = None
                    source_of.setdefault(beyond, source_of[net])
                    queue.append(beyond)
                droppers.setdefault(link.ref, (near, beyond))
    return tuple(known)


def _ohm(part: Part) -> float:
    return part.value or 0.0 if part.kind == "resistor" else 0.0


def supply_arms(wiring: Wiring, net: str, positive: bool) -> Iterator[tuple[Part, str]]:
    """Yield the parts by which a supply goes on from a net, with their far nets."""
    for part, far in wiring.dc_arms(net):
        if far != GROUND and not wiring.is_across_winding(part):
            yield part, far
    for part in wiring.on(net, "diode"):
        if part.other_net(net) != GROUND:
            yield part, part.other_net(net)
    if positive:
        for part in wiring.circuit.parts_on.get(net, ()):
            far = _passed_on(part, net)
            if far not in ("", GROUND, net):
                yield part, far


def _passed_on(part: Part, net: str) -> str:
    """Return the net a rectifier tube or a pass device brings the current of `net` to."""
    if part.kind == "tube" and part.has_pin("cathode"):
        fed = [pin for pin in part.pins if pin.net == net and pin.name not in ("cathode", "grid")]
        if not part.has_pin("grid") or any(pin.name == "plate" for pin in fed):
            return part.net("cathode") if fed else ""
    if part.kind == "transistor":
        for upper, lower in (("collector", "emitter"), ("drain", "source")):
            if part.has_pin(upper) and part.net(upper) == net:
                return part.net(lower)
            if part.has_pin(upper) and part.net(lower) == net:
                return part.net(upper)
    return ""


def _chain(
    wiring: Wiring, first: Link, known: Collection[str], accept: Accept, positive: bool
) -> list[Link]:
    """Return the links from a net to the next supply net; none where there is none."""
    links = [first]
    while True:
        part, near, far = links[-1]
        if far in known or accept(far, part, known):
            return links
        others = [other for other in wiring.circuit.parts_on[far] if other.ref != part.ref]
        plain = far not in wiring.electrodes and far not in wiring.input_nets
        if len(others) != 1 or not plain or len(links) >= LONGEST_CHAIN:
            return []
        onward = [arm for arm in supply_arms(wiring, far, positive) if arm[0] is others[0]]
        if not onward or onward[0][1] == near:
            return []
        links.append((onward[0][0], far, onward[0][1]))


def is_bias_net(wiring: Wiring, far: str, quiet: Iterable[str]) -> bool:
    """Say whether a net behind a resistor still belongs to a negative supply."""
    held = {GROUND, *quiet}
    if far in wiring.electrodes or far in held or far in wiring.input_nets:
        return False
    if _sets_tail_current(wiring, far):
        return False
    if any(part.other_net(far) not in held for part in wiring.on(far, "capacitor")):
        return False
    # Below cathodes only a net that a capacitor holds is a supply; else it is a tail.
    to_cathode = any(wiring.at(net, "cathode") for _, net in wiring.dc_arms(far))
    return not to_cathode or capacitance(wiring, far, {GROUND}) >= PLATE_DECOUPLING_F


def _sets_tail_current(wiring: Wiring, net: str) -> bool:
    """Say whether a net is at the base or emitter of a transistor below a cathode."""
    for part in wiring.circuit.parts_on.get(net, ()):
        if part.kind != "transistor" or part.nets[0] == net:
            continue
        upper = part.nets[0]
        ends = (upper, *(far for _, far in wiring.dc_arms(upper)))
        if any(wiring.at(end, "cathode") for end in ends):
            return True
    return False


def is_rail(wiring: Wiring, far: str, via: Part, known: Iterable[str]) -> bool:
    """Say whether the net behind a dropper is a positive rail."""
    known = frozenset(known)
    held = capacitance(wiring, far, known | {GROUND})
    if wiring.at(far, "cathode"):
        return is_amplifying(via) and via.net("cathode") == far and _regulates(wiring, via)
    if grids := wiring.at(far, "grid"):
        # What holds the grid of a regulator's pass tube.
        tubes = [wiring[ref] for ref in grids]
        return held >= DECOUPLING_F and all(
            tube.net("plate") in known and _regulates(wiring, tube) for tube in tubes
        )
    if wiring.at(far, "plate"):
        return held >= PLATE_DECOUPLING_F
    feeds = _feeds(wiring, far, via)
    screens = wiring.at(far, "screen")
    if screens:
        shared = len(screens) > 1
        return (held >= DECOUPLING_F and (shared or feeds > 0)) or feeds >= BRANCHES
    return held >= DECOUPLING_F or feeds >= BRANCHES


def _regulates(wiring: Wiring, tube: Part) -> bool:
    """Say whether a tube's cathode feeds other tubes: a regulator's pass tube."""
    net = tube.net("cathode")
    alone = wiring.at(net, "grid", "cathode") == (tube.ref,)
    held = capacitance(wiring, net, {GROUND})
    feeds = _feeds(wiring, net, tube) + len(wiring.at(net, "plate", "screen"))
    return alone and held >= DECOUPLING_F and feeds > 0


def _feeds(wiring: Wiring, net: str, via: Part) -> int:
    """Count the plate and screen feeds that branch off a net."""
    count = len(wiring.windings(net))
    for part, far in wiring.dc_arms(net):
        if part.ref == via.ref or far in via.nets or wiring.is_across_winding(part):
            continue
        if (
            wiring.at(far, "plate", "screen")
            or (
                not wiring.at(far, "grid", "cathode")
                and capacitance(wiring, far, {GROUND}) >= DECOUPLING_F
            )
            or _leads_to_plate(wiring, far, {net})
        ):
            count += 1
    return count


def _leads_to_plate(wiring: Wiring, net: str, seen: set[str]) -> bool:
    """Say whether a plain net without a capacitor feeds a plate: a rail drawn bare."""
    if net == GROUND or net in wiring.electrodes or net in wiring.input_nets:
        return False
    if wiring.on(net, "capacitor") or len(seen) > BARE_RAILS:
        return False
    onward = [
        far
        for part, far in wiring.dc_arms(net)
        if far not in seen and not wiring.is_across_winding(part)
    ]
    return any(
        wiring.at(far, "plate") or _leads_to_plate(wiring, far, {*seen, net}) for far in onward
    )


def capacitance(wiring: Wiring, net: str, held: Iterable[str]) -> float:
    """Return the largest capacitance from a net to any net of `held` [F]."""
    ends = set(held)
    values = [
        part.value or 0.0 for part in wiring.on(net, "capacitor") if part.other_net(net) in ends
    ]
    return max(values, default=0.0)
