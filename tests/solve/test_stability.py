"""Poles at an operating point, against closed forms and another way to find them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import pi, sqrt

import numpy as np
import pytest
from scipy import linalg  # type: ignore[import-untyped]

from netcheck.circuit.changes import SetValue, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.solve.network import conductor_of
from netcheck.solve.ngspice import Array
from netcheck.solve.results import Solved
from netcheck.solve.stability import EnergyNetwork, Variant, damped_circuit, with_stability
from tests.solve.worker import DEMOS, Demo, Worker, circuit_of

EMPTY = Solved("idle", {}, {}, {})
BAND_PER_S = 2.0 * pi * 20e3


def poles_of(circuit: Circuit, state: Solved = EMPTY) -> Array:
    """Return the poles about a state, the slowest first."""
    network = EnergyNetwork(circuit)
    found = network.poles(network.stack([Variant((), state)]))[0]
    return np.array(sorted(found, key=abs))


def test_a_capacitor_decays_over_the_resistors_around_it() -> None:
    found = poles_of(circuit_of("V1 a 0 10", "R1 a b 3k", "R2 b 0 6k", "C1 b 0 10u"))

    assert found == pytest.approx([-1.0 / (2e3 * 10e-6)])


def test_a_tuned_circuit_rings_at_its_frequency() -> None:
    found = poles_of(circuit_of("V1 a 0 10", "R1 a b 100", "L1 b c 0.1", "C1 c 0 1u"))

    loss, omega = 1e2 / 0.1 / 2.0, 1.0 / sqrt(0.1 * 1e-6)
    assert found.imag == pytest.approx([sqrt(omega**2 - loss**2), -sqrt(omega**2 - loss**2)])
    assert found.real == pytest.approx([-loss, -loss], rel=1e-4)


def test_leakage_and_magnetizing_inductance_of_a_transformer_have_poles_of_their_own() -> None:
    """Of two equal windings, coupled by k, L(1+k) and L(1-k) are what the sum and the
    difference of equal loads see (any text on coupled circuits)."""
    found = poles_of(circuit_of("L1 a 0 2", "R1 a 0 1k", "L2 b 0 2", "R2 b 0 1k", "K1 L1 L2 0.99"))

    assert found.real == pytest.approx([-1e3 / (2.0 * 1.99), -1e3 / (2.0 * 0.01)], rel=1e-4)
    assert np.all(found.imag == 0.0)


def test_a_bypass_sees_the_cathode_resistor_beside_the_tube(worker: Worker) -> None:
    """Beside a cathode resistor stands (rp + RL) / (mu + 1) (any text on triodes)."""
    circuit = circuit_of("V1 b 0 250", "R1 b p 100k", "X1 p 0 k 12AX7", "R2 k 0 1.5k", "C1 k 0 25u")
    idle = worker.idle(circuit)
    state, tube = idle.tubes["X1"], circuit["X1"]
    plate, grid = state.plate_v - state.cathode_v, state.grid_v - state.cathode_v
    law = conductor_of(tube).currents
    step = 1e-3
    amps = [float(law(np.array(p), np.array(g))[0]) for p, g in
            ((plate, grid), (plate + step, grid), (plate, grid + step))]  # fmt: skip
    plate_ohm = step / (amps[1] - amps[0])
    mu = (amps[2] - amps[0]) / (amps[1] - amps[0])

    beside = (plate_ohm + 100e3) / (mu + 1.0)
    assert poles_of(circuit, idle)[0].real == pytest.approx(-(1 / 1500 + 1 / beside) / 25e-6, 1e-3)


def test_a_chain_of_three_turns_over_where_its_gain_is_eight() -> None:
    """A ring of three equal low passes with gain -A grows from A = 8 on, at sqrt(3)/RC
    (phase of 60 degrees each, and cos 60 = 1/2 cubed; any text on oscillators)."""
    frequency_hz = sqrt(3.0) / (1e4 * 1e-8) / 2.0 / pi
    for gain, is_stable in ((7.9, True), (8.1, False)):
        cards = [f"E{n} {n}a 0 {n}c 0 {-gain if n == 1 else 1}" for n in (1, 2, 3)]
        ring = [f"R{n} {n}a {n % 3 + 1}c 10k" for n in (1, 2, 3)]
        caps = [f"C{n} {n}c 0 10n" for n in (1, 2, 3)]
        (found,) = with_stability(circuit_of(*cards, *ring, *caps), (), [()], [EMPTY])

        assert isinstance(found, Solved)
        assert found.stability is not None
        assert found.stability.stable is is_stable
        assert found.stability.trusted
        if not is_stable:
            assert found.stability.frequency_hz == pytest.approx(frequency_hz, rel=0.01)
            assert found.stability.kind == "oscillation"


@pytest.mark.parametrize("name", DEMOS)
def test_poles_are_those_of_the_whole_pencil(demo: Callable[[str], Demo], name: str) -> None:
    """The QZ method on the unreduced matrices (G. Moler and G. Stewart, SIAM J. Numer.
    Anal. 10, 1973, 241; from memory) finds every pole within reach of its rounding."""
    known = demo(name)
    circuit = damped_circuit(known.circuit, known.hookup.bare_windings)
    network = EnergyNetwork(circuit)
    stack = network.stack([Variant((), known.idle)])
    stored = (network.ways * network.signs * network.sizes) @ network.ways.T
    pairs = linalg.eigvals(stack.matrix[0], -stored, homogeneous_eigvals=True)
    finite = np.abs(pairs[1]) > 1e-14 * np.abs(pairs[1]).max()
    others = pairs[0][finite] / pairs[1][finite]
    poles = network.poles(stack)[0]
    poles = poles[np.abs(poles) < BAND_PER_S]

    assert len(poles) > 5
    for pole in poles:
        assert np.min(np.abs(others - pole)) < 1e-3 * abs(pole)


@pytest.mark.parametrize("name", DEMOS)
def test_a_stack_of_variants_has_the_poles_of_each_alone(
    demo: Callable[[str], Demo], worker: Worker, name: str
) -> None:
    known = demo(name)
    faults = known.faults[:: max(1, len(known.faults) // 40)]
    variants = [fault.changes for fault in faults]
    outcomes = worker.sweep(known.circuit, *variants)
    bare = known.hookup.bare_windings
    together = with_stability(known.circuit, bare, variants, outcomes)

    for changes, outcome, found in zip(variants, outcomes, together, strict=True):
        faulted = apply_changes(known.circuit, changes)
        (alone,) = with_stability(faulted, bare, [()], [outcome])
        if isinstance(found, Solved) and isinstance(alone, Solved):
            assert found.stability is not None
            assert alone.stability is not None
            assert found.stability.stable is alone.stability.stable
            if found.stability.frequency_hz:
                assert found.stability.frequency_hz == pytest.approx(alone.stability.frequency_hz)


def test_healthy_demos_are_stable(demo: Callable[[str], Demo]) -> None:
    for name in DEMOS:
        known = demo(name)
        bare = known.hookup.bare_windings
        (found,) = with_stability(known.circuit, bare, [()], [known.idle])
        assert isinstance(found, Solved)
        assert found.stability is not None
        assert found.stability.stable is True


def test_a_circuit_with_parts_whose_slopes_are_not_known_says_so(worker: Worker) -> None:
    circuit = circuit_of(
        "V1 b 0 250", "R1 b p 100k", "X1 p 0 k 12AX7", "R2 k a 1.5k", "D1 a 0 DX", ".model DX D"
    )
    (found,) = with_stability(circuit, (), [()], [worker.idle(circuit)])

    assert isinstance(found, Solved)
    assert found.stability is not None
    assert found.stability.stable is None
    assert found.stability.kind is None
    assert "D1" in found.stability.reason


def test_feedback_of_the_wrong_sign_is_found_to_oscillate(
    demo: Callable[[str], Demo], worker: Worker
) -> None:
    """Turning one winding of a loop round makes it grow where the loop gain was above one."""
    known = demo("el34_pair_fixed_bias")
    circuit = known.circuit
    load = next(part for part in known.roles.transformers[0].secondaries)
    turned = replace(
        circuit,
        couplings=tuple(
            replace(pair, factor=-pair.factor) if load in (pair.first, pair.second) else pair
            for pair in circuit.couplings
        ),
    )
    idle = worker.idle(turned)
    (found,) = with_stability(turned, known.hookup.bare_windings, [()], [idle])

    assert isinstance(found, Solved)
    assert found.stability is not None
    assert found.stability.stable is False


def test_an_open_capacitor_has_no_pole() -> None:
    circuit = circuit_of("V1 a 0 10", "R1 a b 3k", "R2 b 0 6k", "C1 b 0 10u")
    network = EnergyNetwork(circuit)

    changed = network.stack([Variant((SetValue("C1", 0.0),), EMPTY)])
    assert not len(network.poles(changed)[0])
