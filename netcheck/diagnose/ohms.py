"""What an ohmmeter reads between two nets with the power off and capacitors empty.

Comes in: a circuit, its faults and what spreads.  Goes out: ohms, infinite where nothing joins
the nets; the `OhmPage` of the dictionary, ohms between any two nets by fault and unit.

With less than a diode's drop at its probes an ohmmeter sees resistors and the wire
of windings alone: cold tubes, capacitors, diodes and transistors do not conduct, and
behind a source stands a rectifier, so it is open.  A source of 0 V is an ammeter's
shunt or a jumper, except at the input, where nothing is plugged in.  The network
is linear and needs no ngspice: its conductance matrix without one net of each island is
inverted once, and the ohms between any two nets are `z_aa + z_bb - 2 z_ab` (the effective
resistance of a graph).  How far they follow one resistor is exact to the first order: the
share of the test current's power that this resistor takes, `dR/R_i = (v_i / R_i)^2` with
1 A between the nets (S. Cohn, "The resistance of an electrical network", Proc.
American Mathematical Society 1, 1950; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import Change, apply_changes
from netcheck.circuit.linear import solve_network
from netcheck.circuit.model import Circuit, Part
from netcheck.diagnose.situations import Spread

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


Array = NDArray[np.float64]
LEAKY_FROM_F, LEAK_OHM_FARAD = 1e-6, 20.0
TOUCHES = ("resistor", "inductor", "voltage_source")


@dataclass(frozen=True)
class OhmPage:
    """Row 0 is the sound circuit, row n the n-th fault.

    nets: ground among them.  island: (rows, nets), which nets are joined at all.
    impedance: (rows, nets, nets) [ohm], to one net of the island.  ohm: (rows, branches)
    of the parts that spread.  ends: (branches, 2), which nets they join.
    """

    nets: tuple[str, ...]
    island: NDArray[np.int64]
    impedance: Array
    ohm: Array
    ends: NDArray[np.int64]
    columns: NDArray[np.int64]
    """By branch, which variable moves it."""

    def log_ohms(
        self, first: str, second: str, factors: Array, open_ohm: float = OPEN_FROM_OHM
    ) -> tuple[Array, Array]:
        """Return log10 of ohms, nominal (rows,) and by unit (rows, draws).

        More than `open_ohm` reads as open and is kept at that.
        """
        a, b = self.nets.index(first), self.nets.index(second)
        span = self.impedance[:, a, :] - self.impedance[:, b, :]
        joined = self.island[:, a] == self.island[:, b]
        ohm = np.where(joined, span[:, a] - span[:, b], OPEN_FROM_OHM)
        volts = span[:, self.ends[:, 0]] - span[:, self.ends[:, 1]]
        same = self.island[:, self.ends[:, 0]] == self.island[:, [a]]
        share = np.where(same & joined[:, None], volts**2 / self.ohm, 0.0)
        units = ohm[:, None] + share @ (factors[:, self.columns] - 1.0).T
        return _log(ohm, open_ohm), _log(units, open_ohm)


def solve_ohm_page(
    circuit: Circuit, variants: Sequence[tuple[Change, ...] | None], spread: Spread
) -> OhmPage:
    """Return the page; None is a fault that leaves with the tubes or the mains."""
    nets = circuit.nets
    place = {net: at for at, net in enumerate(nets)}
    branches = [
        (at, part)
        for at, one in enumerate(spread.variables)
        if one.kind in ("value", "wire")
        for part in one.parts
        if branch_ohm(circuit[part]) is not None
    ]
    rows = [_row(circuit, place, [part for _, part in branches])]
    for changes in variants:
        if changes is None or not _touches(circuit, changes):
            rows.append(rows[0])
        else:
            rows.append(_row(apply_changes(circuit, changes), place, [ref for _, ref in branches]))
    ends = [[place[net] for net in circuit[ref].nets[:2]] for _, ref in branches]
    return OhmPage(
        nets,
        np.array([one[0] for one in rows]),
        np.array([one[1] for one in rows]),
        np.array([one[2] for one in rows]).reshape(len(rows), len(branches)),
        np.array(ends, dtype=np.int64).reshape(-1, 2),
        np.array([at for at, _ in branches], dtype=np.int64),
    )


def _touches(circuit: Circuit, changes: tuple[Change, ...]) -> bool:
    """Say whether a fault changes anything that an ohmmeter sees."""
    parts = [circuit.parts.get(getattr(change, "part", "")) for change in changes]
    return any(part is None or part.kind in TOUCHES for part in parts) or any(
        type(change).__name__ == "Reconnect" for change in changes
    )


def _row(
    circuit: Circuit, place: dict[str, int], refs: Sequence[str]
) -> tuple[NDArray[np.int64], Array, Array]:
    network = network_of(circuit)
    island = -1 - np.arange(len(place))
    impedance = np.zeros((len(place), len(place)))
    for number in range(len(network.impedance)):
        known = [net for net in place if network.island.get(net) == number]
        far = [place[net] for net in known]
        near = [network.place[net] for net in known]
        island[far] = number
        impedance[np.ix_(far, far)] = network.impedance[number][np.ix_(near, near)]
    ohm = [
        found
        if ref in circuit.parts and (found := branch_ohm(circuit[ref])) is not None
        else OPEN_FROM_OHM
        for ref in refs
    ]
    return island, impedance, np.array(ohm)


def open_ohm_of(circuit: Circuit, first: str, second: str) -> float:
    """Return from where on a reading between two nets is open.

    Across an electrolytic, taken to be any capacitor from 1 uF up, a sound one may leak as
    much: 0.01 C V at its rated volts (the usual limit of IEC 60384-4, from memory) is
    100 ohm-farad; one that has stood without volts leaks more, a fifth is taken (common
    practice).
    """
    across = [
        part.value or 0.0
        for part in circuit.parts_on.get(first, ())
        if part.kind == "capacitor" and set(part.nets) == {first, second}
    ]
    farad = max(across, default=0.0)
    return min(OPEN_FROM_OHM, LEAK_OHM_FARAD / farad) if farad >= LEAKY_FROM_F else OPEN_FROM_OHM


def _log(ohm: Array, open_ohm: float) -> Array:
    return np.asarray(np.log10(np.clip(ohm, LEAST_OHM, open_ohm)))
