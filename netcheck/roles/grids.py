"""Grid circuits: everything a grid sees for direct current, and what is hung on it.

Comes in: wiring, supply, transformers, cathode circuits, plate feeds.  Goes out:
one `GridCircuit` a tube.  From the grid the walk goes through resistors and
interstage windings over plain nets.  Where a resistor reaches ground, a supply net
or the tube's own cathode circuit it is a leak; where it reaches another tube's
plate or cathode the grid is directly coupled; another tube's grid ends the walk
too.  Capacitors are noted with both their ends, never walked through.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field

from netcheck.circuit.model import Part
from netcheck.roles.cathodes import CathodeCircuit
from netcheck.roles.plates import PlateFeed
from netcheck.roles.rails import DECOUPLING_F, MAX_CELL_V, Supply
from netcheck.roles.transformers import Transformer
from netcheck.roles.wiring import Wiring


@dataclass(frozen=True, slots=True)
class GridCircuit:
    """What hangs on one grid.

    nets: from the grid outward.  leaks: part to the net it returns to.  series:
    part to its nets, nearer the grid first.  capacitors: part to (net on the
    grid's side, far net).  direct: (tube, electrode) that drives the grid for
    direct current too.  siblings: tubes whose grids are joined to this one
    through a resistor.  local: resistors from the tube's own plate.  inputs:
    input sources met.  held: supply net the grid sits on.  windings: interstage
    windings in the way.  grounding: capacitors that hold the grid at ground.  cells:
    small floating sources in the way.
    """

    tube: str
    net: str
    nets: tuple[str, ...]
    leaks: Mapping[str, str]
    series: Mapping[str, tuple[str, str]]
    capacitors: Mapping[str, tuple[str, str]]
    direct: tuple[tuple[str, str], ...] = ()
    siblings: tuple[str, ...] = ()
    local: tuple[str, ...] = ()
    inputs: tuple[str, ...] = ()
    held: str = ""
    windings: tuple[str, ...] = ()
    grounding: tuple[str, ...] = ()
    cells: tuple[str, ...] = ()

    @property
    def ac_grounded(self) -> bool:
        """Say whether a capacitor holds the grid at signal ground."""
        return bool(self.grounding)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Whose electrode circuits the nets belong to."""

    plates: Mapping[str, str]
    cathodes: Mapping[str, tuple[str, ...]]
    stop: frozenset[str]


def surroundings_of(
    wiring: Wiring,
    supply: Supply,
    transformers: tuple[Transformer, ...],
    cathodes: Mapping[str, CathodeCircuit],
    plates: Mapping[str, PlateFeed],
) -> Surroundings:
    """Label the nets of plates, cathodes and load windings."""
    at_plate: dict[str, str] = {}
    for feed in plates.values():
        # A tube's own plate net before the nets another tube's feed passes.
        at_plate[feed.net] = at_plate.get(feed.net, feed.tube) if feed.nets else ""
    for feed in plates.values():
        for net in feed.nets:
            at_plate[net] = at_plate.get(net) or feed.tube
    at_cathode: dict[str, list[str]] = {}
    for circuit in cathodes.values():
        for net in circuit.nets:
            at_cathode.setdefault(net, []).append(circuit.tube)
    stop = {
        net
        for transformer in transformers
        if transformer.use != "interstage"
        for net in transformer.nets
    } | {net for transformer in transformers for net in transformer.primary_nets}
    at_plate = {net: ref for net, ref in at_plate.items() if ref and not supply.quiet(net)}
    for net, ref in tuple(at_plate.items()):
        behind = _behind_resistor(wiring, supply, net)
        at_plate.update((far, ref) for far in behind if far not in at_plate)
    return Surroundings(
        at_plate,
        {net: tuple(found) for net, found in at_cathode.items()},
        frozenset(stop),
    )


def _behind_resistor(wiring: Wiring, supply: Supply, plate: str) -> list[str]:
    """Return nets that one resistor brings a plate's signal and its DC to.

    Nothing but that resistor and capacitors is on such a net, and one of them leads
    on: to a grid or to a plain net, where the others would only shunt the plate.
    """
    found = []
    for part, far in wiring.dc_arms(plate):
        others = [other for other in wiring.circuit.parts_on[far] if other.ref != part.ref]
        if not others or any(other.kind != "capacitor" for other in others):
            continue
        ends = [other.other_net(far) for other in others]
        if any(
            not supply.quiet(end) and not wiring.at(end, "plate", "cathode", "screen")
            for end in ends
        ):
            found.append(far)
    return found


def find_grids(wiring: Wiring, supply: Supply, around: Surroundings) -> Mapping[str, GridCircuit]:
    """Find the grid circuit of every tube."""
    return {tube.ref: _GridWalk(wiring, supply, around, tube).result() for tube in wiring.tubes}


@dataclass
class _GridWalk:
    """One walk outward from a grid."""

    wiring: Wiring
    supply: Supply
    around: Surroundings
    tube: Part
    nets: list[str] = field(default_factory=list)
    leaks: dict[str, str] = field(default_factory=dict)
    series: dict[str, tuple[str, str]] = field(default_factory=dict)
    capacitors: dict[str, tuple[str, str]] = field(default_factory=dict)
    direct: list[tuple[str, str]] = field(default_factory=list)
    siblings: list[str] = field(default_factory=list)
    local: list[str] = field(default_factory=list)
    inputs: list[str] = field(default_factory=list)
    windings: list[str] = field(default_factory=list)
    cells: list[str] = field(default_factory=list)

    def result(self) -> GridCircuit:
        """Walk, and return what was met."""
        grid = self.tube.net("grid")
        held = grid if self.supply.quiet(grid) else ""
        if not held and not self._ends_directly(grid):
            self._walk(grid)
        grounding = self._grounding()
        if (grounding and not self.inputs) or self._is_fed_at(grid):
            self._read_far_ends_as_returns()
        return GridCircuit(
            self.tube.ref,
            grid,
            tuple(self.nets) or (grid,),
            self.leaks,
            self.series,
            self.capacitors,
            tuple(dict.fromkeys(self.direct)),
            tuple(dict.fromkeys(self.siblings)),
            tuple(self.local),
            tuple(dict.fromkeys(self.inputs)),
            held,
            tuple(self.windings),
            grounding,
            tuple(self.cells),
        )

    def _ends_directly(self, grid: str) -> bool:
        """Note a grid that sits on another tube's plate or cathode."""
        ref = self.around.plates.get(grid)
        if ref and ref != self.tube.ref:
            self.direct.append((ref, "plate"))
            return True
        others = self._other_cathodes(grid)
        if others and self.tube.ref not in self.around.cathodes.get(grid, ()):
            self.direct.append((others[0], "cathode"))
            return True
        return False

    def _other_cathodes(self, net: str) -> list[str]:
        return [ref for ref in self.around.cathodes.get(net, ()) if ref != self.tube.ref]

    def _walk(self, grid: str) -> None:
        queue = deque([grid])
        self.nets.append(grid)
        while queue:
            net = queue.popleft()
            for part in self.wiring.on(net, "resistor", "inductor", "voltage_source", "diode"):
                far = self._pass(part, net)
                if far and far not in self.nets:
                    self.nets.append(far)
                    queue.append(far)
            for part in self.wiring.on(net, "capacitor"):
                self.capacitors.setdefault(part.ref, (net, part.other_net(net)))

    def _pass(self, part: Part, net: str) -> str:
        """Note one part on a net; return the net to go on with, or nothing."""
        far = part.other_net(net)
        if part.kind == "voltage_source":
            if part.ref in self.wiring.inputs:
                self.inputs.append(part.ref)
                return "" if self.supply.quiet(far) else far
            return self._pass_cell(part, net)
        if part.kind == "diode" or part.ref in self.leaks or part.ref in self.series:
            return ""
        if part.kind == "resistor" and all(map(self.wiring.windings, part.nets)):
            return ""  # damps an interstage winding
        if self.tube.ref in self.around.cathodes.get(far, ()) or self.supply.quiet(far):
            self._note_return(part, far)
            return ""
        return self._pass_to_signal(part, net, far)

    def _pass_cell(self, part: Part, net: str) -> str:
        """Note a cell in the grid's way; return its far net where the way goes on."""
        placed = part.ref in self.supply.source_of.values()
        if placed or not 0 < abs(part.value or 0.0) <= MAX_CELL_V or part.ref in self.cells:
            return ""
        far = part.other_net(net)
        if self.supply.quiet(far) or self.wiring.electrodes.get(far):
            return ""
        self.cells.append(part.ref)
        return far

    def _note_return(self, part: Part, far: str) -> None:
        if part.ref in self.wiring.coupled:
            self.windings.append(part.ref)
        self.leaks[part.ref] = far

    def _pass_to_signal(self, part: Part, net: str, far: str) -> str:
        plate = self.around.plates.get(far)
        if plate == self.tube.ref:
            self.local.append(part.ref)
            return ""
        cathodes = self._other_cathodes(far)
        if plate or cathodes:
            self.direct.append((plate, "plate") if plate else (cathodes[0], "cathode"))
            self.series[part.ref] = (net, far)
            return ""
        if far in self.around.stop:
            return ""
        grids = [ref for ref in self.wiring.at(far, "grid") if ref != self.tube.ref]
        if grids and part.ref not in self.wiring.coupled:
            self.siblings += grids
            # Beyond the tube's own grid net it is the other grid's stopper.
            if net == self.tube.net("grid"):
                self.series[part.ref] = (net, far)
            return ""
        if part.ref in self.wiring.coupled:
            self.windings.append(part.ref)
            return "" if grids else far
        self.series[part.ref] = (net, far)
        return far

    def _grounding(self) -> tuple[str, ...]:
        """Return capacitors large enough to hold the grid at signal ground."""
        coupled = any(
            near == self.nets[0] and not self.supply.quiet(far)
            for near, far in self.capacitors.values()
        )
        # Behind a coupled grid a capacitor holds the end of the leak, not the grid.
        nets = self.nets[: 1 if coupled else 2]
        return tuple(
            ref
            for ref, (near, far) in self.capacitors.items()
            if near in nets
            and (self.supply.quiet(far) or self._is_tail_foot(far))
            and (self.wiring[ref].value or 0.0) >= DECOUPLING_F
        )

    def _is_tail_foot(self, net: str) -> bool:
        """Say whether a net lies below two cathodes that meet: little signal is there."""
        below = self.around.cathodes.get(net, ())
        shared = self.tube.ref in below and len(below) > 1
        return shared and not self.wiring.at(net, "cathode")

    def _is_fed_at(self, grid: str) -> bool:
        """Say whether a capacitor brings another tube's signal to the grid itself."""
        for near, far in self.capacitors.values():
            plate = self.around.plates.get(far)
            if near == grid and ((plate and plate != self.tube.ref) or self._other_cathodes(far)):
                return True
        return False

    def _read_far_ends_as_returns(self) -> None:
        """Read resistors that bring a grid its bias and no signal as leaks.

        The second grid of a directly coupled long-tailed pair takes its bias from
        the same plate as the first, but no signal.  A grid with its coupling
        capacitor right on it returns to ground through what is on it besides, even
        where that divider feeds the second tube of a paraphase.
        """
        fed = self._is_fed_at(self.nets[0])
        for ref, (near, far) in tuple(self.series.items()):
            if far not in self.nets or (fed and near == self.nets[0]):
                self.leaks[ref] = far
                del self.series[ref]
        self.siblings.clear()
