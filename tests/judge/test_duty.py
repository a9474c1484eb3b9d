from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from judge.builders import part_state, solved, tube_state
from netcheck.conditions import COLD_START, FULL, IDLE, OVERDRIVE
from netcheck.judge.duty import at_duty, duty_words
from netcheck.models.sweep import SweepCurve
from netcheck.pipeline import sweep
from netcheck.report.progress import SilentProgress
from netcheck.solve.results import NotSolved, Solved
from netcheck.workbench.settings import Settings

CIRCUIT = Path(__file__).resolve().parents[2] / "circuits" / "6v6_single_ended.cir"

REST = solved(IDLE, {"V3": tube_state(plate_w=10.0)}, {"L1": part_state(rms_a=0.04, power_w=1.0)})
LOUD = solved(
    FULL,
    {"V3": tube_state(plate_w=30.0)},
    {"L1": part_state(rms_a=0.12, power_w=5.0), "L1.turns": part_state(rms_a=3.0, power_w=9.0)},
)
EVERY = {IDLE: REST, FULL: LOUD, OVERDRIVE: NotSolved(OVERDRIVE, "no"), COLD_START: REST}


def loud(duty: float) -> Solved:
    found = at_duty(EVERY, duty)[FULL]
    assert isinstance(found, Solved)
    return found


def test_watts_are_means_and_rms_currents_roots_of_mean_squares() -> None:
    found = loud(0.25)

    assert found.tubes["V3"].plate_dissipation_w == pytest.approx(15.0)
    assert found.parts["L1"].power_w == pytest.approx(2.0)
    expected_a = math.sqrt(0.25 * 0.12**2 + 0.75 * 0.04**2)
    assert found.parts["L1"].rms_current_a == pytest.approx(expected_a)


def test_a_loop_of_shorted_turns_carries_nothing_at_rest() -> None:
    loop = loud(0.25).parts["L1.turns"]

    assert loop.rms_current_a == pytest.approx(3.0 * math.sqrt(0.25))
    assert loop.power_w == pytest.approx(9.0 * 0.25)


def test_volts_peaks_and_tube_currents_are_those_of_the_full_signal() -> None:
    before, after = LOUD.tubes["V3"], loud(0.1).tubes["V3"]

    assert replace(after, plate_dissipation_w=0.0) == replace(before, plate_dissipation_w=0.0)
    assert loud(0.1).parts["L1"].peak_voltage_v == LOUD.parts["L1"].peak_voltage_v


def test_a_continuous_sine_changes_nothing_and_neither_does_a_missing_idle() -> None:
    assert at_duty(EVERY, 1.0) == EVERY
    assert duty_words(1.0) == ()
    without = {**EVERY, IDLE: NotSolved(IDLE, "no convergence")}
    assert at_duty(without, 0.1) == without


def test_only_driven_states_change() -> None:
    found = at_duty(EVERY, 0.1)

    assert found.keys() == EVERY.keys()
    assert [found[name] is EVERY[name] for name in EVERY] == [True, False, True, True]


@given(st.floats(0.001, 1.0))
def test_heat_lies_between_that_at_rest_and_that_at_full_signal(duty: float) -> None:
    found = loud(duty)

    assert 10.0 <= found.tubes["V3"].plate_dissipation_w <= 30.0 * (1 + 1e-12)
    assert found.parts["L1"].rms_current_a * (1 + 1e-12) >= 0.04
    assert found.parts["L1"].rms_current_a <= 0.12 * (1 + 1e-12)


@cache
def swept(duty: float) -> SweepCurve:
    options = Settings(duty=duty, jobs=1)
    return sweep(CIRCUIT, ("L1", "shorted_turns"), 2, options, SilentProgress())


def ratios(curve: SweepCurve, name: str, quantity: str) -> list[float]:
    return [
        load.ratio
        for point in curve.points
        for load in point.stresses[name]
        if load.quantity == quantity and load.part in ("X2", "L1")
    ]


def test_a_solved_circuit_is_judged_by_the_mean_of_rest_and_full_signal() -> None:
    whole, tenth = swept(1.0), swept(0.1)
    for quantity in ("plate_dissipation_w", "screen_dissipation_w"):
        rest, full = (ratios(whole, name, quantity) for name in (IDLE, FULL))
        expected = [0.1 * high + 0.9 * low for high, low in zip(full, rest, strict=True)]

        assert ratios(tenth, FULL, quantity) == pytest.approx(expected)
        assert ratios(tenth, IDLE, quantity) == pytest.approx(rest)
    assert ratios(tenth, FULL, "plate_peak_v") == pytest.approx(ratios(whole, FULL, "plate_peak_v"))


def test_the_loop_of_shorted_turns_is_cooler_by_the_root_of_the_duty() -> None:
    whole, tenth = (ratios(swept(each), FULL, "current_a") for each in (1.0, 0.1))

    assert max(tenth) == pytest.approx(math.sqrt(0.1) * max(whole), rel=1e-3)


def test_a_sweep_says_its_duty() -> None:
    assert swept(0.1).duty == 0.1
    assert any("full signal 10 % of the time" in text for text in swept(0.1).assumptions)
    assert not any("of the time" in text for text in swept(1.0).assumptions)
