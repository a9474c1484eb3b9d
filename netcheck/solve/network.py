"""A circuit at its operating point as a linear network.

Comes in: a circuit.  Goes out: the matrix of modified nodal analysis (Ho, Ruehli and
Brennan 1975, IEEE Trans. CAS-22, 504; from memory) of its resistors, sources and tubes,
a tube by the slopes of its law at given volts.  What stores energy is added by those who
build on it: held at its state in `jacobian.py`, free to move in `stability.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.solve.deck import MIN_RESISTANCE_OHM
from netcheck.solve.ngspice import Array
from netcheck.tubes.model import RectifierLaw, law_of, rectifier_law_of

SLOPE_V = 1e-4
"""Step of the difference that stands for a slope."""
SHUNT_S = 1e-12
"""From every net to ground, so that none hangs in the air; an open grid leaks 1e-10 S."""

Currents = Callable[..., tuple[Array, ...]]


@dataclass(frozen=True, slots=True)
class Conductor:
    """Electrodes whose currents follow from their volts to the cathode."""

    part: Part
    pins: tuple[str, ...]
    currents: Currents


class LinearNetwork:
    """Resistors, sources and tubes; branches: how many unknown currents there will be.

    Unknowns: the nets but ground, then the currents of branches.  fixed: the matrix
    without its tubes.
    """

    def __init__(self, circuit: Circuit, branches: int) -> None:
        self.circuit = circuit
        self.place = {net: number for number, net in enumerate(circuit.nets[1:])}
        self.devices = [conductor_of(part) for part in circuit.tubes if conducts(part)]
        sources = circuit.of_kind("voltage_source")
        copies = sum(_letter(part) == "E" for part in circuit)
        size = len(self.place) + len(sources) + copies + branches
        diagonal = np.zeros(size)
        diagonal[: len(self.place)] = SHUNT_S
        self.fixed = np.diag(diagonal)
        self.size = size
        self._next = len(self.place)
        for part in circuit.of_kind("resistor"):
            self.conductance(part.nets, 1.0 / max(part.value or 0.0, MIN_RESISTANCE_OHM))
        for part in sources:
            self.branch(part.nets, MIN_RESISTANCE_OHM)
        for part in circuit.of_kind("controlled_source"):
            self._controlled(part)

    def at(self, net: str) -> int | None:
        """Return the place of a net, None for ground."""
        return None if net == GROUND else self.place[net]

    def put(self, row: int | None, column: int | None, value: float) -> None:
        """Add to the matrix, unless row or column is ground's."""
        if row is not None and column is not None:
            self.fixed[row, column] += value

    def conductance(self, nets: tuple[str, ...], siemens: float) -> None:
        """Add a conductance between two nets."""
        first, second = map(self.at, nets)
        self.put(first, first, siemens)
        self.put(second, second, siemens)
        self.put(first, second, -siemens)
        self.put(second, first, -siemens)

    def row(self) -> int:
        """Return the place of a further unknown."""
        self._next += 1
        return self._next - 1

    def branch(self, nets: tuple[str, ...], ohm: float) -> int:
        """Add a branch; its row says what its volts are, beyond what its ohms take."""
        branch = self.row()
        for net, sign in zip(nets, (1.0, -1.0), strict=True):
            self.put(self.at(net), branch, sign)
            self.put(branch, self.at(net), sign)
        self.fixed[branch, branch] -= ohm
        return branch

    def _controlled(self, part: Part) -> None:
        """Add a source whose volts (E) or amperes (G) are a multiple of other volts."""
        assert part.element is not None
        gain = part.element.value or 0.0
        if _letter(part) == "E":
            rows = [(self.branch(part.nets[:2], MIN_RESISTANCE_OHM), -gain)]
        else:
            places = map(self.at, part.nets[:2])
            rows = [
                (row, way)
                for row, way in zip(places, (gain, -gain), strict=True)
                if row is not None
            ]
        for row, way in rows:
            self.put(row, self.at(part.nets[2]), way)
            self.put(row, self.at(part.nets[3]), -way)

    def add_slopes(self, matrix: Array, device: Conductor, volts: Array) -> None:
        """Add the slopes of a device's currents to each matrix of a stack.

        matrix: (cases, unknowns, unknowns).  volts: to the cathode, (electrodes, cases).
        """
        steps = np.zeros((len(volts), len(volts) + 1, 1))
        for number in range(len(volts)):
            steps[number, number + 1] = SLOPE_V
        amps = device.currents(*(volts[:, None, :] + steps))
        places = [self.at(device.part.net(pin)) for pin in device.pins]
        cathode = self.at(device.part.net("cathode"))
        for row, current in zip(places, amps, strict=True):
            for column, moved in zip(places, current[1:], strict=True):
                slope = (moved - current[0]) / SLOPE_V
                for one, sign in ((row, 1.0), (cathode, -1.0)):
                    for other, way in ((column, 1.0), (cathode, -1.0)):
                        if one is not None and other is not None:
                            matrix[:, one, other] += sign * way * slope


def unknown_slopes(circuit: Circuit) -> tuple[Part, ...]:
    """Return the parts whose slopes are not known.

    Those are diodes, transistors, sources that follow an expression or a current, and
    tubes with a model of the user's own.
    """
    return tuple(
        part
        for part in circuit
        if part.kind in ("transistor", "diode")
        or (part.kind == "controlled_source" and not _is_linear(part))
        or (part.kind == "tube" and conducts(part) and not _is_lawful(part))
    )


def conductor_of(part: Part) -> Conductor:
    """Return a tube that follows the law on file as a conductor."""
    assert part.tube is not None
    pins = tuple(pin.name for pin in part.pins if pin.name != "cathode")
    if part.tube.kind == "rectifier":
        law = rectifier_law_of(part.tube).scaled(part.current_scale)
        return Conductor(part, pins, _diodes(law))
    law_of_tube = law_of(part.tube).scaled(part.current_scale)
    if part.gas_ratio is not None:
        grid = replace(law_of_tube.grid, gas_ratio=part.gas_ratio)
        law_of_tube = replace(law_of_tube, grid=grid)
    return Conductor(part, pins, law_of_tube.currents)


def conducts(part: Part) -> bool:
    """Say whether a tube is warm."""
    return part.current_scale != 0.0


def wire_ohm(part: Part) -> float:
    """Return the resistance of a winding's wire as it is solved [ohm]."""
    return max(part.note.dcr_ohm or 0.0, MIN_RESISTANCE_OHM)


def _letter(part: Part) -> str:
    """Return the letter of a controlled source, nothing for another part."""
    return part.element.letter if part.kind == "controlled_source" and part.element else ""


def _is_linear(part: Part) -> bool:
    element = part.element
    return element is not None and element.letter in "EG" and element.value is not None


def _is_lawful(part: Part) -> bool:
    own = part.element is not None and bool(part.element.body)
    return part.tube is not None and not own


def _diodes(law: RectifierLaw) -> Currents:
    def currents(*volts: Array) -> tuple[Array, ...]:
        return tuple(law.current_a(each) for each in volts)

    return currents
