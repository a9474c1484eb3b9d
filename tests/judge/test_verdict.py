from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from judge.builders import (
    circuit_of,
    part_state,
    roles_of,
    solved,
    stress,
    tube,
    tube_state,
    two_pin,
)
from netcheck.judge import (
    advise,
    condition_verdict,
    fault_verdict,
    gravest,
    judge_state,
    limits_of,
)
from netcheck.judge.base import Load, Verdict
from netcheck.judge.unjudged import loaded_unjudged
from netcheck.judge.verdict import VERDICT_ORDER
from netcheck.netlist.cards import PartNote
from netcheck.solve.results import NotSolved


def verdict(*stresses: Load) -> Verdict:
    return condition_verdict(solved(), stresses)


@pytest.mark.parametrize(
    ("ratio", "level"),
    [
        (0.94, "within_limits"),
        (0.95, "at_limit"),
        (1.0, "at_limit"),
        (1.05, "at_limit"),
        (1.0501, "over_limit"),
    ],
)
def test_five_percent_around_a_limit_is_at_limit(ratio: float, level: str) -> None:
    assert stress(ratio=ratio).level == level


@pytest.mark.parametrize(
    ("ratio", "healthy", "charged"),
    [
        (1.0, 1.0, False),  # a class-A stage at 100 % is health
        (1.3, 1.29, False),  # over in health already
        (1.3, 0.9, True),
        (1.04, 1.0, False),  # inside the solver's error
        (1.06, 1.0, True),
        (0.9, 0.2, False),  # raised, and within its limit
    ],
)
def test_a_fault_is_charged_with_what_it_adds(ratio: float, healthy: float, charged: bool) -> None:
    assert stress(ratio=ratio, healthy_ratio=healthy).is_charged is charged


@given(st.floats(0, 10), st.floats(0, 10))
def test_a_lower_stress_than_in_health_is_never_charged(a: float, b: float) -> None:
    assert not stress(ratio=min(a, b), healthy_ratio=max(a, b)).is_charged


def test_verdicts_of_one_condition() -> None:
    assert verdict(stress(ratio=0.5)) == "within_limits"
    assert verdict(stress(ratio=1.0, healthy_ratio=0.5)) == "at_limit"
    assert verdict(stress(ratio=2.0, healthy_ratio=0.5), stress(ratio=1.0)) == "over_limit"
    assert verdict(stress(ratio=2.0, healthy_ratio=2.0)) == "over_in_health"
    assert verdict(stress(ratio=1.07, healthy_ratio=1.03)) == "at_limit"
    assert verdict() == "not_judged"
    assert condition_verdict(NotSolved("idle", "no"), ()) == "not_solved"


def test_a_part_over_its_limit_in_health_is_not_called_within_it() -> None:
    fifteen_of_twelve = stress(ratio=15.0 / 12.0, healthy_ratio=15.0 / 12.0 - 0.03)

    assert verdict(fifteen_of_twelve) == "over_in_health"
    assert verdict(fifteen_of_twelve, stress(ratio=1.0, healthy_ratio=0.5)) == "at_limit"


def test_what_overdrive_does_to_the_healthy_circuit_is_said_of_overdrive_only() -> None:
    assert fault_verdict({"idle": "within_limits", "overdrive": "over_in_health"}) == (
        "within_limits"
    )
    assert fault_verdict({"full": "over_in_health", "overdrive": "within_limits"}) == (
        "over_in_health"
    )
    assert fault_verdict({"idle": "within_limits", "overdrive": "over_limit"}) == "over_limit"


@given(st.lists(st.sampled_from(VERDICT_ORDER), min_size=1))
def test_the_gravest_verdict_wins(verdicts: Sequence[Verdict]) -> None:
    won = gravest(verdicts)
    assert won in verdicts
    assert VERDICT_ORDER.index(won) == min(VERDICT_ORDER.index(one) for one in verdicts)


def test_nothing_known_is_not_judged() -> None:
    assert gravest(()) == "not_judged"


@pytest.mark.parametrize(
    ("plate_w", "expected"),
    [(10.0, "within_limits"), (10.4, "within_limits"), (11.0, "not_judged")],
)
def test_a_tube_without_limits_that_runs_hotter_is_not_called_within_limits(
    plate_w: float, expected: Verdict
) -> None:
    circuit = circuit_of(tube("V1", None), two_pin("R1", 1e3, PartNote(power_w=1.0)))
    table = limits_of(circuit, roles_of())
    before = solved(tubes={"V1": tube_state(plate_w=10.0)}, parts={"R1": part_state()})
    after = solved(tubes={"V1": tube_state(plate_w=plate_w)}, parts={"R1": part_state()})
    stresses = judge_state(circuit, table, after, {"idle": before})
    assert condition_verdict(after, stresses, loaded_unjudged(table, after, before)) == expected


@pytest.mark.parametrize(
    ("volts", "expected"),
    [(30.0, "within_limits"), (80.0, "within_limits"), (90.0, "not_judged")],
)
def test_an_unrated_capacitor_counts_from_twice_its_healthy_volts(
    volts: float, expected: Verdict
) -> None:
    circuit = circuit_of(two_pin("C1", 1e-7), two_pin("R1", 1e3, PartNote(power_w=1.0)))
    table = limits_of(circuit, roles_of())
    before = solved(parts={"C1": part_state(40.0), "R1": part_state()})
    after = solved(parts={"C1": part_state(volts), "R1": part_state()})
    stresses = judge_state(circuit, table, after, {"idle": before})
    assert condition_verdict(after, stresses, loaded_unjudged(table, after, before)) == expected


def test_a_load_is_never_an_unrated_part() -> None:
    circuit = circuit_of(
        two_pin("R8", 8.0, PartNote(is_speaker=True)), two_pin("R1", 1e3, PartNote(power_w=1.0))
    )
    table = limits_of(circuit, roles_of())
    before = solved(parts={"R8": part_state(power_w=1.0), "R1": part_state()})
    after = solved(parts={"R8": part_state(power_w=50.0), "R1": part_state()})
    stresses = judge_state(circuit, table, after, {"idle": before})
    assert (
        condition_verdict(after, stresses, loaded_unjudged(table, after, before)) == "within_limits"
    )


@pytest.mark.parametrize(("watts", "notes"), [(3.4, 0), (3.6, 1), (5.1, 0)])
def test_derating_is_advice_between_its_share_and_the_limit(watts: float, notes: int) -> None:
    circuit = circuit_of(two_pin("R1", 470.0, PartNote(power_w=5.0)))
    table = limits_of(circuit, roles_of())
    state = solved(parts={"R1": part_state(power_w=watts)})
    found = advise(circuit, table, judge_state(circuit, table, state, {}))
    assert [one.rule for one in found] == ["resistor-derating"] * notes


def test_an_assumed_rating_gets_no_advice() -> None:
    circuit = circuit_of(two_pin("R1", 470.0))
    state = solved(parts={"R1": part_state(power_w=0.5)})
    table = limits_of(circuit, roles_of({"R1": "grid_leak"}))
    assert table.limits
    assert advise(circuit, table, judge_state(circuit, table, state, {})) == ()
