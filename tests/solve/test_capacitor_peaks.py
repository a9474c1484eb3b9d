"""Capacitors under drive are judged by the peak across them, not by the mean."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from netcheck.judge.limits import limits_of
from netcheck.judge.stress import judge_state
from tests.solve.worker import Demo


@pytest.mark.parametrize("fault", ["R40/open", "X5/open_heater"])
def test_a_snubber_bears_the_peak_of_its_plate_against_the_supply(
    demo: Callable[[str], Demo], fault: str
) -> None:
    """With the speaker open, and with one tube of the pair dead: C26 from X4's plate to B+."""
    known = demo("el34_pair_fixed_bias")
    full_v = known.search.full_v
    assert full_v is not None
    state = replace(known.drive(full_v, fault), condition="full")
    table = limits_of(known.circuit, known.roles)
    loads = judge_state(known.circuit, table, state, {})
    (found,) = (one for one in loads if (one.part, one.quantity) == ("C26", "voltage_v"))

    mean_v = abs(state.parts["C26"].voltage_v)
    swing_v = state.tubes["X4"].plate_peak_v - state.tubes["X4"].plate_v
    assert found.limit == 1600.0
    assert found.value > mean_v + 100.0
    assert swing_v / 4.0 < found.value < 2.0 * (swing_v + mean_v)
