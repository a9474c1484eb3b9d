"""The Jacobian that a run gives, against closed forms and against what ngspice says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from netcheck.circuit.model import Circuit
from netcheck.solve import jacobian
from netcheck.solve.jacobian import AveragedNetwork, averaged_network
from netcheck.solve.ngspice import Array, Engine
from netcheck.solve.results import Drive, Hookup, Solved
from netcheck.solve.slow import SlowStates, slow_states
from netcheck.solve.steady import SteadyState, find_steady_state
from tests.solve.worker import DEMOS, FREQUENCY_HZ, Demo, Worker, circuit_of

PROBE_V = 0.01
"""Of the two-sided difference: its error goes with the square, and is 0.14 % here."""


def network_of(circuit: Circuit) -> AveragedNetwork:
    """Return the network of a circuit, whose slow states are all of its windings and
    capacitors."""
    cores = jacobian.cores_of(circuit)
    wound = {ref for core in cores for ref in core.turns}
    chokes = tuple(part for part in circuit.of_kind("inductor") if part.ref not in wound)
    known = averaged_network(circuit, circuit.of_kind("capacitor"), chokes, cores)
    assert known is not None
    return known


def at_idle(worker: Worker, *cards: str) -> Array:
    """Return the Jacobian of a circuit of cards at its operating point."""
    circuit = circuit_of(*cards)
    return network_of(circuit).at_idle(worker.idle(circuit))


def test_a_capacitor_sees_the_resistors_around_it(worker: Worker) -> None:
    found = at_idle(worker, "V1 a 0 10", "R1 a b 3k", "R2 b 0 6k", "C1 b 0 10u")

    series_ohm = jacobian.SERIES_OHM
    assert found == pytest.approx(np.array([[-1.0 / (2000.0 + series_ohm)]]))


def test_a_choke_sees_its_wire_and_its_load(worker: Worker) -> None:
    found = at_idle(worker, "V1 a 0 10", "L1 a b 5 ;! dcr=110ohm", "R1 b 0 1k")

    assert found == pytest.approx(np.array([[-1110.0]]))


def test_a_core_sees_its_source_beside_its_load(worker: Worker) -> None:
    """A load of 8 ohm behind 20 to 1, its wire of 1 ohm with it."""
    found = at_idle(
        worker, "V1 a 0 10", "R1 a b 2k", "L1 b 0 20 ;! dcr=100ohm",
        "L2 c 0 0.05 ;! dcr=1ohm", "K1 L1 L2 0.999", "R2 c 0 8",
    )  # fmt: skip

    siemens = 1.0 / 2100.0 + 1.0 / (400.0 * 9.0) + jacobian.OPEN_S
    assert found == pytest.approx(np.array([[-1.0 / siemens]]))


def test_copies_of_volts_and_amperes_hand_on(worker: Worker) -> None:
    """E of -4 into 2 kohm, and G of 1 mA/V out of 1 kohm, both led by one capacitor."""
    found = at_idle(
        worker, "V1 a 0 10", "R1 a b 1k", "C1 b 0 10u", "E1 x 0 b 0 -4", "R2 x y 2k", "C2 y 0 10u",
        "G1 z 0 b 0 1m", "R3 z 0 1k", "C3 z 0 10u",
    )  # fmt: skip

    held = 1.0 / (1.0 + jacobian.SERIES_OHM / 1000.0)  # the ohm in series with what holds C1
    assert found[1, 0] == pytest.approx(-4.0 * held / 2001.0)
    assert found[2, 0] == pytest.approx(-1e-3 * held / 1.001)
    # nothing acts back; what a processor's own rounding leaves is 1e-24 of what acts forward
    assert found[0, 1:] == pytest.approx([0.0, 0.0], abs=1e-20)


def _by_ngspice(engine: Engine, circuit: Circuit, idle: Solved) -> tuple[Array, Array]:
    """Return the Jacobian at idle from the laws, and from operating points (in a worker)."""
    slow = slow_states(engine, circuit, idle)
    assert slow.network is not None
    usual, both = jacobian.PROBE_V, []
    try:
        for probe_v in (PROBE_V, -PROBE_V):
            jacobian.PROBE_V = probe_v
            states = (slow.capacitors, slow.chokes, slow.cores)
            both.append(jacobian.measured_jacobian(engine, circuit, *states, idle))
    finally:
        jacobian.PROBE_V = usual
    return slow.network.at_idle(idle), (both[0] + both[1]) / 2.0


@pytest.mark.parametrize("name", DEMOS)
def test_at_idle_it_is_what_ngspice_measures(name: str, demo: Callable[[str], Demo]) -> None:
    known = demo(name)
    mine, measured = known.worker.call(_by_ngspice, known.circuit, known.idle)

    largest = np.abs(measured).max(axis=0)
    assert np.abs(mine - measured).max(axis=0) / largest == pytest.approx(0.0, abs=2e-3)


def _under_drive(
    engine: Engine, circuit: Circuit, hookup: Hookup, drive: Drive, idle: Solved
) -> tuple[SteadyState, SteadyState, Array, SlowStates]:
    """Settle with the network and without, and measure the Jacobian there (in a worker)."""
    slow = slow_states(engine, circuit, idle)
    assert slow.network is not None
    blind = replace(slow, network=None)
    with_it = find_steady_state(engine, circuit, hookup, drive, slow, None)
    without = find_steady_state(engine, circuit, hookup, drive, blind, None, learn=True)
    return with_it, without, slow.network.jacobian(without.observation, 2), slow


@pytest.fixture(scope="module")
def driven(demo: Callable[[str], Demo]) -> Any:
    """Return a pair just into clipping, settled both ways.

    At 0.67 V the plates differ by 1 % between both ways and one column by 25 %: the way
    without a network stops further from its steady state there (measured).
    """
    known = demo("el34_pair_fixed_bias")
    drive = Drive(FREQUENCY_HZ, 0.62)
    arguments = (known.circuit, known.hookup, drive, known.idle)
    return known, known.worker.call(_under_drive, *arguments)


def test_under_drive_it_is_what_moving_each_state_shows(driven: Any) -> None:
    """Each coupling capacitor moved by half a volt under drive, which shifts a bias."""
    _, (_, without, mine, slow) = driven
    assert without.end.learned is not None
    shown = slow.measured + without.end.learned

    coupling = [part.ref in ("C3", "C4", "C5", "C6") for part in slow.capacitors]
    columns = np.array([*coupling, *[False] * (len(shown) - len(coupling))])
    largest = np.abs(shown[:, columns]).max(axis=0)
    off = np.abs(mine - shown)[:, columns].max(axis=0) / largest
    off_at_idle = np.abs(slow.measured - shown)[:, columns].max(axis=0) / largest
    assert off.max() < 0.08
    assert off_at_idle.min() > 0.3


def test_it_settles_in_fewer_runs_and_on_the_same_watts(driven: Any) -> None:
    known, (with_it, without, *_) = driven
    mine, other = (each.observation.tubes(known.circuit) for each in (with_it, without))

    assert with_it.runs < without.runs
    for ref, tube in other.items():
        watts = mine[ref].plate_dissipation_w
        assert watts == pytest.approx(tube.plate_dissipation_w, rel=0.005), ref


@pytest.mark.parametrize(
    "card",
    ["D1 a 0 DX", "B1 a 0 I=v(a)*1e-6", "F1 a 0 V1 0.1", "X2 a b 0 MINE"],
)
def test_parts_whose_slopes_are_not_known_leave_it_to_measuring(card: str) -> None:
    circuit = circuit_of(
        "V1 a 0 200", "R1 a b 100k", "C1 b 0 1u", card, ".model DX D", ".subckt MINE p g k",
        "B1 p k I=1e-6*v(g,k)", ".ends",
    )  # fmt: skip

    assert averaged_network(circuit, circuit.of_kind("capacitor"), (), ()) is None
