"""Glow and heat: the derived table of ratios, a step-by-step integration, plain words."""

from __future__ import annotations

import pytest

from netcheck.judge.heat import (
    BULB_C,
    GRID_S,
    KELVIN,
    OTHER_HEAT,
    RATED_C,
    glow_after_s,
    heat_of,
    heats_of,
    plate_c,
)
from tests.judge.builders import stress

GLOW_TABLE = {
    # plate at its rating: ratio that shows at 474, 525, 581, 650 and 700 degrees C
    400.0: ((474, 1.8, 1.9), (525, 2.5, 2.7), (581, 3.5, 3.8), (650, 4.9, 5.5), (700, 6.2, 7.0)),
    425.0: ((474, 1.5, 1.5), (525, 2.1, 2.2), (581, 2.9, 3.2), (650, 4.1, 4.6), (700, 5.2, 5.8)),
    450.0: ((474, 1.2, 1.2), (525, 1.7, 1.8), (581, 2.4, 2.6), (650, 3.4, 3.8), (700, 4.4, 4.9)),
    475.0: ((474, 1.0, 1.0), (525, 1.4, 1.5), (581, 2.0, 2.2), (650, 2.9, 3.2), (700, 3.7, 4.1)),
}
"""A table derived by hand from the fourth-power law, to two digits."""


@pytest.mark.parametrize(
    ("rated_c", "seen_c", "low", "high"),
    [(rated, *row) for rated, rows in GLOW_TABLE.items() for row in rows],
)
def test_the_ratio_at_which_a_plate_glows(
    rated_c: float, seen_c: float, low: float, high: float
) -> None:
    ratios = []
    for other in OTHER_HEAT:
        below, above = 0.5, 10.0
        for _ in range(60):
            middle = (below + above) / 2.0
            if plate_c(middle, rated_c, other) < seen_c:
                below = middle
            else:
                above = middle
        ratios.append(below)

    assert ratios == [pytest.approx(low, abs=0.06), pytest.approx(high, abs=0.06)]


@pytest.mark.parametrize("rated_c", RATED_C)
def test_at_its_rating_a_plate_is_at_its_rated_temperature(rated_c: float) -> None:
    assert plate_c(1.0, rated_c, 0.4) == pytest.approx(rated_c)


@pytest.mark.parametrize("times", [3.0, 5.0, 8.0])
def test_the_time_to_a_glow_is_that_of_a_step_by_step_run(times: float) -> None:
    rated, other, tau = 400.0, 0.5, 28.0
    bulb, at_rating = (BULB_C + KELVIN) ** 4, rated + KELVIN
    watts_per_k4 = (1.0 + other) / (at_rating**4 - bulb)
    heat_per_k = tau * 4.0 * watts_per_k4 * at_rating**3
    kelvin, seconds, step = plate_c(0.5, rated, other) + KELVIN, 0.0, 1e-3
    while kelvin < 525.0 + KELVIN:
        net = times + other - watts_per_k4 * (kelvin**4 - bulb)
        kelvin += step * net / heat_per_k
        seconds += step

    assert glow_after_s(times, 0.5, rated, other, tau) == pytest.approx(seconds, rel=0.01)


def test_a_plate_below_the_visible_threshold_never_glows() -> None:
    assert glow_after_s(2.0, 0.7, 400.0, 0.5, 28.0) is None


def test_a_plate_at_twice_its_rating_may_glow_and_at_four_times_does() -> None:
    twice, four = heat_of(stress(ratio=2.0)), heat_of(stress(ratio=4.0))

    assert twice is not None
    assert four is not None
    assert twice.word == "may glow red"
    assert (twice.soonest_s is not None, twice.latest_s) == (True, None)
    assert four.word == "glows red"
    assert four.soonest_s is not None
    assert four.latest_s is not None
    assert 1.0 < four.soonest_s < four.latest_s < 60.0
    assert "estimate" in four.source


def test_a_winding_heats_with_the_square_of_its_current() -> None:
    heat = heat_of(stress("L1", 2.0, 0.5, quantity="current_a"))

    assert heat is not None
    assert heat.times_rated == pytest.approx(4.0)
    assert heat.low_c is None


def test_a_resistor_at_its_rating_reaches_the_end_of_its_load_curve() -> None:
    """Film: 145 degrees at a tenth of its rating in air of 70 at full rating."""
    heat = heat_of(stress("R1", 1.0, 0.3, quantity="power_w"))

    assert heat is not None
    assert heat.low_c is not None
    assert heat.low_c == pytest.approx(25.0 + 75.0 / 0.9)
    assert heat.latest_s is None


def test_a_body_passes_its_rating_sooner_the_harder_it_is_driven() -> None:
    times = [
        heat_of(stress("R1", ratio, 0.3, quantity="power_w")).latest_s  # type: ignore[union-attr]
        for ratio in (1.2, 2.0, 10.0)
    ]

    assert None not in times
    assert times == sorted(times, reverse=True)  # type: ignore[type-var]


def test_what_is_no_heat_has_none_and_each_part_has_one() -> None:
    hot = [
        stress("X1", 2.0),
        stress("X1", 1.5, condition="full"),
        stress("C1", 2.0, quantity="voltage_v"),
        stress("X2", float("inf")),
    ]

    assert [heat.part for heat in heats_of(hot)] == ["X1"]


def test_each_electrode_of_a_tube_has_a_heat_of_its_own_and_its_wires_are_quick() -> None:
    plate, screen, grid = heats_of(
        [
            stress("X1", 2.0),
            stress("X1", 2.0, quantity="screen_dissipation_w"),
            stress("X1", 2.0, 0.0, quantity="grid_dissipation_w"),
        ]
    )
    assert [one.body for one in (plate, screen, grid)] == ["plate", "screen", "grid"]
    for wires in (screen, grid):
        assert wires.latest_s is not None
        assert wires.latest_s < 60.0
        assert "glows" in wires.word


def test_the_time_constant_of_a_screen_is_that_of_its_wires() -> None:
    """m c T / 4P for 0.1 g at 8 W and 800 K, and for 0.4 g at 4 W and 900 K, of nickel."""
    assert pytest.approx((0.1 * 0.5 * 800 / 32, 0.4 * 0.5 * 900 / 16), rel=0.7) == GRID_S


def test_a_faulty_spot_over_its_floor_chars() -> None:
    heat = heat_of(stress("C1", 3.0, 0.0, quantity="fault_heat_w"))
    assert heat is not None
    assert (heat.body, heat.latest_s is not None) == ("faulty spot", True)
