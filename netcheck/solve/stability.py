"""Whether an operating point is stable: the poles of the circuit about it.

Comes in: a circuit, its variants and their operating points.  Goes out: the same points,
each with its `Stability`.  An operating point is where every current balances; whether
the circuit stays there is another question, which no solve for it answers.

About the point the circuit is linear: (G + s C) x = 0, G with the slopes of the tubes,
C with capacitors (the tubes' own too) and windings.  C is U D U' with a column of U for
each thing that stores energy, so that with K = G + r C for a real shift r the poles are
s = r - 1/m, m an eigenvalue of D^1/2 U' K^-1 U D^1/2: a small matrix, equal rows to one
another in scale, whose large eigenvalues are the poles that matter (shift and invert;
Ericsson and Ruhe, Math. Comp. 35, 1980, 1251; from memory).  A pole that grows is looked
at from other shifts too, and counts where they find it again.

Many variants are one stack of matrices: a fault changes a few numbers of the healthy
circuit's, and the slopes of its tubes are known from the volts it was solved with.

What the netlist does not say - wiring, the losses of a bare winding - sets poles far above
the audio band.  A growing pole is `trusted` where it swings in the band or below, or does
not swing, and grows with other strays too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import pi

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import (
    AddCurrentSource,
    AddResistor,
    Change,
    ScaleEmission,
    SetGas,
    SetGridEmission,
    SetValue,
    SetWire,
    apply_changes,
    changed_part,
)
from netcheck.circuit.model import GROUND, Circuit, Part, Pin
from netcheck.equations import solve_exactly
from netcheck.netlist.cards import PartNote
from netcheck.solve.deck import DAMPING_F, DAMPING_OHM, MAX_COUPLING, MIN_RESISTANCE_OHM
from netcheck.solve.network import (
    LinearNetwork,
    conductor_of,
    conducts,
    unknown_slopes,
    wire_ohm,
)
from netcheck.solve.ngspice import Array
from netcheck.solve.results import AUDIO_BAND_HZ, Outcome, Solved, Stability
from netcheck.tubes.types import CapacitanceName

UNDETERMINED = "the circuit does not determine its poles"
SHIFT_PER_S = 2e3
"""Between the poles of coupling capacitors and those of tube capacitances."""
OTHER_SHIFTS = (0.11, 0.7, 3.1)
"""As multiples of the size of a pole that is looked at again."""
SAME = 1e-3
"""Two shifts see one pole where they differ by less than this share of its size."""
LEAST_GROWTH_PER_S = 1e-2
"""Less takes minutes to double: mains and heat move the point sooner."""
LEAST_SHARE = 1e-5
"""Growth in a radian below which rounding decides."""
FASTEST_PER_S = 1e10
"""Beyond it there is no circuit, only wire."""
STRAYS_F = 30e-12
"""From every net to ground: wiring on tags and a screened lead (common practice)."""

BETWEEN: tuple[tuple[CapacitanceName, str, str], ...] = (
    ("grid_plate_f", "grid", "plate"),
    ("input_f", "grid", "cathode"),
    ("output_f", "plate", "cathode"),
)
"""A tube's capacitances and where a driven deck has them."""

Complexes = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Variant:
    """One variant of a circuit: what is changed, and where it was solved."""

    changes: tuple[Change, ...]
    state: Solved


def with_stability(
    circuit: Circuit,
    bare_windings: tuple[tuple[str, str], ...],
    variants: Sequence[tuple[Change, ...]],
    outcomes: Sequence[Outcome],
) -> list[Outcome]:
    """Return the outcomes of a circuit's variants, each solved one with its stability.

    bare_windings: net pairs that get the damping of driven runs; see `Hookup`.
    """
    solved = {
        number: Variant(variants[number], outcome)
        for number, outcome in enumerate(outcomes)
        if isinstance(outcome, Solved)
    }
    found = dict(
        zip(solved, _stabilities(circuit, bare_windings, list(solved.values())), strict=True)
    )
    return [
        replace(outcome, stability=found[number]) if isinstance(outcome, Solved) else outcome
        for number, outcome in enumerate(outcomes)
    ]


def _stabilities(
    circuit: Circuit, bare: tuple[tuple[str, str], ...], variants: Sequence[Variant]
) -> list[Stability]:
    """Return the stability of each variant; those that differ by numbers are one stack."""
    damped = damped_circuit(circuit, bare)
    is_known = not unknown_slopes(circuit)
    answers: dict[int, Stability] = {}
    together: list[int] = []
    for number, variant in enumerate(variants):
        if is_known and all(_is_a_number(circuit, change) for change in variant.changes):
            together.append(number)
        else:
            answers[number] = _alone(damped, variant)
    if together:
        found = _of_stack(EnergyNetwork(damped), [variants[number] for number in together])
        answers.update(zip(together, found, strict=True))
    return [answers[number] for number in range(len(variants))]


def _is_a_number(circuit: Circuit, change: Change) -> bool:
    """Say whether a change leaves the network as it is, but for its numbers."""
    match change:
        case SetValue(part=ref):
            return circuit[ref].kind != "inductor"
        case AddResistor(net_a=first, net_b=second):
            return {first, second} <= set(circuit.nets)
        case SetWire() | ScaleEmission() | SetGas() | AddCurrentSource() | SetGridEmission():
            return True
    return False


def _alone(damped: Circuit, variant: Variant) -> Stability:
    faulted = apply_changes(damped, variant.changes)
    unknown = unknown_slopes(faulted)
    if unknown:
        refs = ", ".join(part.ref for part in unknown[:3]) + (", ..." if len(unknown) > 3 else "")
        return Stability(None, trusted=False, reason=f"how {refs} answers is not known here")
    return _of_stack(EnergyNetwork(faulted), [Variant((), variant.state)])[0]


def _of_stack(network: EnergyNetwork, variants: Sequence[Variant]) -> list[Stability]:
    """Return what the poles of each variant say; growing ones are looked at again."""
    stack = network.stack(variants)
    growing: dict[int, list[complex]] = {}
    for number, poles in enumerate(network.poles(stack)):
        sure = [
            pole for pole in _growing(poles) if _is_seen_again(network, stack.one(number), pole)
        ]
        if sure:
            growing[number] = sorted(sure, key=lambda pole: -pole.real)
    slow = [
        number for number, (worst, *_) in growing.items() if worst.imag <= 2.0 * pi * AUDIO_BAND_HZ
    ]
    trusted = set(_grow_with_strays(network.circuit, variants, slow))
    return [
        _unstable(growing[number], number in trusted) if number in growing else Stability(True)
        for number in range(len(variants))
    ]


def _unstable(growing: Sequence[complex], trusted: bool) -> Stability:
    """Return what growing poles, the fastest first, make of an operating point.

    Of a loop that adds and has capacitors in it, one pole on the real axis is fast and one
    is slow: it runs to one side, and back when the capacitors have followed.  With a single
    one, or an odd number, there is another state to stay in.
    """
    worst = growing[0]
    on_axis = sum(pole.imag == 0.0 for pole in growing)
    relaxes = worst.imag == 0.0 and on_axis % 2 == 0
    frequency_hz = None if relaxes else worst.imag / 2.0 / pi
    return Stability(False, frequency_hz, worst.real, trusted)


def _growing(poles: Complexes) -> list[complex]:
    size = np.abs(poles)
    least = np.maximum(LEAST_GROWTH_PER_S, LEAST_SHARE * size)
    found = poles[(poles.real > least) & (size < FASTEST_PER_S) & (poles.imag >= 0.0)]
    return [complex(each) for each in found]


def _is_seen_again(network: EnergyNetwork, stack: Stack, pole: complex) -> bool:
    """Say whether most of the other shifts find a pole too."""
    seen = 0
    for times in OTHER_SHIFTS:
        others = network.poles(stack, times * abs(pole))[0]
        seen += bool(len(others) and np.min(np.abs(others - pole)) < SAME * abs(pole))
    return seen >= len(OTHER_SHIFTS) - 1


def _grow_with_strays(
    circuit: Circuit, variants: Sequence[Variant], numbers: Sequence[int]
) -> list[int]:
    """Return those variants of which a pole grows with wiring from every net to ground too."""
    if not numbers:
        return []
    network = EnergyNetwork(_with_strays(circuit, STRAYS_F))
    poles = network.poles(network.stack([variants[number] for number in numbers]))
    return [number for number, each in zip(numbers, poles, strict=True) if _growing(each)]


def _with_strays(circuit: Circuit, farad: float) -> Circuit:
    return circuit.with_parts(
        *(_capacitor(f"stray of {net}", net, GROUND, farad) for net in circuit.nets[1:])
    )


def damped_circuit(circuit: Circuit, bare: tuple[tuple[str, str], ...]) -> Circuit:
    """Return a circuit with the damping that bare windings get in driven runs."""
    parts: list[Part] = []
    for number, (near, far) in enumerate(bare):
        middle = f"damping {number}"
        parts.append(_resistor(f"damping ohm {number}", near, middle, DAMPING_OHM))
        parts.append(_capacitor(f"damping farad {number}", middle, far, DAMPING_F))
    return circuit.with_parts(*parts) if parts else circuit


def _resistor(ref: str, first: str, second: str, ohm: float) -> Part:
    return replace(_capacitor(ref, first, second, ohm), kind="resistor")


def _capacitor(ref: str, first: str, second: str, farad: float) -> Part:
    return Part(ref, "capacitor", (Pin("a", first), Pin("b", second)), farad, PartNote())


@dataclass(frozen=True, slots=True)
class Stack:
    """Variants of one network: matrices (cases, unknowns, unknowns) and sizes (cases, stores)."""

    matrix: Array
    sizes: Array

    def one(self, number: int) -> Stack:
        """Return the stack of one of the variants."""
        return Stack(self.matrix[number : number + 1], self.sizes[number : number + 1])


@dataclass(frozen=True, slots=True)
class Mode:
    """How a circuit moves with one pole, to a common scale: volts of nets, amperes of windings."""

    nets: Mapping[str, complex]
    windings: Mapping[str, complex]


def growing_mode(circuit: Circuit, bare: tuple[tuple[str, str], ...], state: Solved) -> Mode | None:
    """Return the mode that grows fastest about an operating point; None where none grows."""
    damped = damped_circuit(circuit, bare)
    if unknown_slopes(damped):
        return None
    network = EnergyNetwork(damped)
    stack = network.stack([Variant((), state)])
    growing = [
        pole for pole in _growing(network.poles(stack)[0]) if _is_seen_again(network, stack, pole)
    ]
    if not growing:
        return None
    return network.mode(stack, max(growing, key=lambda pole: pole.real))


class EnergyNetwork(LinearNetwork):
    """A circuit's linear network with all that stores energy free to move.

    ways: (unknowns, stores), where each store of energy is in the network.  sizes: its
    farad; 1 for a winding, whose henry (with those it is coupled to) is in `ways`.
    signs: -1 for a winding.  store: number of a capacitor among the stores.  wire: row of a
    winding.
    """

    def __init__(self, circuit: Circuit) -> None:
        inductors = circuit.of_kind("inductor")
        super().__init__(circuit, len(inductors))
        ways: list[Array] = []
        self.store: dict[str, int] = {}
        sizes: list[float] = []
        for ref, nets, farad in _capacitances(circuit):
            self.store[ref] = len(ways)
            ways.append(self.between(nets))
            sizes.append(farad)
        capacitors = len(ways)
        rows = [self.branch(part.nets, wire_ohm(part)) for part in inductors]
        self.wire = {part.ref: row for part, row in zip(inductors, rows, strict=True)}
        if rows:
            for column in _magnetic_roots(circuit, inductors).T:
                way = np.zeros(self.size)
                way[rows] = column
                ways.append(way)
                sizes.append(1.0)
        self.ways = np.array(ways).T if ways else np.zeros((self.size, 0))
        self.sizes = np.array(sizes)
        self.signs = np.where(np.arange(len(sizes)) < capacitors, 1.0, -1.0)

    def between(self, nets: tuple[str, ...]) -> Array:
        """Return the column of what lies between two nets."""
        way = np.zeros(self.size)
        for net, sign in zip(nets, (1.0, -1.0), strict=True):
            place = self.at(net)
            if place is not None:
                way[place] += sign
        return way

    def poles(self, stack: Stack, shift: float = SHIFT_PER_S) -> list[Complexes]:
        """Return the finite poles of each variant of a stack [1/s]."""
        if not len(self.sizes):
            return [np.zeros(0, dtype=np.complex128) for _ in stack.matrix]
        found: list[Complexes] = []
        for each in np.linalg.eigvals(self._inverse(stack, shift)[0]):
            finite = each[np.abs(each) > 1.0 / FASTEST_PER_S]
            found.append(np.asarray(shift - 1.0 / finite, dtype=np.complex128))
        return found

    def mode(self, stack: Stack, pole: complex) -> Mode:
        """Return how the first variant of a stack moves with the pole nearest to a given one."""
        shift = OTHER_SHIFTS[1] * abs(pole)
        tables, answers = self._inverse(stack, shift)
        values, vectors = np.linalg.eig(tables[0])
        nearest = int(np.argmin(np.abs(values - 1.0 / (shift - pole))))
        moved = answers[0] @ (np.sqrt(stack.sizes[0]) * self.signs * vectors[:, nearest])
        return Mode(
            {net: complex(moved[place]) for net, place in self.place.items()},
            {ref: complex(moved[row]) for ref, row in self.wire.items()},
        )

    def _inverse(self, stack: Stack, shift: float) -> tuple[Array, Array]:
        """Return the small matrices whose eigenvalues are 1/(shift - pole), and K^-1 U."""
        stored = shift * self.signs * stack.sizes
        matrix = stack.matrix + (self.ways * stored[:, None, :]) @ self.ways.T
        scale = 1.0 / np.abs(matrix).max(axis=2, keepdims=True)
        answer = solve_exactly(scale * matrix, scale * self.ways, UNDETERMINED)
        root = np.sqrt(stack.sizes)
        table = root[:, :, None] * (self.ways.T @ answer) * (root * self.signs)[:, None, :]
        return table, answer

    def stack(self, variants: Sequence[Variant]) -> Stack:
        """Return the matrices of variants, the slopes of their tubes included."""
        matrix = np.repeat(self.fixed[None], len(variants), axis=0)
        sizes = np.repeat(self.sizes[None], len(variants), axis=0)
        for number, variant in enumerate(variants):
            for change in variant.changes:
                self._change(matrix[number], sizes[number], change)
        for part in self.circuit.tubes:
            laws: dict[tuple[float, float | None], tuple[Part, list[int]]] = {}
            for number, variant in enumerate(variants):
                tube = _tube_of(part, variant.changes)
                key = tube.current_scale, tube.gas_ratio
                laws.setdefault(key, (tube, []))[1].append(number)
            for tube, members in laws.values():
                if conducts(tube):
                    self._tube(matrix, tube, members, variants)
        return Stack(matrix, sizes)

    def _tube(
        self, matrix: Array, part: Part, members: list[int], variants: Sequence[Variant]
    ) -> None:
        device = conductor_of(part)
        volts = np.array(
            [
                [_volts(variants[number].state.nets, part, pin) for number in members]
                for pin in device.pins
            ]
        )
        slopes = np.zeros((len(members), *matrix.shape[1:]))
        self.add_slopes(slopes, device, volts)
        matrix[members] += slopes

    def _change(self, matrix: Array, sizes: Array, change: Change) -> None:
        """Change the numbers of one variant."""
        match change:
            case AddResistor(net_a=first, net_b=second, ohm=ohm):
                self._conduct(matrix, (first, second), 1.0 / max(ohm, MIN_RESISTANCE_OHM))
            case SetWire(part=ref, ohm=ohm):
                matrix[self.wire[ref], self.wire[ref]] = -max(ohm, MIN_RESISTANCE_OHM)
            case SetValue(part=ref, value=value):
                part = self.circuit[ref]
                if part.kind == "capacitor":
                    sizes[self.store[ref]] = max(value, 0.0)
                elif part.kind == "resistor":
                    before = 1.0 / max(part.value or 0.0, MIN_RESISTANCE_OHM)
                    after = 1.0 / max(value, MIN_RESISTANCE_OHM)
                    self._conduct(matrix, part.nets, after - before)
            case _:
                pass  # a constant current, or a tube's law, which has its own way

    def _conduct(self, matrix: Array, nets: tuple[str, ...], siemens: float) -> None:
        way = self.between(nets)
        places = np.flatnonzero(way)
        matrix[np.ix_(places, places)] += siemens * np.outer(way[places], way[places])


def _tube_of(part: Part, changes: tuple[Change, ...]) -> Part:
    for change in changes:
        if isinstance(change, ScaleEmission | SetGas) and change.part == part.ref:
            part = changed_part(part, change)
    return part


def _volts(nets: Mapping[str, float], part: Part, pin: str) -> float:
    return nets.get(part.net(pin), 0.0) - nets.get(part.net("cathode"), 0.0)


def _capacitances(circuit: Circuit) -> list[tuple[str, tuple[str, ...], float]]:
    """Return every capacitance: name, nets, farad; the tubes' as a driven deck has them."""
    found = [
        (part.ref, part.nets, part.value or 0.0)
        for part in circuit.of_kind("capacitor")
        if part.nets[0] != part.nets[1]
    ]
    for part in circuit.tubes:
        if part.tube is None or not conducts(part) or not part.has_pin("grid"):
            continue
        for name, first, second in BETWEEN:
            row = part.tube.capacitance(name, part.section)
            nets = (part.net(first), part.net(second))
            if row is not None and nets[0] != nets[1]:
                found.append((f"{name} of {part.ref}", nets, row.value))
    return found


def _magnetic_roots(circuit: Circuit, inductors: tuple[Part, ...]) -> Array:
    """Return R with R R' the matrix of inductances [H]."""
    place = {part.ref: number for number, part in enumerate(inductors)}
    henry = np.array([part.value or 0.0 for part in inductors])
    table = np.diag(henry)
    for pair in circuit.couplings:
        one, other = place[pair.first], place[pair.second]
        factor = max(-MAX_COUPLING, min(MAX_COUPLING, pair.factor))
        table[one, other] = table[other, one] = factor * np.sqrt(henry[one] * henry[other])
    values, vectors = np.linalg.eigh(table)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
