from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from judge.builders import solved, stress

from netcheck.faults.base import ContinuousFault, Defect, Fault, likelihood
from netcheck.judge.base import Load
from netcheck.solve.results import NotSolved, Outcome, PartState, Solved
from netcheck.tipping import (
    ACCURACY,
    GRID_POINTS,
    TippingPoint,
    find_all,
    find_tipping,
    joined_searches,
    times_what_passes,
    under_drive,
)

RARE = likelihood("rare", "common practice")
Curve = Callable[[float], float]
"""Ratio of the one victim at a given size."""


def leak(
    from_value: float = 1e10, to_value: float = 1e5, logarithmic: bool = True, ref: str = "C3"
) -> ContinuousFault:
    def make(size: float) -> Fault:
        return Fault(f"{ref}/leaky@{size}", (ref,), "leaky", (), RARE, "", Defect(size, "ohm"))

    return ContinuousFault(
        f"{ref}/leaky", (ref,), "leaky", "ohm", from_value, to_value, logarithmic, make
    )


class Bench:
    """Solves a fault by a known curve for each victim and counts the work."""

    def __init__(
        self,
        curves: dict[str, Curve],
        healthy: dict[str, float] | None = None,
        fails: Callable[[float], bool] = lambda _size: False,
    ) -> None:
        self.curves = curves
        self.healthy = healthy or {}
        self.fails = fails
        self.batches: list[int] = []

    def solve(self, faults: Sequence[Fault]) -> Sequence[NotSolved | Sequence[Load]]:
        self.batches.append(len(faults))
        outcomes = [self.outcome(fault.defect.value) for fault in faults if fault.defect]
        return [one if isinstance(one, NotSolved) else self.judge(one) for one in outcomes]

    def outcome(self, size: float) -> Outcome:
        if self.fails(size):
            return NotSolved("idle", "no convergence")
        states = {
            part: PartState(curve(size), 0.0, 0.0, 0.0, 0.0) for part, curve in self.curves.items()
        }
        return solved(parts=states)

    def judge(self, outcome: Solved) -> Sequence[Load]:
        return [
            stress(
                part,
                state.voltage_v,
                self.healthy.get(part, 0.4),
                rank_class=0 if part.startswith("V") else 1,
            )
            for part, state in outcome.parts.items()
        ]

    def find(self, *faults: ContinuousFault) -> tuple[TippingPoint, ...]:
        return find_all(faults or (leak(),), self.solve)


def crossing_at(tip: float) -> Curve:
    """A leak's curve that reaches ratio 1 at `tip` ohm and rises as it falls."""
    return lambda ohm: 0.4 + 0.6 * tip / ohm


@given(st.floats(2e5, 5e9))
def test_the_crossing_is_found_to_one_percent_and_is_enough(tip: float) -> None:
    bench = Bench({"V3": crossing_at(tip)})
    (point,) = bench.find()
    assert (point.status, point.victim, point.direction) == ("found", "V3", "below")
    assert point.value is not None
    assert tip * (1.0 - ACCURACY) <= point.value <= tip
    assert crossing_at(tip)(point.value) >= 1.0


@given(st.floats(-0.95, -0.05))
def test_a_linear_search_finds_its_crossing_too(tip: float) -> None:
    bench = Bench({"V3": lambda size: 1.0 + (size - tip)})
    (point,) = bench.find(leak(-1.0, 0.0, logarithmic=False))
    assert point.direction == "above"
    assert point.value is not None
    rounding = 1e-12  # 1 + (size - tip) reaches 1 within a rounding of tip
    assert tip - rounding <= point.value <= tip + max(ACCURACY * abs(tip), 1e-3) + rounding


def test_the_first_crossing_counts_where_the_curve_turns_back() -> None:
    """A bump at 100 Mohm, health again at 10 Mohm, overload below 1 Mohm."""

    def curve(ohm: float) -> float:
        bump = 1.5 * math.exp(-((math.log10(ohm) - 8.0) ** 2) / 0.1)
        return max(bump, 1e6 / ohm)

    (point,) = Bench({"V3": curve}).find()
    assert point.value is not None
    assert 1e8 < point.value < 3e8
    assert curve(point.value) >= 1.0
    assert curve(point.value * (1.0 + 2 * ACCURACY)) < 1.0


def test_nothing_crosses() -> None:
    (point,) = Bench({"V3": lambda _size: 0.9}).find()
    assert (point.status, point.value, point.victim) == ("not_at_idle", None, "")
    assert point.searched == (1e10, 1e5)


def test_over_in_health_is_already_over() -> None:
    bench = Bench({"V3": lambda ohm: 1.2 + 1e6 / ohm}, {"V3": 1.2})
    (point,) = bench.find()
    assert (point.status, point.value, point.victim) == ("already_over", None, "V3")


def test_over_at_the_nearly_healthy_end_is_already_over() -> None:
    (point,) = Bench({"V3": lambda _size: 1.4}).find()
    assert (point.status, point.value) == ("already_over", None)


def test_a_stage_at_its_limit_in_health_tips_where_the_fault_adds_to_it() -> None:
    bench = Bench({"V3": lambda ohm: 1.0 + 1e6 / ohm}, {"V3": 1.0})
    (point,) = bench.find()
    assert point.status == "found"
    assert point.value == pytest.approx(1e6 / 0.05, rel=0.02)


def test_a_fault_that_only_relieves_a_hot_stage_never_tips_it() -> None:
    (point,) = Bench({"V3": lambda _size: 1.1}, {"V3": 1.3}).find()
    assert point.status == "not_at_idle"


def test_unsolved_sizes_are_not_health() -> None:
    (point,) = Bench({"V3": lambda _size: 0.5}, fails=lambda ohm: ohm < 1e7).find()
    assert (point.status, point.value) == ("not_solved", None)


def test_nothing_solved_is_not_solved() -> None:
    (point,) = Bench({"V3": lambda _size: 5.0}, fails=lambda _ohm: True).find()
    assert point.status == "not_solved"


def test_a_gap_before_the_crossing_leaves_a_size_that_is_enough() -> None:
    bench = Bench({"V3": crossing_at(1e7)}, fails=lambda ohm: 8e6 < ohm < 1e8)
    (point,) = bench.find()
    assert point.status == "found"
    assert point.value is not None
    assert crossing_at(1e7)(point.value) >= 1.0
    assert point.value == pytest.approx(8e6, rel=2 * ACCURACY)


def test_a_failed_first_size_is_not_taken_for_an_overload() -> None:
    bench = Bench({"V3": crossing_at(4e9)}, fails=lambda ohm: ohm > 9e9)
    (point,) = bench.find()
    assert point.status == "found"
    assert point.value == pytest.approx(4e9, rel=2 * ACCURACY)


def test_tubes_come_first_then_the_other_victims_by_how_little_it_takes() -> None:
    bench = Bench(
        {
            "R9": crossing_at(1e8),
            "V4": crossing_at(1e6),
            "V3": crossing_at(1e7),
            "C1": lambda _: 0.1,
        }
    )
    points = bench.find()
    assert [one.victim for one in points] == ["V3", "V4", "R9"]
    assert [one.value for one in points] == pytest.approx([1e7, 1e6, 1e8], rel=2 * ACCURACY)


def test_all_searches_advance_together() -> None:
    bench = Bench({"V3": crossing_at(1e7)})
    faults = [leak(ref=f"C{number}") for number in range(5)]
    points = bench.find(*faults)
    assert [one.fault_id for one in points] == [f"C{number}/leaky" for number in range(5)]
    assert bench.batches[0] == 5 * GRID_POINTS
    assert len(bench.batches) <= 8
    assert set(bench.batches[1:]) == {5}


def test_one_fault_alone_gives_the_same_answer() -> None:
    bench = Bench({"V3": crossing_at(1e7)})
    assert find_tipping(leak(), bench.solve) == bench.find(leak())


def test_no_faults_ask_for_nothing() -> None:
    bench = Bench({})
    assert find_all((), bench.solve) == ()
    assert bench.batches == []


def test_a_logarithmic_search_through_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot pass zero"):
        Bench({"V3": lambda _size: 0.0}).find(leak(1.0, 0.0))


DRIVE = under_drive(("full",))


def driven(bench: Bench, *faults: ContinuousFault) -> tuple[TippingPoint, ...]:
    return find_all(faults or (leak(),), bench.solve, DRIVE)


def test_only_a_search_under_drive_may_say_never() -> None:
    bench = Bench({"V3": lambda _size: 0.9})
    (found,) = joined_searches(bench.find(), driven(bench))
    assert (found.status, found.conditions) == ("never", ("idle", "full"))
    assert joined_searches(bench.find(), ()) == bench.find()


def test_a_search_under_drive_is_bounded_and_narrows_the_first_crossing() -> None:
    """The other part's size is one that was solved and is enough, not the smallest one."""
    bench = Bench({"V3": crossing_at(3e7), "V4": crossing_at(1.7e6), "R9": crossing_at(3e8)})
    first, second, third = driven(bench)
    assert sum(bench.batches) <= DRIVE.grid_points + DRIVE.rounds
    assert [one.victim for one in (first, second, third)] == ["V3", "V4", "R9"]
    assert first.value == pytest.approx(3e7, rel=2 * DRIVE.accuracy)
    assert second.value is not None
    assert second.value < 1.7e6
    assert crossing_at(1.7e6)(second.value) >= 1.0


def test_of_what_crosses_in_both_searches_the_smaller_defect_counts() -> None:
    idle = Bench({"V3": crossing_at(1e7), "V4": crossing_at(1e8)})
    drive = Bench({"V3": crossing_at(1e8), "V4": crossing_at(1e7), "R9": crossing_at(1e6)})
    found = {one.victim: one for one in joined_searches(idle.find(), driven(drive))}
    assert found["V3"].value == pytest.approx(1e8, rel=2 * DRIVE.accuracy)
    assert found["V4"].value == pytest.approx(1e8, rel=2 * ACCURACY)
    assert found.keys() == {"V3", "V4", "R9"}


def test_what_drive_could_not_solve_is_not_called_never() -> None:
    idle = Bench({"V3": lambda _size: 0.9})
    drive = Bench({"V3": lambda _size: 0.9}, fails=lambda ohm: ohm < 1e7)
    (found,) = joined_searches(idle.find(), driven(drive))
    assert found.status == "not_solved"


def tipped(
    kind: str, start: float, end: float, value: float | None, status: str = "found"
) -> TippingPoint:
    direction = "below" if end < start else "above"
    return TippingPoint(
        f"P1/{kind}",
        ("P1",),
        kind,
        "X1",
        "plate_dissipation_w",
        "idle",
        direction,
        value,
        "ohm",
        status,
        (start, end),
    )  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("kind", "start", "end", "value", "times"),
    [
        ("leaky", 1e10, 1e5, 20e6, 5.0),  # 100 Mohm passes
        ("leaky", 1e10, 1e5, 200e6, 0.5),
        ("leaky", 1e6, 0.1, 1e3, 10.0),
        ("drifted", 470e3, 1e9, 940e3, 5.0),  # 100 % off, 20 % passes
        ("drifted_down", 470.0, 4.7, 235.0, 5.0),
        ("misadjusted", 40.0, 100.0, 44.0, 0.5),
        ("shorted_turns", 0.1, 50.0, 5.0, 5.0),  # 1 % passes
    ],
)
def test_defects_of_unlike_kinds_are_measured_by_what_passes_an_inspection(
    kind: str, start: float, end: float, value: float, times: float
) -> None:
    assert times_what_passes(tipped(kind, start, end, value)) == pytest.approx(times)


def test_a_defect_that_is_never_enough_has_no_measure() -> None:
    assert times_what_passes(tipped("leaky", 1e10, 1e5, None, "never")) is None
    assert times_what_passes(tipped("leaky", 1e10, 1e5, None, "already_over")) == 0.0
