from __future__ import annotations

from dataclasses import replace
from itertools import groupby, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from judge.builders import (
    EL34,
    circuit_of,
    fault,
    part_state,
    roles_of,
    solved,
    stress,
    tube,
    tube_state,
    two_pin,
)

from netcheck.judge import Load, limits_of
from netcheck.judge.base import Verdict
from netcheck.judge.verdict import VERDICT_ORDER
from netcheck.netlist.cards import PartNote
from netcheck.rank import (
    FaultResult,
    group_of,
    judge_fault,
    occasion,
    rank_faults,
    worst_of_parts,
)
from netcheck.report.words import ratio_words
from netcheck.solve.results import NotSolved, Outcome

CIRCUIT = circuit_of(tube("V3", EL34), two_pin("R9", 470.0, PartNote(power_w=5.0)))
TABLE = limits_of(CIRCUIT, roles_of())


def state(condition: str = "idle", plate_w: float = 11.0, resistor_w: float = 1.0) -> Outcome:
    tubes = {"V3": tube_state(plate_w=plate_w)}
    return solved(condition, tubes, {"R9": part_state(power_w=resistor_w)})


HEALTHY = {
    "idle": state(),
    "full": state("full", 20.0),
    "overdrive": state("overdrive", 22.0),
}


def judged(fault_id: str = "C3/leaky@1Mohm", **conditions: Outcome) -> FaultResult:
    return judge_fault(fault(fault_id), conditions, CIRCUIT, TABLE, HEALTHY)  # type: ignore[arg-type]


def result(
    fault_id: str,
    worst: Load | None,
    verdict: Verdict = "over_limit",
    level: str = "common",
) -> FaultResult:
    victims = (worst,) if worst and worst.is_charged else ()
    part_stresses = {worst.part: worst} if worst else {}
    gross = bool(victims) and victims[0].ratio >= 3.0
    return FaultResult(
        fault(fault_id, level), {}, verdict, {}, worst, victims, gross, part_stresses
    )


def ids(results: tuple[FaultResult, ...]) -> list[str]:
    return [one.fault.id for one in results]


def test_each_condition_keeps_its_own_verdict_and_the_gravest_is_the_faults() -> None:
    found = judged(idle=state(plate_w=50.0), full=NotSolved("full", "no convergence"))
    assert found.condition_verdicts == {"idle": "over_limit", "full": "not_solved"}
    assert found.verdict == "over_limit"
    assert judged(idle=state(), full=NotSolved("full", "no")).verdict == "not_solved"


def test_the_worst_condition_of_each_quantity_is_the_victim() -> None:
    found = judged(idle=state(plate_w=30.0), full=state("full", 55.0))
    assert [(one.quantity, one.condition) for one in found.victims] == [
        ("plate_dissipation_w", "full")
    ]
    assert found.worst == found.victims[0]
    assert found.worst.ratio == pytest.approx(2.0)
    assert found.worst.healthy_ratio == pytest.approx(20.0 / 27.5)


def test_a_plate_over_its_limit_is_worse_than_a_resistor_far_over_its_own() -> None:
    found = judged(idle=state(plate_w=50.0, resistor_w=20.0))
    assert [one.part for one in found.victims] == ["V3", "R9"]


def test_a_plate_at_its_limit_does_not_hide_a_resistor_over_its_own() -> None:
    found = judged(idle=state(plate_w=25.0, resistor_w=20.0))
    assert found.verdict == "over_limit"
    assert [one.part for one in found.victims] == ["R9", "V3"]


def test_a_harmless_fault_has_no_victims_but_a_nearest_stress() -> None:
    found = judged(idle=state(plate_w=14.0))
    assert (found.verdict, found.victims, found.gross) == ("within_limits", (), False)
    assert found.worst is not None
    assert found.worst.quantity == "plate_dissipation_w"


def test_an_unsolved_fault_has_no_worst() -> None:
    found = judged(idle=NotSolved("idle", "no convergence"))
    assert (found.verdict, found.worst) == ("not_solved", None)


def test_a_condition_that_health_was_not_solved_in_is_not_judged() -> None:
    found = judged(idle=state(), full_100hz=state("full_100hz", 80.0))
    assert found.condition_verdicts == {"idle": "within_limits", "full_100hz": "not_judged"}
    assert (found.verdict, found.victims) == ("not_judged", ())


def test_a_part_without_a_rating_is_named() -> None:
    circuit = circuit_of(tube("V3", EL34), tube("V9", None))
    table = limits_of(circuit, roles_of())
    before = solved(tubes={"V3": tube_state(), "V9": tube_state()})
    after = solved(tubes={"V3": tube_state(), "V9": tube_state(plate_w=40.0)})
    found = judge_fault(fault("C3/leaky"), {"idle": after}, circuit, table, {"idle": before})
    assert (found.verdict, found.unjudged) == ("not_judged", ("V9",))


def test_gross_begins_at_three_times_the_limit() -> None:
    assert judged(idle=state(plate_w=75.0)).gross
    assert not judged(idle=state(plate_w=74.9)).gross


def test_a_small_resistor_at_four_times_does_not_outrank_a_plate_at_twice() -> None:
    plate = result("C3/leaky", stress("V3", 2.0))
    resistor = result("R9/drifted", stress("R9", 4.0, rank_class=1), level="very_common")
    assert ids(rank_faults([resistor, plate])) == ["C3/leaky", "R9/drifted"]


def test_gross_faults_stand_first_in_order_of_likelihood_then_id() -> None:
    faults = [
        result("C1/shorted", stress(ratio=20.0), level="rare"),
        result("C2/shorted", stress(ratio=3.5), level="common"),
        result("B1/lost", stress(ratio=9.0), level="common"),
        result("C3/leaky", stress(ratio=2.9), level="very_common"),
    ]
    assert ids(rank_faults(faults)) == ["B1/lost", "C2/shorted", "C1/shorted", "C3/leaky"]


def test_verdicts_stand_in_their_order() -> None:
    faults = [
        result(f"R{place}/x", None if verdict.startswith("not") else stress(), verdict)
        for place, verdict in enumerate(VERDICT_ORDER)
    ]
    assert [one.verdict for one in rank_faults(reversed(faults))] == list(VERDICT_ORDER)


RESULTS = st.lists(
    st.builds(
        lambda number, ratio, healthy, rank_class, verdict, level, judged: result(
            f"R{number}/fault",
            stress(f"V{rank_class}", ratio, healthy, rank_class) if judged else None,
            verdict,
            level,
        ),
        st.integers(0, 10**6),
        st.floats(0, 50),
        st.floats(0, 2),
        st.integers(0, 1),
        st.sampled_from(VERDICT_ORDER),
        st.sampled_from(["very_common", "common", "occasional", "rare"]),
        st.booleans(),
    ),
    max_size=12,
    unique_by=lambda one: one.fault.id,
)


@given(RESULTS, st.randoms())
def test_order_does_not_depend_on_the_order_of_arrival(
    results: list[FaultResult], random: object
) -> None:
    shuffled = list(results)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert ids(rank_faults(shuffled)) == ids(rank_faults(results))
    assert list(worst_of_parts(shuffled).items()) == list(worst_of_parts(results).items())


@given(RESULTS)
def test_as_many_rows_as_faults(results: list[FaultResult]) -> None:
    assert sorted(ids(rank_faults(results))) == sorted(one.fault.id for one in results)


@given(RESULTS)
def test_the_ratio_never_rises_within_a_group_and_each_group_stands_once(
    results: list[FaultResult],
) -> None:
    ranked = rank_faults(results)
    groups = [group_of(one) for one in ranked]
    for (before, after), (first, second) in zip(pairwise(ranked), pairwise(groups), strict=True):
        assert first.order <= second.order
        if first == second and before.worst and after.worst:
            assert float(ratio_words(before.worst.ratio)) >= float(ratio_words(after.worst.ratio))
    assert len(set(groups)) == len([None for each in groupby(groups)])
    assert [one.verdict for one in ranked] == sorted(
        (one.verdict for one in ranked), key=VERDICT_ORDER.index
    )


def test_what_only_overdrive_does_stands_after_what_use_does() -> None:
    in_use = judged("C3/leaky@1Mohm", idle=state(), full=state("full", 30.0))
    beyond = judged("C4/leaky@1Mohm", idle=state(), overdrive=state("overdrive", 70.0))
    assert (in_use.verdict, occasion(in_use)) == ("over_limit", "use")
    assert (beyond.verdict, occasion(beyond)) == ("over_limit", "overdrive")
    assert ids(rank_faults([beyond, in_use])) == ["C3/leaky@1Mohm", "C4/leaky@1Mohm"]


def test_the_victim_shown_is_that_of_use() -> None:
    one = judged(idle=state(), full=state("full", 30.0), overdrive=state("overdrive", 70.0))
    assert one.worst is not None
    assert (one.worst.condition, one.gross) == ("full", False)


def test_a_difference_that_is_not_shown_does_not_turn_the_order() -> None:
    first = result("B1/lost", stress(ratio=2.0), level="common")
    second = result("A1/lost", stress(ratio=2.0 + 1e-7), level="occasional")
    assert ids(rank_faults([second, first])) == ["B1/lost", "A1/lost"]


def test_a_part_is_given_its_worst_fault() -> None:
    results = [
        result("C3/leaky@1Mohm", stress("V3", 2.0, 0.4)),
        result("C3/leaky@10Mohm", stress("V3", 1.1, 0.4)),
        result("R9/drifted", stress("R9", 0.4, 0.4, rank_class=1)),
    ]
    worst = worst_of_parts(results)
    assert list(worst) == ["V3"]  # R9 is stressed no more than in health
    assert worst["V3"].fault_id == "C3/leaky@1Mohm"


def test_of_gross_faults_a_part_is_given_the_likelier() -> None:
    results = [
        result("C3/shorted", stress("V3", 12.0), level="rare"),
        result("C3/leaky", stress("V3", 5.0), level="very_common"),
    ]
    assert worst_of_parts(results)["V3"].fault_id == "C3/leaky"


def test_a_part_below_its_limit_still_has_a_worst_fault() -> None:
    found = judged(idle=state(plate_w=14.0))
    worst = worst_of_parts([found, replace(judged("R1/open", idle=state(plate_w=12.0)))])
    assert worst["V3"].fault_id == "C3/leaky@1Mohm"
    assert worst["V3"].stress.ratio == pytest.approx(14.0 / 25.0)


def test_what_idle_does_is_not_charged_to_a_test_and_what_harms_nothing_to_nobody() -> None:
    both = judged("C3/leaky", idle=state(plate_w=30.0), full=state("full", 55.0))
    harmless = judged("C4/leaky", idle=state(), full=state("full", 20.0))
    near = judged("C5/leaky", idle=state(plate_w=25.0), full=state("full", 55.0))

    assert (occasion(both), occasion(harmless)) == ("idle", None)
    assert (near.condition_verdicts["idle"], occasion(near)) == ("at_limit", "use")


def test_twins_stand_in_their_order_whatever_the_last_digit_says() -> None:
    circuit = circuit_of(tube("V3", EL34), tube("V4", EL34))
    table = limits_of(circuit, roles_of())
    before = solved(tubes={"V3": tube_state(), "V4": tube_state()})
    twins = {"V3": tube_state(plate_w=40.0), "V4": tube_state(plate_w=40.0 * (1 + 1e-7))}

    found = judge_fault(
        fault("C3/leaky"), {"idle": solved(tubes=twins)}, circuit, table, {"idle": before}
    )
    assert [one.part for one in found.victims] == ["V3", "V4"]
