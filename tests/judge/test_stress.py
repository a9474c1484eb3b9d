from __future__ import annotations

from dataclasses import replace

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
    tube_state,
    two_pin,
)
from netcheck.circuit.model import Circuit
from netcheck.judge import Load, judge_state, limits_of
from netcheck.netlist.cards import PartNote
from netcheck.roles.base import Roles
from netcheck.solve.results import Solved


def judged(
    circuit: Circuit, state: Solved, healthy: Solved | None = None, roles: Roles | None = None
) -> dict[tuple[str, str], Load]:
    table = limits_of(circuit, roles or roles_of())
    known = {healthy.condition: healthy} if healthy else {}
    return {(one.part, one.quantity): one for one in judge_state(circuit, table, state, known)}


def test_a_class_ab_swing_is_health() -> None:
    """Twice B+ on the plate and several times the mean current, at mean watts within limits."""
    circuit = circuit_of(tube("V3", EL34))
    state = tube_state(plate_w=22.0, current_a=0.09, peak_v=860.0, peak_a=0.4)
    stresses = judged(circuit, solved("full", {"V3": state}))
    assert max(one.ratio for one in stresses.values()) < 0.95
    assert stresses["V3", "cathode_current_a"].ratio == pytest.approx(0.6)
    assert stresses["V3", "plate_voltage_v"].ratio == pytest.approx(0.5)


def test_the_ratio_is_to_the_limit_as_compared_and_the_published_one_is_shown() -> None:
    circuit = circuit_of(tube("V1", KT88))
    one = judged(circuit, solved(tubes={"V1": tube_state(plate_w=35.0)}))[
        "V1", "plate_dissipation_w"
    ]
    assert one.limit == 35.0
    assert one.ratio == pytest.approx(1.1)


def test_the_published_class_a_point_of_an_el84_is_at_its_limit() -> None:
    # 250 V plate and screen, 48 mA: 12.0 W, the whole of the design-center rating.
    circuit = circuit_of(tube("V1", EL84))
    state = tube_state(plate_w=250.0 * 0.048, current_a=0.0535, plate_v=250.0)
    one = judged(circuit, solved(tubes={"V1": state}))["V1", "plate_dissipation_w"]
    assert one.ratio == pytest.approx(1.0)


def test_both_ratios_are_kept() -> None:
    circuit = circuit_of(tube("V3", EL34))
    healthy = solved(tubes={"V3": tube_state(plate_w=11.0)})
    faulted = solved(tubes={"V3": tube_state(plate_w=50.0)})
    one = judged(circuit, faulted, healthy)["V3", "plate_dissipation_w"]
    assert (one.ratio, one.healthy_ratio) == pytest.approx((2.0, 0.44))
    assert one.rank_class == 0


def test_without_a_healthy_state_nothing_can_be_charged() -> None:
    circuit = circuit_of(tube("V3", EL34))
    for one in judged(circuit, solved(tubes={"V3": tube_state(plate_w=50.0)})).values():
        assert one.healthy_ratio == one.ratio


def test_both_plates_add_up() -> None:
    note = PartNote(envelope="V2")
    circuit = circuit_of(tube("X2", TWIN, note), tube("X3", TWIN, note))
    state = tube_state(plate_w=4.0, screen_w=None, screen_v=None)
    stresses = judged(circuit, solved(tubes={"X2": state, "X3": state}))
    assert stresses["X2", "both_plates_dissipation_w"].ratio == pytest.approx(8.0 / (7.5 / 1.1))
    assert ("X3", "both_plates_dissipation_w") not in stresses


def test_plate_and_screen_add_up_in_ultralinear() -> None:
    circuit = circuit_of(tube("V1", KT88))
    state = tube_state(plate_w=33.0, screen_w=5.0, plate_v=440.0, screen_v=445.0)
    stresses = judged(
        circuit, solved(tubes={"V1": state}), roles=roles_of(None, "ultralinear", ["V1"])
    )
    assert stresses["V1", "plate_plus_screen_dissipation_w"].value == pytest.approx(38.0)
    assert stresses["V1", "plate_and_screen_voltage_v"].value == pytest.approx(445.0)


def test_volts_are_measured_to_the_cathode() -> None:
    circuit = circuit_of(tube("V1", TRIODE))
    state = tube_state(plate_v=300.0, cathode_v=120.0, screen_v=None, screen_w=None)
    stresses = judged(circuit, solved(tubes={"V1": state}))
    assert stresses["V1", "plate_voltage_v"].value == pytest.approx(180.0)
    assert stresses["V1", "heater_cathode_voltage_v"].value == pytest.approx(120.0)


def test_a_tube_that_is_cut_off_has_its_rating_at_zero_current() -> None:
    circuit = circuit_of(tube("V3", EL34))
    healthy = solved(tubes={"V3": tube_state(plate_v=400.0)})
    off = solved(tubes={"V3": tube_state(plate_v=1000.0, current_a=1e-6)})
    one = judged(circuit, off, healthy)["V3", "plate_voltage_v"]
    assert one.limit == 2000.0
    assert one.healthy_ratio == pytest.approx(0.5)  # 400 V of the 800 V that held in health


def test_a_cold_start_judges_volts_and_not_watts() -> None:
    circuit = circuit_of(tube("V3", EL34), two_pin("C1", 1e-7, PartNote(volts_v=400.0)))
    cold = solved(
        "cold_start",
        {"V3": tube_state(plate_w=0.0, current_a=0.0, plate_v=560.0)},
        {"C1": part_state(voltage_v=560.0)},
    )
    stresses = judged(circuit, cold)
    assert set(stresses) == {("V3", "plate_voltage_v"), ("C1", "voltage_v")}
    assert stresses["C1", "voltage_v"].ratio == pytest.approx(1.4)


def test_a_capacitor_is_judged_by_its_peak_and_a_winding_by_its_rms() -> None:
    circuit = circuit_of(
        two_pin("C1", 1e-7, PartNote(volts_v=400.0)),
        two_pin("L1", 12.0, PartNote(max_current_a=0.1)),
        two_pin("R1", 1e3, PartNote(power_w=1.0)),
    )
    state = solved(
        "full",
        parts={
            "C1": part_state(voltage_v=-200.0, peak_v=300.0),
            "L1": part_state(current_a=0.05, rms_a=0.08),
            "R1": part_state(power_w=0.5),
        },
    )
    stresses = judged(circuit, state)
    assert stresses["C1", "voltage_v"].ratio == pytest.approx(0.75)
    assert stresses["L1", "current_a"].ratio == pytest.approx(0.8)
    assert stresses["R1", "power_w"].ratio == pytest.approx(0.5)
    assert [stresses[key].rank_class for key in sorted(stresses)] == [1, 0, 1]


def test_shorted_turns_are_judged_by_their_own_current() -> None:
    """2 A in turns of a winding for 0.1 A, of the same wire: twenty times, however few."""
    note = PartNote(max_current_a=0.1, dcr_ohm=100.0)
    circuit = circuit_of(two_pin("L1", 12.0, note))
    parts = {
        "L1": part_state(rms_a=0.06),
        "L1.turns1": part_state(rms_a=2.0),
        "L1.wire1": part_state(rms_a=2.0, power_w=40.0),
    }
    one = judged(circuit, solved("full", parts=parts))["L1", "current_a"]
    assert one.ratio == pytest.approx(20.0)


def test_the_faulty_resistor_itself_can_burn() -> None:
    circuit = circuit_of(two_pin("R9", 470.0, PartNote(power_w=5.0)))
    healthy = solved(parts={"R9": part_state(power_w=1.2)})
    faulted = solved(parts={"R9": part_state(power_w=12.0)})
    one = judged(circuit, faulted, healthy)["R9", "power_w"]
    assert (one.ratio, one.healthy_ratio) == pytest.approx((2.4, 0.24))


def test_a_part_a_fault_put_in_is_not_judged() -> None:
    leak = replace(two_pin("R99", 1e6, PartNote(power_w=0.1)), added=True)
    circuit = circuit_of(two_pin("R9", 470.0, PartNote(power_w=5.0)), leak)
    assert {one.part for one in limits_of(circuit, roles_of()).limits} == {"R9"}
