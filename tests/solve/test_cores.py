"""Flux of a core, against closed forms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import pi

import pytest

from netcheck.circuit.changes import ScaleEmission, apply_changes
from netcheck.judge.base import Core, NotJudged, PartLimit
from netcheck.judge.cores import LOWEST_HZ, MARGIN, core_limits, flux_vs
from netcheck.solve.results import PartState, Solved
from tests.solve.worker import Demo

HENRY = 30.0
CORE = Core(("L1", "L2"), {"L1": HENRY, "L2": HENRY}, frozenset({"L1", "L2"}))


def carrying(first_a: float, second_a: float, swing_vs: float = 0.0) -> Solved:
    """Both halves wound the same way, so that a balanced pair has currents of unlike sign."""
    parts = {
        ref: PartState(0.0, 0.0, amps, abs(amps), 0.0, swing_vs)
        for ref, amps in (("L1", first_a), ("L2", second_a))
    }
    return Solved("full", {}, {}, parts, input_v=1.0, frequency_hz=1000.0)


def test_balanced_halves_leave_nothing_and_a_dead_one_its_inductance_times_the_current() -> None:
    """N phi = L i of a linear winding."""
    assert flux_vs(CORE, carrying(0.05, -0.05)) == 0.0
    assert flux_vs(CORE, carrying(0.05, 0.0)) == pytest.approx(HENRY * 0.05)
    assert flux_vs(CORE, carrying(0.05, -0.03)) == pytest.approx(HENRY * 0.02)


def test_volt_seconds_are_told_for_the_lowest_frequency() -> None:
    """A sine of 300 V peak swings V / omega about its middle."""
    swing_vs = 300.0 / (2.0 * pi * 1000.0)
    assert flux_vs(CORE, carrying(0.0, 0.0, swing_vs)) == pytest.approx(
        300.0 / (2.0 * pi * LOWEST_HZ)
    )


def test_a_dead_tube_of_a_pair_leaves_the_current_of_the_other_in_the_core(
    demo: Callable[[str], Demo],
) -> None:
    known = demo("el34_pair_fixed_bias")
    swing_vs = 1.5 * LOWEST_HZ / 1000.0
    moved = {"L1": replace(known.idle.parts["L1"], swing_vs=swing_vs)}
    full = replace(
        known.idle, condition="full", frequency_hz=1000.0, parts={**known.idle.parts, **moved}
    )
    dead = known.worker.idle(apply_changes(known.circuit, (ScaleEmission("X5", 0.0),)))
    (limit,) = core_limits(known.circuit, known.roles, {"full": full})

    assert isinstance(limit, PartLimit)
    assert limit.core is not None
    assert limit.limit == pytest.approx(MARGIN * 1.5, rel=0.01)
    left_vs = HENRY * dead.parts["L1"].current_a
    assert flux_vs(limit.core, dead) == pytest.approx(left_vs, rel=1e-3)
    assert left_vs > 100.0 * flux_vs(limit.core, known.idle)
    assert limit.applies_in("full")
    assert not limit.applies_in("overdrive")


def test_a_core_that_was_never_driven_is_openly_not_judged(demo: Callable[[str], Demo]) -> None:
    known = demo("el34_pair_fixed_bias")
    (gap,) = core_limits(known.circuit, known.roles, {"idle": known.idle})

    assert isinstance(gap, NotJudged)
    assert (gap.part, gap.quantity) == ("L1", "core_flux_vs")
