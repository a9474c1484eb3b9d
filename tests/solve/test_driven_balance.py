"""The power balance that every driven run carries, and what else a driven run promises."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from netcheck.circuit.changes import SetValue, apply_changes
from netcheck.judge.limits import limits_of
from netcheck.solve.driven import DrivenRequest
from netcheck.solve.results import NotSolved, PowerBalance, Solved
from netcheck.solve.steady import BALANCED_SHARE, BALANCED_W, is_balanced
from netcheck.workbench.bass import full_in_the_bass, matters
from netcheck.workbench.drive import _top, between
from tests.solve.worker import OUTPUT_DEMOS, Demo, circuit_of

FAULTS = ["", "C3/leaky@2Mohm", "L1/shorted_turns@5%"]


@pytest.mark.parametrize("fault_id", FAULTS)
def test_every_driven_run_carries_its_balance(fault_id: str, demo: Callable[[str], Demo]) -> None:
    state = (known := demo("6v6_single_ended")).drive(2.0 * known.full_v, fault_id)

    assert state.balance is not None
    assert abs(state.balance.gap_w) < 0.01 * state.balance.supplied_w
    assert state.balance.delivered_w == pytest.approx(state.output_w, rel=1e-6)


def test_power_that_is_not_accounted_for_is_no_balance() -> None:
    fair = PowerBalance(100.0, 60.0, 39.5, 0.0)

    assert is_balanced(fair)
    assert not is_balanced(replace(fair, delivered_w=38.5))
    assert not is_balanced(replace(fair, stored_w=1.6))
    assert is_balanced(PowerBalance(BALANCED_W, 0.0, 0.0, 0.0))
    assert BALANCED_SHARE == 0.01


def test_a_run_that_does_not_balance_is_not_solved(demo: Callable[[str], Demo]) -> None:
    """A worker that forgets half of what was supplied says so, after finer steps."""
    known = demo("6v6_single_ended")
    answer = known.worker.call(
        _forgetful, known.circuit, known.hookup, 1000.0, DrivenRequest({"drive": known.full_v})
    )

    outcome = answer.outcomes["drive"]
    assert isinstance(outcome, NotSolved)
    assert "the power does not balance" in outcome.reason


def _forgetful(engine: object, *arguments: object) -> object:
    from netcheck.solve import steady
    from netcheck.solve.driven import solve_driven

    honest = steady.power_balance

    def forget(*known: object) -> PowerBalance:
        balance = honest(*known)  # type: ignore[arg-type]
        return replace(balance, dissipated_w=0.5 * balance.dissipated_w)

    steady.power_balance = forget  # type: ignore[assignment]
    try:
        return solve_driven(engine, *arguments)  # type: ignore[arg-type]
    finally:
        steady.power_balance = honest


def test_diodes_and_sources_are_sensed(demo: Callable[[str], Demo]) -> None:
    """10 V through 1 kohm and a diode, and a doubled copy of the diode's volts into 1 kohm."""
    circuit = circuit_of(
        "V1 a 0 10", "R1 a b 1k", "D1 b 0 dx", ".model dx D(IS=1e-14)", "E1 c 0 b 0 2", "R2 c 0 1k"
    )
    state = demo("6v6_single_ended").worker.idle(circuit)

    diode, copy = state.parts["D1"], state.parts["E1"]
    assert diode.current_a == pytest.approx((10.0 - diode.voltage_v) / 1e3, rel=1e-6)
    assert -copy.current_a == pytest.approx(2.0 * diode.voltage_v / 1e3, rel=1e-6)
    assert sum(part.power_w for part in state.parts.values()) == pytest.approx(0.0, abs=1e-8)


def test_the_top_between_levels_is_that_of_the_parabola() -> None:
    def curve(level: float) -> float:
        return 3.0 - (level - 0.62) ** 2

    levels = [0.4, 0.55, 0.85]

    assert _top(levels, [curve(level) for level in levels]) == pytest.approx(0.62)


def test_levels_are_refined_about_the_hottest_only(demo: Callable[[str], Demo]) -> None:
    known = demo("6v6_single_ended")
    table = limits_of(known.circuit, known.roles, {"idle": known.idle})
    tube = known.idle.tubes["X2"]

    def at(watts: float) -> Solved:
        hot = replace(tube, plate_dissipation_w=watts)
        return replace(known.idle, condition="full", tubes={**known.idle.tubes, "X2": hot})

    idle_w = tube.plate_dissipation_w
    peaked = {0.5: at(1.2 * idle_w), 1.0: at(1.3 * idle_w), 2.0: at(0.5 * idle_w)}
    falling = {0.5: at(0.9 * idle_w), 1.0: at(0.8 * idle_w), 2.0: at(0.5 * idle_w)}

    (level,) = between(known.circuit, table, known.idle, peaked, 1.0)
    assert 0.5 < level < 1.0
    assert between(known.circuit, table, known.idle, falling, 1.0) == []


@pytest.mark.parametrize("name", OUTPUT_DEMOS)
def test_the_bass_is_solved_where_inductance_is_scarce(
    name: str, demo: Callable[[str], Demo]
) -> None:
    known = demo(name)

    scarce = any(matters(known.circuit, each) for each in known.roles.transformers)

    assert scarce == (name == "6v6_single_ended")  # 12 ohm across 8; the others 30 ohm and more


def test_scarce_inductance_costs_power_in_the_bass(demo: Callable[[str], Demo]) -> None:
    known = demo("6v6_single_ended")
    pool, full_v = known.worker.pool, known.full_v
    shared = pool.share("bass", known.circuit)
    state = full_in_the_bass(pool, shared, known.circuit, known.roles, known.hookup, full_v)
    plenty = apply_changes(known.circuit, (SetValue("L2", 1.0),))

    assert isinstance(state, Solved)
    assert state.output_w < 0.85 * known.drive(full_v).output_w
    assert full_in_the_bass(pool, shared, plenty, known.roles, known.hookup, full_v) is None
