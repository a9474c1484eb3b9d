from __future__ import annotations

import pytest

from judge.builders import (
    EL34,
    EL84,
    KT88,
    TRIODE,
    TWIN,
    circuit_of,
    part_state,
    roles_of,
    solved,
    tube,
    tube_type,
    two_pin,
)
from judge.builders import limit as row
from netcheck.circuit.model import Circuit
from netcheck.judge import LimitTable, PartLimit, limits_of
from netcheck.netlist.cards import PartNote
from netcheck.roles.base import Roles


def of(table: LimitTable, part: str, quantity: str, condition: str = "idle") -> list[PartLimit]:
    return [
        one
        for one in table.limits
        if (one.part, one.quantity) == (part, quantity) and one.applies_in(condition)
    ]


def only(circuit: Circuit, quantity: str, condition: str, roles: Roles) -> PartLimit:
    (found,) = of(limits_of(circuit, roles), circuit.tubes[0].ref, quantity, condition)
    return found


def test_zero_signal_rating_holds_at_idle_and_the_other_under_drive() -> None:
    circuit = circuit_of(tube("V3", EL34))
    assert only(circuit, "plate_dissipation_w", "idle", roles_of()).limit == 25.0
    assert only(circuit, "plate_dissipation_w", "full", roles_of()).limit == 27.5
    assert only(circuit, "plate_dissipation_w", "overdrive", roles_of()).limit == 27.5


def test_a_lone_with_signal_rating_stands_in_at_idle_and_says_so() -> None:
    kind = tube_type("odd", row("plate_dissipation_w", 20.0, condition="with_signal"))
    found = only(circuit_of(tube("V1", kind)), "plate_dissipation_w", "idle", roles_of())
    assert found.limit == 20.0
    assert "rating with signal" in found.comparison


def test_speech_peak_rating_is_not_compared_and_that_is_said() -> None:
    table = limits_of(circuit_of(tube("V1", EL84)), roles_of())
    assert [one.limit for one in of(table, "V1", "screen_dissipation_w", "full")] == [2.0]
    assert any("speech and music peaks" in text for text in table.assumptions)


def test_of_two_sheets_the_used_row_counts() -> None:
    found = only(circuit_of(tube("V1", TRIODE)), "plate_dissipation_w", "idle", roles_of())
    assert (found.limit, found.compared_limit, found.rating_system) == (1.0, 1.0, "design_center")


def test_a_design_maximum_limit_is_scaled_and_says_so() -> None:
    found = only(circuit_of(tube("V1", KT88)), "plate_dissipation_w", "idle", roles_of())
    assert found.limit == 35.0
    assert found.compared_limit == pytest.approx(31.8182, rel=1e-5)
    assert "scaled to design-center" in found.comparison


@pytest.mark.parametrize(
    ("connection", "joint"), [("pentode", 0), ("ultralinear", 1), ("triode", 1)]
)
def test_joint_ratings_hold_where_plate_and_screen_share_a_supply(
    connection: str, joint: int
) -> None:
    circuit = circuit_of(tube("V1", KT88))
    table = limits_of(circuit, roles_of(connection=connection, tubes=["V1"]))
    assert len(of(table, "V1", "plate_plus_screen_dissipation_w")) == joint
    assert len(of(table, "V1", "plate_and_screen_voltage_v")) == joint
    assert len(of(table, "V1", "plate_voltage_v")) == 1 - joint


def test_a_triode_connected_pentode_without_joint_rating_gets_the_sum() -> None:
    circuit = circuit_of(tube("V1", EL34))
    found = only(
        circuit, "plate_plus_screen_dissipation_w", "idle", roles_of(None, "triode", ["V1"])
    )
    assert found.limit == 33.0
    assert "no joint rating on file" in found.comparison


def test_both_plates_of_a_bulb_are_compared_once() -> None:
    note = PartNote(envelope="V2")
    circuit = circuit_of(tube("X2", TWIN, note), tube("X10", TWIN, note))
    found = [
        one
        for one in limits_of(circuit, roles_of()).limits
        if one.quantity == "both_plates_dissipation_w"
    ]
    assert [(one.part, one.company) for one in found] == [("X2", ("X10",))]


def test_a_twin_without_envelope_note_is_an_assumption() -> None:
    table = limits_of(circuit_of(tube("X2", TWIN)), roles_of())
    assert not of(table, "X2", "both_plates_dissipation_w")
    assert any("envelope=" in text for text in table.assumptions)


def test_a_note_overrides_the_sheet() -> None:
    note = PartNote(plate_power_w=21.0, screen_power_w=3.0)
    circuit = circuit_of(tube("V1", EL34, note))
    for condition in ("idle", "full"):
        assert only(circuit, "plate_dissipation_w", condition, roles_of()).limit == 21.0
        assert only(circuit, "screen_dissipation_w", condition, roles_of()).limit == 3.0


def test_an_own_model_is_listed_as_not_judged_unless_its_note_rates_it() -> None:
    table = limits_of(circuit_of(tube("V1", None)), roles_of())
    assert [gap.part for gap in table.not_judged] == ["V1"]
    noted = limits_of(circuit_of(tube("V1", None, PartNote(plate_power_w=12.0))), roles_of())
    assert not noted.not_judged
    assert noted.limits[0].limit == 12.0


def test_a_cold_tube_is_compared_only_with_a_rating_for_it() -> None:
    cold = limits_of(circuit_of(tube("V1", EL34)), roles_of())
    assert [one.limit for one in of(cold, "V1", "plate_voltage_v", "cold_start")] == [2000.0]
    without = limits_of(circuit_of(tube("V1", TRIODE)), roles_of())
    assert not of(without, "V1", "plate_voltage_v", "cold_start")


def test_the_heater_is_where_the_note_puts_it() -> None:
    table = limits_of(circuit_of(tube("V1", TRIODE)), roles_of())
    assert any("grounded" in text for text in table.assumptions)
    note = PartNote(heater="elevated", heater_v=60.0)
    elevated = limits_of(circuit_of(tube("V1", TRIODE, note)), roles_of())
    assert of(elevated, "V1", "heater_cathode_voltage_v")[0].reference_v == 60.0
    assert not any("grounded" in text for text in elevated.assumptions)


def test_a_filament_has_no_heater_cathode_limit() -> None:
    kind = tube_type("2A3", row("heater_cathode_voltage_v", 100.0), directly_heated=True)
    table = limits_of(circuit_of(tube("V1", kind)), roles_of())
    assert [one.quantity for one in table.limits] == ["plate_peak_v"]


def test_ordinary_parts_are_judged_by_their_notes() -> None:
    circuit = circuit_of(
        two_pin("R1", 470.0, PartNote(power_w=5.0)),
        two_pin("C1", 1e-7, PartNote(volts_v=400.0)),
        two_pin("L1", 12.0, PartNote(max_current_a=0.12)),
    )
    table = limits_of(circuit, roles_of())
    assert {one.part: (one.quantity, one.limit) for one in table.limits} == {
        "R1": ("power_w", 5.0),
        "C1": ("voltage_v", 400.0),
        "L1": ("current_a", 0.12),
    }


def test_parts_without_a_rating_are_listed_with_the_reason() -> None:
    circuit = circuit_of(two_pin("R1", 470.0), two_pin("C1", 1e-7), two_pin("L1", 12.0))
    table = limits_of(circuit, roles_of())
    assert not table.limits
    assert [str(gap) for gap in table.not_judged] == [
        "C1: voltage_v: no volts= in its note",
        "L1: current_a: no max_current= in its note",
        "R1: power_w: no power= in its note and no rating to assume",
    ]


def test_an_unrated_resistor_is_sized_by_the_healthy_circuit_and_said() -> None:
    circuit = circuit_of(two_pin("R1", 470.0), two_pin("R2", 1e5))
    healthy = {
        "idle": solved(parts={"R1": part_state(power_w=0.6), "R2": part_state(power_w=0.1)}),
        "overdrive": solved("overdrive", parts={"R1": part_state(power_w=9.0)}),
    }
    table = limits_of(circuit, roles_of(), healthy)
    assert {one.part: one.limit for one in table.limits} == {"R1": 2.0, "R2": 0.5}
    assert all(one.assumed for one in table.limits)
    assert any(text.startswith("R1: ") and "2 W" in text for text in table.assumptions)


def test_a_signal_resistor_is_half_a_watt_where_health_is_not_known() -> None:
    table = limits_of(circuit_of(two_pin("R2", 1e5)), roles_of({"R2": "grid_leak"}))
    assert [one.limit for one in table.limits] == [0.5]


@pytest.mark.parametrize("role", ["winding_loss", "speaker_load", "wire_resistance"])
def test_what_nobody_could_buy_is_no_resistor(role: str) -> None:
    table = limits_of(circuit_of(two_pin("R2", 8.0)), roles_of({"R2": role}))
    assert not table.limits
    assert [gap.ratable for gap in table.not_judged] == [False]


def test_a_rating_with_signal_goes_before_one_for_any_condition() -> None:
    kind = tube_type(
        "odd",
        row("plate_dissipation_w", 20.0),
        row("plate_dissipation_w", 24.0, condition="with_signal"),
    )
    circuit = circuit_of(tube("V1", kind))
    assert only(circuit, "plate_dissipation_w", "idle", roles_of()).limit == 20.0
    assert only(circuit, "plate_dissipation_w", "full", roles_of()).limit == 24.0
