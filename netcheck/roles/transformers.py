"""Transformers: which winding is fed by which plate, and which drives the load.

Comes in: wiring and supply.  Goes out: one `Transformer` for every set of coupled
inductors.  A winding may carry its wire as resistors in series; those are taken
in first, so that a winding's ends are the nets the rest of the circuit sees.  From
each plate the walk goes winding by winding until it meets a supply net (the
center tap); nets passed on the way are taps.  A winding that no plate feeds drives
a load, or grids (interstage transformer), or sits in a cathode (feedback winding).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from netcheck.circuit.model import GROUND, Part, natural_key
from netcheck.circuit.windings import winding_groups
from netcheck.roles.rails import Supply
from netcheck.roles.wiring import TWO_PINS, Wiring

MAX_WIRE_OHM = 5e3
"""Above this a resistor in series with a winding is not its wire (common practice)."""

LOSS_SHARE = 0.1
"""Wire is at most this share of a loss across the winding it belongs to."""

MAX_STOPPER_OHM = 1e3
"""Largest plate stopper, and largest strap from screen to plate (common practice)."""

MAX_SCREEN_OHM = 22e3
"""Largest resistor from an ultralinear tap to a screen (common practice)."""


@dataclass(frozen=True, slots=True)
class Winding:
    """One winding with the nets at its outer ends and its wire resistors."""

    ref: str
    ends: tuple[str, str]
    wires: tuple[str, ...] = ()
    inner: tuple[str, ...] = ()

    def far(self, net: str) -> str:
        """Return the other outer end."""
        return self.ends[1] if net == self.ends[0] else self.ends[0]


@dataclass(frozen=True, slots=True)
class Transformer:
    """One set of coupled windings and what each does.

    paths: windings from a plate to the center tap, by tube.  entry: the net by
    which the plate enters them.  taps: screen tap by tube.  stoppers: resistors
    between plate and winding, by tube.  parafeed: capacitors between plate and
    winding.  secondaries: windings for the load.  use: output, interstage, mains
    or unknown.  from_cathode: tubes that enter it by their cathode.
    """

    windings: Mapping[str, Winding]
    paths: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    entry: Mapping[str, str] = field(default_factory=dict)
    taps: Mapping[str, str] = field(default_factory=dict)
    stoppers: Mapping[str, str] = field(default_factory=dict)
    parafeed: Mapping[str, str] = field(default_factory=dict)
    center_tap: str = ""
    secondaries: tuple[str, ...] = ()
    cathode_windings: tuple[str, ...] = ()
    use: str = "unknown"
    from_cathode: frozenset[str] = frozenset()

    @property
    def primaries(self) -> frozenset[str]:
        """All windings that a plate feeds (an output cathode too)."""
        return frozenset(ref for path in self.paths.values() for ref in path)

    @property
    def nets(self) -> frozenset[str]:
        """Every net at a winding, inner nets of its wire included, not ground."""
        found = {net for w in self.windings.values() for net in (*w.ends, *w.inner)}
        return frozenset(found - {GROUND})

    @property
    def secondary_nets(self) -> frozenset[str]:
        """Nets at the load windings, not ground."""
        found = {net for ref in self.secondaries for net in self.windings[ref].ends}
        return frozenset(found - {GROUND})

    @property
    def primary_nets(self) -> frozenset[str]:
        """Nets at the plate windings, not ground."""
        found = {net for ref in self.primaries for net in self.windings[ref].ends}
        return frozenset((found | set(self.entry.values())) - {GROUND})


def find_transformers(wiring: Wiring, supply: Supply) -> tuple[Transformer, ...]:
    """Find every transformer of a circuit."""
    groups = winding_groups(wiring.circuit)
    near = _tubes_near(wiring, supply) if groups else {}
    return tuple(_transformer(wiring, supply, group, near) for group in groups)


def _tubes_near(wiring: Wiring, supply: Supply) -> Mapping[str, tuple[Part, ...]]:
    """Return the tubes whose plate is on a net, or one resistor or capacitor away."""
    found: dict[str, dict[str, Part]] = {}
    for tube in wiring.tubes:
        plate = tube.net("plate")
        ways = wiring.on(plate, "resistor", "capacitor")
        for net in (plate, *(part.other_net(plate) for part in ways)):
            if not supply.quiet(net):
                found.setdefault(net, {})[tube.ref] = tube
    return {net: tuple(tubes.values()) for net, tubes in found.items()}


def _winding(wiring: Wiring, supply: Supply, part: Part) -> Winding:
    ends: list[str] = []
    wires: list[str] = []
    inner: list[str] = []
    for start in part.nets:
        net, via = start, part
        seen = {*part.nets, *inner}
        while step := _series_wire(wiring, supply, part, net, via, seen):
            inner.append(net)
            wires.append(step.ref)
            net, via = step.other_net(net), step
        ends.append(net)
    if ends[0] == ends[1] and wires:
        # The series loop is closed: its largest resistor is the load, not wire.
        load = max(wires, key=lambda ref: wiring[ref].value or 0.0)
        wires.remove(load)
        ends = list(wiring[load].nets)
        inner = [net for net in inner if net not in ends]
    return Winding(part.ref, (ends[0], ends[1]), tuple(wires), tuple(inner))


def _series_wire(
    wiring: Wiring, supply: Supply, winding: Part, net: str, via: Part, seen: set[str]
) -> Part | None:
    """Return the resistor or leakage inductance that carries on from a net.

    It must be the only way on for direct current; one that ends at the winding
    itself (`seen`) is a load, one that ends at a grid or screen is a stopper, and
    one from a cathode winding to ground is a cathode resistor.
    """
    if net in wiring.electrodes or supply.quiet(net):
        return None
    ways = [
        part
        for part in wiring.circuit.parts_on[net]
        if part.ref != via.ref and part.kind != "capacitor"
    ]
    if len(ways) > 1:
        ways = _without_loss(wiring, winding, net, ways)
    if len(ways) != 1 or ways[0].note.is_speaker or ways[0].ref in wiring.coupled:
        return None
    step = ways[0]
    if step.kind not in ("resistor", "inductor") or len(step.nets) != TWO_PINS:
        return None
    if step.kind == "resistor" and not 0 <= (step.value or 0.0) <= MAX_WIRE_OHM:
        return None
    far = step.other_net(net)
    in_cathode = far == GROUND and any(wiring.at(end, "cathode") for end in winding.nets)
    is_rail = far in supply.positive
    at_tube = not is_rail and wiring.at(far, "grid", "screen", "cathode")
    return None if far in seen or at_tube or in_cathode else step


def _without_loss(wiring: Wiring, winding: Part, net: str, ways: list[Part]) -> list[Part]:
    """Leave out losses across a winding at its inner end: they do not end its wire.

    The wire goes to a plate, or is small beside the loss, which a load is not.
    """
    onward = [part for part in ways if set(part.nets) != set(winding.nets)]
    if len(onward) != 1 or len(onward[0].nets) != TWO_PINS:
        return ways
    across = [part.value or 0.0 for part in ways if part is not onward[0]]
    small = (onward[0].value or 0.0) <= LOSS_SHARE * min(across, default=0.0)
    at_plate = bool(wiring.at(onward[0].other_net(net), "plate"))
    return onward if at_plate or small else ways


def _transformer(
    wiring: Wiring,
    supply: Supply,
    refs: tuple[str, ...],
    near: Mapping[str, tuple[Part, ...]],
) -> Transformer:
    windings = {ref: _winding(wiring, supply, wiring[ref]) for ref in refs}
    paths: dict[str, tuple[str, ...]] = {}
    entry: dict[str, str] = {}
    stoppers: dict[str, str] = {}
    parafeed: dict[str, str] = {}
    tops: list[str] = []
    ends = {net for winding in windings.values() for net in winding.ends}
    candidates = {tube.ref: tube for net in ends for tube in near.get(net, ())}
    for tube in sorted(candidates.values(), key=lambda tube: natural_key(tube.ref)):
        found = _entry(wiring, supply, windings, tube.net("plate"))
        if found is None:
            continue
        net, via = found
        path, top = _path(wiring, supply, windings, net)
        paths[tube.ref], entry[tube.ref] = path, net
        tops.append(top)
        if via is not None:
            (parafeed if via.kind == "capacitor" else stoppers)[tube.ref] = via.ref
    taps = {ref: _tap(wiring, windings, path, entry[ref], ref) for ref, path in paths.items()}
    taps = {ref: tap for ref, tap in taps.items() if tap}
    fed = {ref for path in paths.values() for ref in path}
    rest = tuple(ref for ref in refs if ref not in fed)
    in_cathode = tuple(ref for ref in rest if _at_cathode(wiring, windings[ref]))
    rest = tuple(ref for ref in rest if ref not in in_cathode)
    return Transformer(
        windings,
        paths,
        entry,
        taps,
        stoppers,
        parafeed,
        next((top for top in tops if supply.quiet(top)), ""),
        rest,
        in_cathode,
        _use(wiring, windings, bool(paths), rest),
    )


def _entry(
    wiring: Wiring, supply: Supply, windings: Mapping[str, Winding], plate: str
) -> tuple[str, Part | None] | None:
    """Return the net by which a plate enters a winding, and the part on the way.

    The plate may sit on the winding, or feed it through a small stopper or through
    a capacitor (parafeed).
    """
    if supply.quiet(plate):
        return None
    ends = {net for winding in windings.values() for net in winding.ends}
    if plate in ends:
        return plate, None
    for part in wiring.on(plate, "resistor", "capacitor"):
        far = part.other_net(plate)
        if far not in ends or supply.quiet(far):
            continue
        if part.kind == "resistor" and (part.value or 0.0) > MAX_STOPPER_OHM:
            continue
        if part.kind == "capacitor" and wiring.at(far, "plate", "grid", "cathode", "screen"):
            continue
        return far, part
    return None


def _path(
    wiring: Wiring, supply: Supply, windings: Mapping[str, Winding], start: str
) -> tuple[tuple[str, ...], str]:
    """Walk winding by winding from a plate's net to a quiet net or the last end."""
    path: list[str] = []
    net = start
    while True:
        onward = [w for w in windings.values() if net in w.ends and w.ref not in path]
        if not onward:
            return tuple(path), net
        # At a plate with several windings (bifilar halves) take the one that
        # leads to the supply.
        onward.sort(key=lambda w: not supply.quiet(w.far(net)))
        path.append(onward[0].ref)
        net = onward[0].far(net)
        if supply.quiet(net) or wiring.at(net, "plate"):
            return tuple(path), net


def _tap(
    wiring: Wiring,
    windings: Mapping[str, Winding],
    path: tuple[str, ...],
    start: str,
    tube: str,
) -> str:
    """Return the net between two windings of a path that feeds the tube's screen."""
    if not wiring[tube].has_pin("screen"):
        return ""
    screen = wiring[tube].net("screen")
    near = {screen} | {
        part.other_net(screen)
        for part in wiring.on(screen, "resistor")
        if (part.value or 0.0) <= MAX_SCREEN_OHM
    }
    net = start
    for ref in path[:-1]:
        net = windings[ref].far(net)
        if net in near:
            return net
    return ""


def _at_cathode(wiring: Wiring, winding: Winding) -> bool:
    return any(wiring.at(net, "cathode") for net in winding.ends)


def _use(wiring: Wiring, windings: Mapping[str, Winding], fed: bool, rest: tuple[str, ...]) -> str:
    """Say what a transformer is for."""
    nets = [net for ref in rest for net in windings[ref].ends if net != GROUND]
    if any(_drives_grid(wiring, net) for net in nets):
        return "interstage"
    if fed:
        return "output"
    mains = any(
        wiring.on(net, "voltage_source", "diode")
        or any(part.kind == "tube" for part in wiring.circuit.parts_on.get(net, ()))
        for net in nets
    )
    return "mains" if mains else "unknown"


def _drives_grid(wiring: Wiring, net: str) -> bool:
    """Say whether a winding's end is at a grid, or reaches it through a stopper.

    A resistor to a grid that is not the smallest on the net is feedback: the load is
    there too.
    """
    if wiring.at(net, "grid"):
        return True
    arms = sorted(wiring.dc_arms(net), key=lambda arm: arm[0].value or 0.0)
    return bool(arms) and bool(wiring.at(arms[0][1], "grid"))
