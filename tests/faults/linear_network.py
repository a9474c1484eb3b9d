"""Impedance of a linear circuit by nodal analysis with winding currents as unknowns.

Independent of the solver: complex Kirchhoff equations in numpy.  The wire resistance
of a winding is taken from its part note, as the deck writer does.
"""

from __future__ import annotations

import numpy as np

from netcheck.circuit.model import GROUND, Circuit


def impedance(circuit: Circuit, first: str, second: str, frequency_hz: float) -> complex:
    """Return the impedance between two nets [ohm]; sources count as shorts to ground."""
    omega = 2.0 * np.pi * frequency_hz
    joined_nets = {net: GROUND for part in circuit.of_kind("voltage_source") for net in part.nets}
    touched = {
        joined_nets.get(net, net)
        for part in circuit.of_kind("resistor", "inductor", "capacitor")
        for net in part.nets
    }
    nets = sorted(touched - {GROUND})
    place = {net: number for number, net in enumerate(nets)}
    coils = circuit.of_kind("inductor")
    size = len(nets) + len(coils)
    matrix = np.zeros((size, size), dtype=complex)

    def node(net: str) -> int | None:
        return place.get(joined_nets.get(net, net))

    for part in circuit.of_kind("resistor", "capacitor"):
        value = part.value or 0.0
        admittance = 1.0 / value if part.kind == "resistor" else 1j * omega * value
        a, b = (node(net) for net in part.nets)
        for near, far in ((a, b), (b, a)):
            if near is not None:
                matrix[near, near] += admittance
                if far is not None:
                    matrix[near, far] -= admittance
    row = {part.ref: len(nets) + number for number, part in enumerate(coils)}
    for part in coils:
        own = row[part.ref]
        for net, sign in zip(part.nets, (1.0, -1.0), strict=True):
            if (at := node(net)) is not None:
                matrix[at, own] += sign
                matrix[own, at] += sign
        matrix[own, own] -= 1j * omega * (part.value or 0.0) + (part.note.dcr_ohm or 0.0)
    for pair in circuit.couplings:
        mutual = pair.factor * np.sqrt(
            (circuit[pair.first].value or 0.0) * (circuit[pair.second].value or 0.0)
        )
        one, two = row[pair.first], row[pair.second]
        matrix[one, two] -= 1j * omega * mutual
        matrix[two, one] -= 1j * omega * mutual
    matrix[: len(nets), : len(nets)] += np.eye(len(nets)) * 1e-12
    drive = np.zeros(size, dtype=complex)
    for net, sign in ((first, 1.0), (second, -1.0)):
        if (at := node(net)) is not None:
            drive[at] += sign
    answer = np.linalg.solve(matrix, drive)
    volts = [0.0 if node(net) is None else answer[node(net)] for net in (first, second)]
    return complex(volts[0] - volts[1])
