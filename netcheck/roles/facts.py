"""All that the walks found, in one value, before it is put into words.

Comes in: a circuit.  Goes out: `Facts`.  The order of the walks is fixed here:
each needs what the ones before it found.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from netcheck.circuit.model import Circuit
from netcheck.roles.cathodes import CathodeCircuit, find_cathodes, with_cathode_outputs
from netcheck.roles.coupling import Couplings, find_couplings
from netcheck.roles.grids import GridCircuit, Surroundings, find_grids, surroundings_of
from netcheck.roles.heaters import Heater, find_heaters
from netcheck.roles.plates import PlateFeed, ScreenFeed, find_plates, find_screens
from netcheck.roles.rails import Supply, find_supply
from netcheck.roles.transformers import Transformer, find_transformers
from netcheck.roles.wiring import Wiring, wiring_of


@dataclass(frozen=True, slots=True)
class Facts:
    """What the walks found.

    above: the tubes that stand on a tube's plate, for each that has some.
    below: the tubes whose plates hang on a tube's cathode circuit, likewise.
    """

    wiring: Wiring
    supply: Supply
    transformers: tuple[Transformer, ...]
    cathodes: Mapping[str, CathodeCircuit]
    plates: Mapping[str, PlateFeed]
    screens: Mapping[str, ScreenFeed]
    around: Surroundings
    grids: Mapping[str, GridCircuit]
    couplings: Couplings
    above: Mapping[str, tuple[str, ...]]
    below: Mapping[str, tuple[str, ...]]
    heaters: tuple[Heater, ...] = ()

    def takes_signal(self, tube: str, electrode: str) -> bool:
        """Say whether an electrode drives a grid or an output network."""
        if self.couplings.out_of(tube, electrode):
            return True
        return bool(self.couplings.networks_at(tube, electrode))

    def returns_to(self, tube: str) -> tuple[str, ...]:
        """Return the nets a tube's grid returns to for direct current."""
        grid = self.grids[tube]
        nets = [grid.held] if grid.held else []
        return tuple(dict.fromkeys((*nets, *grid.leaks.values())))


def gather(circuit: Circuit) -> Facts:
    """Walk the circuit."""
    wiring = wiring_of(circuit)
    supply = find_supply(wiring)
    transformers = with_cathode_outputs(wiring, supply, find_transformers(wiring, supply))
    cathodes = find_cathodes(wiring, supply, transformers)
    plates = find_plates(wiring, supply, transformers, cathodes)
    screens = find_screens(wiring, supply, transformers, plates)
    around = surroundings_of(wiring, supply, transformers, cathodes, plates)
    grids = find_grids(wiring, supply, around)
    couplings = find_couplings(wiring, supply, transformers, around, grids, cathodes)
    above: dict[str, tuple[str, ...]] = {}
    for upper, standing in cathodes.items():
        for lower in standing.stands_on:
            above[lower] = (*above.get(lower, ()), upper)
    below: dict[str, tuple[str, ...]] = {}
    for lower, feed in plates.items():
        if feed.above:
            below[feed.above] = (*below.get(feed.above, ()), lower)
    return Facts(
        wiring,
        supply,
        transformers,
        cathodes,
        plates,
        screens,
        around,
        grids,
        couplings,
        above,
        below,
        find_heaters(wiring, supply),
    )
