"""Each rating system is compared with the case it asks for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from netcheck.judge.base import Load
from netcheck.judge.statistics import share_of
from netcheck.judge.toleranced import (
    CASE_OF,
    COMPARISON,
    DrivenCorner,
    LimitSpread,
    compared_as_published,
    judged_value,
)
from netcheck.ratings.systems import RatingSystem

NOMINAL, TOLERANCED, WORST = 20.0, 25.0, 32.0


def spread(system: RatingSystem) -> LimitSpread:
    limit = 30.0
    judged = judged_value(system, NOMINAL, TOLERANCED, WORST)
    return LimitSpread(
        "X1",
        "plate_dissipation_w",
        limit,
        system,
        CASE_OF[system],
        COMPARISON[system],
        NOMINAL,
        TOLERANCED,
        WORST,
        None if judged is None else judged / limit,
        21.0,
        16.0,
        26.0,
        share_of(1, 100),
        (),
        0,
    )


def stress(system: RatingSystem, condition: str = "idle") -> Load:
    compared, ratio = 27.27, NOMINAL / 27.27
    return Load(
        "X1", "plate_dissipation_w", condition, NOMINAL, 30.0, compared, ratio, system, "scaled", 0
    )


@pytest.mark.parametrize(
    ("system", "value"),
    [
        ("design_center", NOMINAL),
        ("not_stated", NOMINAL),
        ("design_maximum", TOLERANCED),
        ("absolute_maximum", WORST),
    ],
)
def test_case_of_a_rating_system(system: RatingSystem, value: float) -> None:
    assert judged_value(system, NOMINAL, TOLERANCED, WORST) == value


def test_a_scaled_idle_stress_is_compared_anew_with_the_limit_as_published() -> None:
    (found,) = compared_as_published((stress("design_maximum"),), (spread("design_maximum"),))

    assert found.value == pytest.approx(TOLERANCED)
    assert found.ratio == pytest.approx(TOLERANCED / 30.0)
    assert "toleranced circuit" in found.comparison
    assert "scaled" not in found.comparison


def test_other_conditions_and_design_center_limits_stay_as_they_were() -> None:
    driven, nominal = stress("design_maximum", "full"), stress("design_center")
    spreads = (spread("design_maximum"), spread("design_center"))

    assert compared_as_published((driven,), spreads) == (driven,)
    assert compared_as_published((nominal,), spreads[1:]) == (nominal,)


def test_a_corner_that_was_not_solved_leaves_the_scaled_comparison() -> None:
    unknown = replace(spread("absolute_maximum"), worst_case=None, judged=None)
    scaled = stress("absolute_maximum")

    assert compared_as_published((scaled,), (unknown,)) == (scaled,)


def corner(system: RatingSystem, judged: float | None = TOLERANCED / 30.0) -> DrivenCorner:
    of_system = (system, CASE_OF[system], COMPARISON[system])
    values = (NOMINAL, TOLERANCED, WORST, judged)
    return DrivenCorner("X1", "plate_dissipation_w", "full", 1.5, 30.0, *of_system, *values)


def test_a_driven_stress_is_compared_anew_where_its_corner_was_driven() -> None:
    stresses = tuple(stress("design_maximum", name) for name in ("idle", "full", "overdrive"))

    idle, full, overdrive = compared_as_published(stresses, (), (corner("design_maximum"),))

    assert full.ratio == full.healthy_ratio == pytest.approx(TOLERANCED / 30.0)
    assert full.value == pytest.approx(TOLERANCED)
    assert "toleranced circuit" in full.comparison
    assert (idle, overdrive) == (stresses[0], stresses[2])


@pytest.mark.parametrize(
    "known", [corner("design_maximum", None), corner("design_center", NOMINAL / 30.0)]
)
def test_an_unsolved_corner_and_a_design_center_limit_leave_a_driven_stress(
    known: DrivenCorner,
) -> None:
    driven = (stress("design_maximum", "full"),)

    assert compared_as_published(driven, (), (known,)) == driven
