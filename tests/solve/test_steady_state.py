"""The steady state that is searched for against simply waiting for it.

The long run uses the same deck from the operating point on; its last ten cycles are
averaged.  In both, capacitors and windings that would take half a second to settle are
replaced by smaller ones, which pass the test tone as well and need less waiting.
"""

from __future__ import annotations

from collections.abc import Callable
from math import pi

import numpy as np
import pytest

from netcheck.circuit.changes import SetValue, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.solve.deck import write_deck
from netcheck.solve.driven import DrivenRequest, solve_driven
from netcheck.solve.ngspice import Engine
from netcheck.solve.observe import Observation
from netcheck.solve.results import Drive, Hookup, Outcome, Solved
from netcheck.solve.steady import SETTLED_SHARE, STEPS_PER_CYCLE, is_periodic
from tests.solve.worker import FREQUENCY_HZ, Demo, long_run

PERIOD_S = 1.0 / FREQUENCY_HZ
AVERAGED = 10
CLOSE = 0.02
LEAST_W = 0.02
"""Less than this in an electrode is compared as if it were this."""
SMALLEST_RATING_W = 0.5
"""Of a resistor: what matters is the error against what the part can bear."""

FULL_V = {
    "6v6_single_ended": 0.188,
    "2a3_single_ended": 0.220,
    "kt88_ultralinear_cathode_bias": 0.70,
    "el34_pair_fixed_bias": 0.70,
}
"""About full drive of each circuit, as its own search finds it."""

SMALLER = {
    "6v6_single_ended": {"C10": 10e-6, "C11": 4.7e-6, "C12": 1e-6},
    "2a3_single_ended": {
        "C20": 10e-6, "C21": 10e-6, "C22": 2.2e-6, "C1": 22e-6, "C3": 22e-6, "L10": 1.0,
    },
    "kt88_ultralinear_cathode_bias": {
        "C20": 22e-6, "C21": 2.2e-6, "C22": 1e-6, "C3": 22e-9, "C4": 22e-9, "C5": 22e-6,
        "C6": 22e-6, "L1": 2.0, "L2": 4.5, "L3": 2.0, "L4": 4.5, "L5": 66.7e-3,
    },
    "el34_pair_fixed_bias": {
        "C20": 22e-6, "C21": 10e-6, "C22": 1e-6, "C23": 0.47e-6, "C30": 4.7e-6, "C31": 2.2e-6,
        "C3": 4.7e-9, "C4": 4.7e-9, "C5": 22e-9, "C6": 22e-9, "L10": 1.0, "L1": 7.5, "L2": 7.5,
        "L3": 60e-3,
    },
}  # fmt: skip

CASES = [
    ("6v6_single_ended", "", 1.0, 0.15),
    ("6v6_single_ended", "", 2.0, 0.15),
    ("6v6_single_ended", "C3/leaky@2Mohm", 2.0, 0.15),
    ("6v6_single_ended", "L1/shorted_turns@5%", 1.0, 0.15),
    ("2a3_single_ended", "C5/shorted", 1.0, 0.4),
    ("kt88_ultralinear_cathode_bias", "", 3.5, 0.2),
    ("el34_pair_fixed_bias", "C5/leaky@20Mohm", 1.0, 0.2),
]


def quick(known: Demo, fault_id: str) -> Circuit:
    """Return the circuit with the smaller parts and the fault."""
    changes = tuple(SetValue(ref, value) for ref, value in SMALLER[known.name].items())
    fault = known.fault(fault_id).changes if fault_id else ()
    return apply_changes(known.circuit, (*changes, *fault))


def brute_force(known: Demo, circuit: Circuit, level_v: float, stop_s: float) -> Observation:
    """Wait until the circuit has settled."""
    drive = Drive(FREQUENCY_HZ, level_v)
    step_s = PERIOD_S / STEPS_PER_CYCLE
    time, rows = known.worker.call(long_run, circuit, known.hookup, drive, stop_s, step_s)
    deck = write_deck(circuit, hookup=known.hookup, drive=drive)
    return Observation.of_window(deck, time, rows, stop_s - AVERAGED * PERIOD_S)


@pytest.mark.parametrize(("name", "fault_id", "share", "stop_s"), CASES)
def test_steady_state_is_where_a_long_run_ends(
    name: str, fault_id: str, share: float, stop_s: float, demo: Callable[[str], Demo]
) -> None:
    known = demo(name)
    level_v = share * FULL_V[name]
    circuit = quick(known, fault_id)

    found = known.worker.at_level(circuit, known.hookup, level_v)
    waited = brute_force(known, circuit, level_v, stop_s)

    assert found.settled_share <= SETTLED_SHARE
    _assert_close(found, Solved("long", {}, waited.tubes(circuit), waited.parts(circuit)))


def _assert_close(found: Solved, waited: Solved) -> None:
    for ref, tube in waited.tubes.items():
        mine = found.tubes[ref]
        pairs = {
            "plate W": (mine.plate_dissipation_w, tube.plate_dissipation_w),
            "screen W": (mine.screen_dissipation_w or 0.0, tube.screen_dissipation_w or 0.0),
        }
        for what, (one, other) in pairs.items():
            assert one == pytest.approx(other, rel=CLOSE, abs=CLOSE * LEAST_W), (ref, what)
    for ref, part in waited.parts.items():
        one = found.parts[ref].power_w
        allowed_w = CLOSE * SMALLEST_RATING_W
        assert one == pytest.approx(part.power_w, rel=CLOSE, abs=allowed_w), ref


STAYING = [
    ("2a3_single_ended", "R5/open", 1.0, "X2"),
    ("2a3_single_ended", "R8/open", 1.0, "X3"),
    ("kt88_ultralinear_cathode_bias", "R9/open", 2.0, "X4"),
    ("kt88_ultralinear_cathode_bias", "X3/cathode_open", 1.0, "X3"),
    ("el34_pair_fixed_bias", "X1/heater_cathode_shorted", 2.0, "X4"),
]
"""What was hard: a bias that takes minutes, a cathode in the air, far too much drive."""
STAYING_CYCLES = 100


def _settled_and_waited(
    engine: Engine, known: tuple[Circuit, Hookup], request: DrivenRequest, tube: str
) -> tuple[Outcome, dict[str, float]]:
    """Settle, then go on from there and observe the last cycles (in a worker)."""
    circuit, hookup = known
    answer = solve_driven(engine, circuit, hookup, FREQUENCY_HZ, request)
    faulted = apply_changes(circuit, request.changes)
    drive = Drive(FREQUENCY_HZ, request.levels["drive"])
    deck = write_deck(faulted, hookup=hookup, drive=drive, start=answer.starts["drive"])
    engine.load(deck.lines)
    stop_s, step_s = STAYING_CYCLES * PERIOD_S, PERIOD_S / 2 / STEPS_PER_CYCLE
    time, rows = engine.transient(step_s, stop_s, deck.vectors, given_start=True)
    late = Observation.of_window(deck, time, rows, stop_s - 2.0 * PERIOD_S)
    state = late.tube(faulted[tube])
    watts = {
        "plate": state.plate_dissipation_w,
        "screen": state.screen_dissipation_w or 0.0,
        "cathode": state.cathode_v,
    }
    return answer.outcomes["drive"], watts


@pytest.mark.parametrize(("name", "fault_id", "share", "tube"), STAYING)
def test_what_is_settled_stays(
    name: str, fault_id: str, share: float, tube: str, demo: Callable[[str], Demo]
) -> None:
    known = demo(name)
    request = DrivenRequest({"drive": share * FULL_V[name]}, known.fault(fault_id).changes)
    arguments = ((known.circuit, known.hookup), request, tube)
    outcome, late = known.worker.call(_settled_and_waited, *arguments)

    assert isinstance(outcome, Solved), outcome
    found = outcome.tubes[tube]
    assert found.plate_dissipation_w == pytest.approx(late["plate"], rel=CLOSE, abs=LEAST_W)
    assert (found.screen_dissipation_w or 0.0) == pytest.approx(
        late["screen"], rel=CLOSE, abs=LEAST_W
    )
    assert found.cathode_v == pytest.approx(late["cathode"], rel=CLOSE)


def test_where_a_search_starts_does_not_matter(demo: Callable[[str], Demo]) -> None:
    """From idle and from a settled state at half the level: the same watts."""
    known = demo("6v6_single_ended")
    level_v = 1.3 * known.full_v

    from_half = known.drive(level_v)
    from_idle = known.worker.at_level(known.circuit, known.hookup, level_v)

    for ref, tube in from_idle.tubes.items():
        one = from_half.tubes[ref].plate_dissipation_w
        assert one == pytest.approx(tube.plate_dissipation_w, rel=0.01), ref
    assert from_half.output_w == pytest.approx(from_idle.output_w, rel=0.01)


def test_full_drive_is_where_the_gain_has_fallen_by_a_decibel(
    demo: Callable[[str], Demo],
) -> None:
    known = demo("2a3_single_ended")
    state = known.search.states[known.full_v]

    fallen = state.output_peak_v / (known.search.gain * known.full_v)

    assert 10.0 ** (-1.0 / 20.0) * 0.97 < fallen < 10.0 ** (-1.0 / 20.0)


def test_a_node_that_drifts_is_not_periodic(demo: Callable[[str], Demo]) -> None:
    """The same two cycles, once with a net that sinks by half a volt a cycle."""
    known = demo("6v6_single_ended")
    drive = Drive(FREQUENCY_HZ, known.full_v)
    deck = write_deck(known.circuit, hookup=known.hookup, drive=drive)
    time = np.linspace(0.0, 3.0 * PERIOD_S, 193)
    rows = np.tile(np.sin(2.0 * pi * FREQUENCY_HZ * time), (len(deck.vectors), 1))
    sinking = rows.copy()
    sinking[deck.place[deck.node["p1"]]] -= 0.5 * time / PERIOD_S

    assert is_periodic(Observation.of_window(deck, time, rows, PERIOD_S))
    assert not is_periodic(Observation.of_window(deck, time, sinking, PERIOD_S))


def test_small_signal_gain_is_that_of_a_small_sine(demo: Callable[[str], Demo]) -> None:
    known = demo("6v6_single_ended")

    state = known.worker.at_level(known.circuit, known.hookup, 0.02 * known.full_v)

    measured = state.output_peak_v / (0.02 * known.full_v)
    # A second-order method with this many steps a cycle is off by about (2 pi / steps)^2.
    step = 2.0 * pi / STEPS_PER_CYCLE
    assert measured == pytest.approx(known.search.gain, rel=step**2)
