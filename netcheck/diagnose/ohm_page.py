"""The page of the dictionary for resistances: power off, read with every fault.

Comes in: the circuit, its faults and what spreads.  Goes out: an `OhmPage`, ohms between
any two nets by fault and unit.  The network is linear and needs no ngspice; how far the
ohms between two nets follow one resistor is exact to the first order: the share of
the test current's power that this resistor takes, `dR/R_i = (v_i / R_i)^2` with
1 A between the nets (S. Cohn, "The resistance of an electrical network", Proc.
American Mathematical Society 1, 1950; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import Change, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.diagnose.ohms import LEAST_OHM, OPEN_FROM_OHM, branch_ohm, network_of
from netcheck.diagnose.spread import Spread

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
