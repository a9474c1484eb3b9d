"""What an ohmmeter reads between two nets with the power off and capacitors empty.

Comes in: a circuit, and factors on its resistances.  Goes out: ohms, infinite where
nothing joins the nets.

With less than a diode's drop at its probes an ohmmeter sees resistors and the wire
of windings alone: cold tubes, capacitors, diodes and transistors do not conduct, and
behind a source stands a rectifier, so it is open.  A source of 0 V is an ammeter's
shunt or a jumper, except at the input, where nothing is plugged in.  The network
is linear: its conductance matrix without one net of each island is inverted once,
and the ohms between any two nets are `z_aa + z_bb - 2 z_ab` (the effective
resistance of a graph).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.linear import solve_network
from netcheck.circuit.model import Circuit, Part

LEAST_OHM = 1e-3
OPEN_FROM_OHM = 20e6
"""More than this reads as open: the highest range of common meters ends at 20 to 60 Mohm,
and boards and electrolytics leak as much (common practice)."""


LEAK_SIEMENS = 1e-15
"""What joins nets that no branch of a countable conductance joins: far beyond any range."""


@dataclass(frozen=True, slots=True)
class Network:
    """Islands of nets and, within an island, their impedance matrix."""

    island: Mapping[str, int]
    place: Mapping[str, int]
    impedance: tuple[NDArray[np.float64], ...]

    def ohm(self, first: str, second: str) -> float:
        """Return the ohms between two nets; infinite where it reads as open."""
        if first == second:
            return 0.0
        if first not in self.island or self.island.get(second) != self.island[first]:
            return math.inf
        z = self.impedance[self.island[first]]
        a, b = self.place[first], self.place[second]
        ohm = float(z[a, a] + z[b, b] - 2.0 * z[a, b])
        return ohm if ohm < OPEN_FROM_OHM else math.inf


def branch_ohm(part: Part, sources_conduct: bool = False) -> float | None:
    """Return what an ohmmeter finds in one part, or None where it is open."""
    if part.kind == "resistor":
        return max(part.value or 0.0, LEAST_OHM)
    if part.kind == "inductor":
        return max(part.note.dcr_ohm or 0.0, LEAST_OHM)
    if part.kind == "voltage_source" and not part.note.is_input:
        wave = part.element.waveform if part.element else None
        if sources_conduct or not (part.value or (wave is not None and wave.alternating)):
            return LEAST_OHM
    return None


def network_of(
    circuit: Circuit,
    factors: Mapping[str, float] | None = None,
    *,
    sources_conduct: bool = False,
) -> Network:
    """Return the resistive network of a circuit; `factors` multiply by part."""
    known = factors or {}
    branches = [
        (part.nets[0], part.nets[1], ohm * known.get(part.ref, 1.0))
        for part in circuit
        if (ohm := branch_ohm(part, sources_conduct)) is not None
    ]
    island = _islands(branches)
    members: dict[int, list[str]] = {}
    for net, number in island.items():
        members.setdefault(number, []).append(net)
    place = {net: at for nets in members.values() for at, net in enumerate(nets)}
    matrices = [np.zeros((len(nets), len(nets))) for nets in members.values()]
    for first, second, ohm in branches:
        matrix, a, b = matrices[island[first]], place[first], place[second]
        if a != b:
            for row, column, sign in ((a, a, 1), (b, b, 1), (a, b, -1), (b, a, -1)):
                matrix[row, column] += sign / ohm
    return Network(island, place, tuple(_inverse(matrix) for matrix in matrices))


def _inverse(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the impedances, with the island's first net as the reference."""
    found = np.zeros_like(matrix)
    if len(matrix) > 1:
        found[1:, 1:] = solve_network(matrix[1:, 1:], np.eye(len(matrix) - 1), LEAK_SIEMENS)
    return found


def _islands(branches: list[tuple[str, str, float]]) -> dict[str, int]:
    """Number the sets of nets that branches join."""
    neighbors: dict[str, list[str]] = {}
    for first, second, _ in branches:
        neighbors.setdefault(first, []).append(second)
        neighbors.setdefault(second, []).append(first)
    island: dict[str, int] = {}
    for start in neighbors:
        if start in island:
            continue
        number = len(set(island.values()))
        island[start], waiting = number, [start]
        while waiting:
            for far in neighbors[waiting.pop()]:
                if far not in island:
                    island[far] = number
                    waiting.append(far)
    return island
