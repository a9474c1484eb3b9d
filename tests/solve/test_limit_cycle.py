"""Which operating points last, and what becomes of those that do not, by plain transients.

The transient knows nothing of poles: it starts at the operating point with the grids moved a
little, and either comes back or leaves.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pytest

from netcheck.circuit.changes import Change, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.solve.deck import write_deck
from netcheck.solve.limit_cycle import solve_cycle
from netcheck.solve.ngspice import Engine
from netcheck.solve.results import Drive, Hookup, Outcome, Solved, StartState
from netcheck.solve.stability import with_stability
from tests.solve.worker import Demo, solved

PAIR, TRIODE = "el34_pair_fixed_bias", "2a3_single_ended"
PENTODE, ULTRALINEAR = "6v6_single_ended", "kt88_ultralinear_cathode_bias"
KICK_V = 1.0
SLOW, FAST = (30.0, 5e-3), (100e-6, 40e-9)
"""How long the runs are and how fine their steps [s]."""


LEFT_V = 5.0
"""A plate that is so far from idle at the end has left it."""


def moved_v(
    engine: Engine, circuit: Circuit, hookup: Hookup, idle: Solved, run: tuple[float, float]
) -> tuple[float, float]:
    """Return how far plates are from idle early in a run and at its end (in a worker)."""
    stop_s, step_s = run
    grids = {tube.net("grid") for tube in circuit.tubes if tube.has_pin("grid")}
    node_v = {net: volts + KICK_V * (net in grids) for net, volts in idle.nets.items()}
    node_v |= {f"damping {n}": idle.nets[near] for n, (near, _) in enumerate(hookup.bare_windings)}
    amps = {each.ref: idle.parts[each.ref].current_a for each in circuit.of_kind("inductor")}
    deck = write_deck(circuit, hookup=hookup, drive=Drive(1.0, 0.0), start=StartState(node_v, amps))
    engine.load(deck.lines)
    time, rows = engine.transient(step_s, stop_s, deck.vectors, given_start=True)
    plates = {tube.net("plate") for tube in circuit.tubes if tube.net("plate") in deck.node}
    away = np.max(
        [np.abs(rows[deck.place[deck.node[net]]] - idle.nets[net]) for net in plates], axis=0
    )
    early, late = away[time < stop_s / 3.0], away[time > 0.9 * stop_s]
    return float(early.max()), float(late.max())


def at_idle(known: Demo, changes: tuple[Change, ...]) -> tuple[Circuit, Solved]:
    """Return a faulted circuit and its idle state, with its stability."""
    circuit = apply_changes(known.circuit, changes)
    idle = known.worker.idle(circuit)
    (found,) = with_stability(circuit, known.hookup.bare_windings, [()], [idle])
    return circuit, solved(found)


@pytest.mark.parametrize(
    ("name", "fault", "is_stable"),
    [
        (PAIR, "VNEG/drifted@60%", False),
        (PAIR, "R3/wrong_value@1Mohm", False),
        (PAIR, "R10/wrong_value@68ohm", False),
        (PAIR, "R6/wrong_value@8.2kohm", False),
        (PAIR, "R6/shorted", False),
        (PAIR, "R24/open", False),
        (PAIR, "VNEG/drifted@90%", True),
        (PAIR, "C5/leaky@5Mohm", True),
        (PAIR, "R6/wrong_value@820kohm", True),
        (PAIR, "C22/open", True),
        (TRIODE, "C22/open", False),
        (TRIODE, "R20/shorted", False),
        (TRIODE, "C20/open", True),
        (TRIODE, "C21/open", True),
        (PENTODE, "C4/open", True),
        (PENTODE, "C10/open", True),
        (ULTRALINEAR, "C20/open", True),
    ],
)
def test_a_plain_transient_leaves_or_comes_back_as_the_poles_say(
    demo: Callable[[str], Demo], name: str, fault: str, is_stable: bool
) -> None:
    known = demo(name)
    circuit, idle = at_idle(known, known.fault(fault).changes)
    arguments = (circuit, known.hookup, idle)

    assert idle.stability is not None
    assert idle.stability.stable is is_stable
    if is_stable:
        early, late = known.worker.call(moved_v, *arguments, SLOW)
        assert late < 0.5 * early
        early, late = known.worker.call(moved_v, *arguments, FAST)
        assert late < 1.02 * early  # what is slow has hardly moved yet
    else:
        run = FAST if idle.stability.kind == "parasitic_oscillation" else SLOW
        assert known.worker.call(moved_v, *arguments, run)[1] > LEFT_V


def cycle_of(known: Demo, fault: str) -> Outcome:
    circuit, idle = at_idle(known, known.fault(fault).changes)
    found: Outcome = known.worker.call(solve_cycle, circuit, known.hookup, idle)
    return found


def test_a_pair_whose_bias_has_drifted_motorboats_into_its_speaker(
    demo: Callable[[str], Demo],
) -> None:
    """Against an independent solver (own nodal analysis, fixed steps): 49.5 W in the plate and
    5.6 W in the speaker, where the operating point has 46.7 W and nothing."""
    found = solved(cycle_of(demo(PAIR), "VNEG/drifted@60%"))

    assert found.frequency_hz == pytest.approx(2.4, abs=0.1)
    assert found.tubes["X4"].plate_dissipation_w == pytest.approx(49.5, rel=0.01)
    assert found.output_w == pytest.approx(5.6, rel=0.1)
    assert found.stability is not None
    assert found.stability.is_cycle
    assert found.balance is not None
    assert abs(found.balance.gap_w) < 0.01 * found.balance.turnover_w


def test_a_parasitic_oscillation_moves_bias_and_peaks(demo: Callable[[str], Demo]) -> None:
    """Against the same solver: plate 4.0 W where the point has 12.8, screen 6.4 W where it has
    1.67, plate peak 816 V.  The frequency and all of it rest on the capacitances."""
    found = solved(cycle_of(demo(PAIR), "R6/wrong_value@8.2kohm"))

    assert found.tubes["X4"].plate_dissipation_w < 5.0
    assert found.tubes["X4"].screen_dissipation_w == pytest.approx(6.4, rel=0.1)
    assert found.tubes["X4"].plate_peak_v == pytest.approx(816.0, rel=0.1)
    assert found.stability is not None
    assert not found.stability.trusted


def test_a_cycle_goes_on_where_it_was_left(demo: Callable[[str], Demo]) -> None:
    """A plain run of 60 s from the operating point has the same watts at its end."""
    known = demo(TRIODE)
    circuit, idle = at_idle(known, known.fault("C22/open").changes)
    found = solved(known.worker.call(solve_cycle, circuit, known.hookup, idle))
    watts = known.worker.call(late_watts, circuit, known.hookup, idle, 60.0, 2e-3)

    for ref, expected in watts.items():
        assert found.tubes[ref].plate_dissipation_w == pytest.approx(expected, rel=0.02)


def late_watts(
    engine: Engine, circuit: Circuit, hookup: Hookup, idle: Solved, stop_s: float, step_s: float
) -> Mapping[str, float]:
    """Return the plate watts over the last third of a plain run (in a worker)."""
    node_v = {net: volts * (1.0 + 1e-3) for net, volts in idle.nets.items()}
    node_v |= {f"damping {n}": idle.nets[near] for n, (near, _) in enumerate(hookup.bare_windings)}
    amps = {each.ref: idle.parts[each.ref].current_a for each in circuit.of_kind("inductor")}
    deck = write_deck(circuit, hookup=hookup, drive=Drive(1.0, 0.0), start=StartState(node_v, amps))
    engine.load(deck.lines)
    time, rows = engine.transient(step_s, stop_s, deck.vectors, given_start=True)
    late = time > 2.0 * stop_s / 3.0
    found = {}
    for tube in circuit.tubes:
        volts = rows[deck.place[deck.node[tube.net("plate")]]]
        cathode = deck.node.get(tube.net("cathode"))
        if cathode:
            volts = volts - rows[deck.place[cathode]]
        watts = volts * rows[deck.place[deck.sense[tube.ref]["plate"]]]
        found[tube.ref] = float(
            np.trapezoid(watts[late], time[late]) / (time[late][-1] - time[late][0])
        )
    return found
