"""A tube of another type is judged by its own limits, and health by the right tube's."""

from __future__ import annotations

import pytest

from netcheck.conditions import IDLE
from netcheck.models.facts import limit_table
from netcheck.tubes.library import load_library

from .whole import BEAM_POWER, audited, results

PLATE = "plate_dissipation_w"


@pytest.mark.parametrize("other", ["6L6", "6V6GT"])
def test_a_smaller_tube_in_a_large_ones_socket_is_over_its_own_limit(other: str) -> None:
    found = results(BEAM_POWER)[f"X1/wrong_type@{other}"]
    plate = next(one for one in found.loads[IDLE] if one.quantity == PLATE)
    healthy = next(one for one in audited(BEAM_POWER).idle_loads if one.quantity == PLATE)

    assert healthy.level == "within_limits"
    assert plate.healthy_ratio == healthy.ratio
    assert plate.level == "over_limit"
    assert found.verdict == "over_limit"
    assert {one.quantity for one in found.victims} >= {PLATE, "screen_voltage_v"}


def test_a_fault_that_leaves_a_part_over_its_limit_says_so() -> None:
    hot = BEAM_POWER.replace("VHT ht 0 425", "VHT ht 0 520")
    audit = audited(hot)
    harmless = results(hot)["C1/open"]

    assert max(one.ratio for one in audit.idle_loads) > 1.05
    assert harmless.verdict == "over_in_health"
    assert harmless.worst is not None
    assert harmless.worst.level == "over_limit"
    assert not harmless.victims
    fine = [one for one in audit.faults if one.verdict == "within_limits"]
    assert not [load for one in fine for load in one.loads[IDLE] if load.level == "over_limit"]


def test_the_table_of_defects_shows_the_right_tubes_limit() -> None:
    audit = audited(BEAM_POWER)
    right = load_library().find("6L6GC")
    assert right is not None
    (watts,) = (row.value for row in right.limits if row.used and row.quantity == PLATE)

    assert limit_table(audit)["X1", PLATE, IDLE] == pytest.approx(watts / 1.1)
