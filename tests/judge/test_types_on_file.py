"""Every type on file gives limits that can be compared."""

from __future__ import annotations

import pytest

from judge.builders import circuit_of, roles_of, solved, tube, tube_state
from netcheck.judge import judge_state, limits_of
from netcheck.judge.base import PartLimit
from netcheck.tubes.library import load_library

TYPES = {
    section.name: section for kind in load_library().all_types() for section in kind.unlike_sections
}
NAMES = list(TYPES)
AMPLIFYING = [name for name, kind in TYPES.items() if kind.kind != "rectifier"]
RECTIFIERS = [name for name, kind in TYPES.items() if kind.kind == "rectifier"]


def limits(name: str, connection: str = "pentode") -> tuple[PartLimit, ...]:
    circuit = circuit_of(tube("V1", TYPES[name]))
    return limits_of(circuit, roles_of(None, connection, ["V1"])).limits


@pytest.mark.parametrize("name", NAMES)
def test_every_quantity_has_at_most_one_limit_in_a_condition(name: str) -> None:
    for connection in ("pentode", "ultralinear", "triode"):
        for condition in ("idle", "full", "cold_start"):
            keys = [
                (one.quantity, one.at_current)
                for one in limits(name, connection)
                if one.applies_in(condition)
            ]
            assert len(set(keys)) == len(keys)


@pytest.mark.parametrize("name", RECTIFIERS)
def test_a_rectifier_is_judged_by_its_direct_current(name: str) -> None:
    (current,) = (one for one in limits(name) if one.quantity == "output_current_a")
    others = {one.quantity for one in limits(name)} - {"output_current_a"}

    assert 0.05 < current.limit < 0.3
    assert current.conditions == {"idle", "driven"}
    assert others <= {"heater_cathode_voltage_v"}


@pytest.mark.parametrize("name", AMPLIFYING)
def test_plate_dissipation_is_judged_with_and_without_signal(name: str) -> None:
    for condition in ("idle", "full"):
        assert any(
            one.quantity == "plate_dissipation_w" and one.applies_in(condition)
            for one in limits(name)
        )


@pytest.mark.parametrize("name", NAMES)
def test_a_limit_is_never_compared_above_its_published_figure(name: str) -> None:
    for one in limits(name):
        steps = {"design_maximum": 1.1, "absolute_maximum": 1.21}.get(one.rating_system, 1.0)
        assert one.compared_limit == pytest.approx(one.limit / steps)
        assert one.source


def test_a_12ax7_is_judged_by_its_design_center_watt() -> None:
    (plate,) = (one for one in limits("12AX7") if one.quantity == "plate_dissipation_w")
    assert (plate.limit, plate.compared_limit, plate.rating_system) == (1.0, 1.0, "design_center")


def test_an_el84_at_48_ma_is_at_its_limit_and_at_60_ma_over_it() -> None:
    # 250 V on plate and screen, about 48 mA at -7.3 V: a fact of the trade.
    circuit = circuit_of(tube("V1", load_library().find("EL84")))
    table = limits_of(circuit, roles_of())
    levels = {}
    for current_a in (0.048, 0.060):
        state = tube_state(
            plate_w=250.0 * current_a, screen_w=1.4, plate_v=250.0, current_a=current_a
        )
        stresses = judge_state(circuit, table, solved(tubes={"V1": state}), {})
        levels[current_a] = {one.quantity: one.level for one in stresses}
    assert levels[0.048]["plate_dissipation_w"] == "at_limit"
    assert levels[0.060]["plate_dissipation_w"] == "over_limit"
