"""All that the walks found, in one value, before it is put into words.

Comes in: a circuit.  Goes out: `Facts`.  The order of the walks is fixed here:
each needs what the ones before it found.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from netcheck.circuit.model import Circuit
from netcheck.roles.cathodes import CathodeCircuit, find_cathodes
from netcheck.roles.coupling import Couplings, find_couplings
from netcheck.roles.grids import GridCircuit, Surroundings, find_grids, surroundings_of
from netcheck.roles.plates import PlateFeed, ScreenFeed, find_plates, find_screens
from netcheck.roles.rails import Supply, find_supply
from netcheck.roles.transformers import Transformer, find_transformers
from netcheck.roles.wiring import Wiring, wiring_of


@dataclass(frozen=True, slots=True)
class Facts:
    """What the walks found."""

    wiring: Wiring
    supply: Supply
    transformers: tuple[Transformer, ...]
    cathodes: Mapping[str, CathodeCircuit]
    plates: Mapping[str, PlateFeed]
    screens: Mapping[str, ScreenFeed]
    around: Surroundings
    grids: Mapping[str, GridCircuit]
    couplings: Couplings

    def takes_signal(self, tube: str, electrode: str) -> bool:
        """Say whether an electrode drives a grid or an output network."""
        if self.couplings.out_of(tube, electrode):
            return True
        return any(
            network.source == tube and network.electrode == electrode
            for network in self.couplings.networks
        )

    def returns_to(self, tube: str) -> tuple[str, ...]:
        """Return the nets a tube's grid returns to for direct current."""
        grid = self.grids[tube]
        nets = [grid.held] if grid.held else []
        return tuple(dict.fromkeys((*nets, *grid.leaks.values())))


def gather(circuit: Circuit) -> Facts:
    """Walk the circuit."""
    wiring = wiring_of(circuit)
    supply = find_supply(wiring)
    transformers = find_transformers(wiring, supply)
    cathodes = find_cathodes(wiring, supply, transformers)
    plates = find_plates(wiring, supply, transformers, cathodes)
    screens = find_screens(wiring, supply, transformers, plates)
    around = surroundings_of(wiring, supply, transformers, cathodes, plates)
    grids = find_grids(wiring, supply, around)
    couplings = find_couplings(wiring, supply, transformers, around, grids)
    return Facts(wiring, supply, transformers, cathodes, plates, screens, around, grids, couplings)
