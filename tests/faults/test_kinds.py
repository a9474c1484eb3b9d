"""What each kind lists, part by part."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcheck.circuit.changes import (
    AddCurrentSource,
    AddResistor,
    Change,
    Reconnect,
    ReplaceTube,
    ScaleDrive,
    ScaleEmission,
    SetGas,
    SetGridEmission,
    SetValue,
    SetWire,
    apply_changes,
)
from netcheck.circuit.model import Circuit
from netcheck.faults import FAULT_KINDS, list_continuous, list_faults
from netcheck.faults.assembly import MOST_PAIRS
from netcheck.faults.base import Fault
from netcheck.faults.bias_pot import bias_pots
from netcheck.faults.common import SUSTAINED
from netcheck.faults.resistor import E6, E12, neighbors, slips
from netcheck.netlist.cards import PartNote
from netcheck.roles.base import BiasSupply, Roles
from netcheck.tubes.substitutes import substitutes_for

from .fault_circuits import (
    c,
    circuit_of,
    el34_pair,
    fixed_bias_pair,
    kt88_pair,
    line_preamp,
    r,
    radio_output,
    role,
    roles_of,
    ultralinear_pair,
    v,
)


def by_id(circuit: Circuit, roles: Roles) -> dict[str, Fault]:
    return {fault.id: fault for fault in list_faults(circuit, roles)}


# Coupling capacitors


def test_a_leak_lies_across_the_capacitor() -> None:
    faults = by_id(*fixed_bias_pair())

    fault = faults["C3/leaky@2Mohm"]

    assert fault.changes == (AddResistor("C3.leak", "p1", "g3a", 2e6),)
    assert fault.summary == "C3 leaks 2 Mohm from the plate of V1 to the grid of V3."
    assert faults["C3/shorted"].changes == (AddResistor("C3.leak", "p1", "g3a", 0.1),)


def test_a_cathode_fed_coupler_is_listed_too() -> None:
    faults = by_id(*ultralinear_pair())

    assert faults["C2/leaky@1Mohm"].summary == (
        "C2 leaks 1 Mohm from the cathode of V1 to the grid of V4."
    )


def test_a_coupler_fed_by_no_tube_is_left_out() -> None:
    circuit = circuit_of([v("V9", "in", "0", 0.0), c("C8", "in", "g1", 1e-7)])
    roles = roles_of([role("C8", "coupling_capacitor", "V9", "in", "g1")])

    assert list_faults(circuit, roles) == ()


@pytest.mark.parametrize(
    ("note", "level"),
    [
        (PartNote(dielectric="Waxed paper"), "very_common"),
        (PartNote(dielectric="paper in oil", age_years=5.0), "very_common"),
        (PartNote(dielectric="polypropylene", age_years=50.0), "rare"),
        (PartNote(age_years=60.0), "very_common"),
        (PartNote(age_years=10.0), "common"),
        (PartNote(), "common"),
    ],
)
def test_a_leak_is_as_likely_as_its_dielectric_and_age(note: PartNote, level: str) -> None:
    faults = by_id(*fixed_bias_pair(C3=c("C3", "p1", "g3a", 1e-7, note)))

    assert faults["C3/leaky@10Mohm"].likelihood.level == level


def test_a_leak_is_swept_from_sound_to_bad() -> None:
    sweep = next(s for s in list_continuous(*fixed_bias_pair()) if s.id == "C3/leaky")

    assert (sweep.from_value, sweep.to_value, sweep.logarithmic) == (10e9, 100e3, True)
    assert sweep.make(14e6).id == "C3/leaky@14Mohm"


# Cathode resistors


def test_wrong_values_of_470_ohm() -> None:
    faults = by_id(*ultralinear_pair())
    found = [f.id.split("@")[1] for f in faults.values() if f.id.startswith("R9/wrong_value")]

    assert found == [
        "4.7ohm", "47ohm", "330ohm", "390ohm", "560ohm", "680ohm", "4.7kohm", "47kohm",
    ]  # fmt: skip
    assert faults["R9/wrong_value@47ohm"].likelihood.level == "common"
    assert faults["R9/wrong_value@47kohm"].likelihood.level == "rare"
    assert faults["R9/drifted@329ohm"].changes[0] == SetValue("R9", pytest.approx(329.0))
    assert faults["R9/open"].changes == (SetValue("R9", 1e9),)


def test_a_neighbor_that_is_also_a_drift_is_listed_once() -> None:
    circuit, roles = ultralinear_pair()
    hundred = circuit.with_parts(replace(circuit["R9"], value=100.0))
    ids = list(by_id(hundred, roles))

    assert "R9/wrong_value@120ohm" in ids
    assert "R9/wrong_value@150ohm" in ids
    assert not [each for each in ids if each in {"R9/drifted@120ohm", "R9/drifted@150ohm"}]


def test_a_shared_resistor_is_listed_once_and_names_both_tubes() -> None:
    faults = by_id(*fixed_bias_pair())

    assert (
        faults["R3/open"].summary
        == "R3, the cathode resistor of V1 and V2, is open, or was left out."
    )
    assert faults["R4/open"].summary == "R4, the tail resistor of V1, is open, or was left out."


@pytest.mark.parametrize(
    ("ohm", "series", "expected"),
    [
        (470.0, E12, (390.0, 560.0)),
        (470.0, E6, (330.0, 680.0)),
        (100.0, E12, (82.0, 120.0)),
        (820.0, E12, (680.0, 1000.0)),
        (680.0, E6, (470.0, 1000.0)),
        (250.0, E12, (220.0, 270.0)),
        (4.7, E12, (3.9, 5.6)),
        (1e6, E6, (680e3, 1.5e6)),
        (0.47, E6, (0.33, 0.68)),
    ],
)
def test_neighbors(ohm: float, series: tuple[int, ...], expected: tuple[float, float]) -> None:
    assert neighbors(ohm, series) == expected


@given(ohm=st.floats(0.1, 1e7))
def test_neighbors_enclose_the_value_within_one_step(ohm: float) -> None:
    for series, widest in ((E12, 1.26), (E6, 1.52)):
        lower, higher = neighbors(ohm, series)

        assert lower < ohm < higher
        assert higher / lower <= widest * widest
        assert lower >= ohm / widest / 1.01
        assert higher <= ohm * widest * 1.01


@given(ohm=st.floats(1.0, 1e6))
def test_slips_never_repeat_the_right_value(ohm: float) -> None:
    assert all(abs(slip.ohm - ohm) > 0.009 * ohm for slip in slips(ohm))


# Cathode bypass capacitors


def test_a_shorted_bypass_belongs_to_the_capacitor() -> None:
    fault = by_id(*ultralinear_pair())["C5/shorted"]

    assert fault.parts == ("C5",)
    assert fault.changes == (AddResistor("C5.leak", "k3", "0", 0.1),)
    assert "R9" in fault.summary


def test_a_bypass_leaks_in_proportion_to_its_resistor() -> None:
    faults = by_id(*ultralinear_pair())
    leaks = [f.defect.value for f in faults.values() if f.id.startswith("C5/leaky") and f.defect]

    assert leaks == pytest.approx([94.0, 235.0, 470.0, 940.0, 2350.0, 4700.0, 9400.0])


def test_a_bypass_over_two_resistors_counts_both() -> None:
    circuit = circuit_of(
        [r("R1", "k", "m", 100.0), r("R2", "m", "0", 300.0), c("C1", "k", "0", 1e-4)]
    )
    listed = [
        role("R1", "cathode_resistor", "V1"),
        role("R2", "cathode_resistor", "V1"),
        role("C1", "cathode_bypass_capacitor", "V1"),
    ]

    assert "C1/leaky@400ohm" in by_id(circuit, roles_of(listed))


# Grid leaks


def test_a_grid_leak_drifts_up_opens_shorts_or_is_a_decade_off() -> None:
    faults = by_id(*fixed_bias_pair())
    values = [
        change.value
        for fault in faults.values()
        for change in fault.changes
        if fault.id.startswith("R12/") and isinstance(change, SetValue)
    ]

    assert values == pytest.approx([264e3, 330e3, 440e3, 660e3, 1.1e6, 1e9, 0.1, 22e3, 2.2e6])
    assert faults["R12/drifted@440kohm"].likelihood.level == "common"
    assert faults["R12/drifted@1.1Mohm"].likelihood.level == "occasional"


# Bias supply


def feed_v(circuit: Circuit, above: tuple[str, ...], below: tuple[str, ...]) -> float:
    """The wiper's volts by the divider rule, independent of the code's own solution."""
    top = sum(circuit[ref].value or 0.0 for ref in above)
    bottom = sum(circuit[ref].value or 0.0 for ref in below)
    return (circuit["V5"].value or 0.0) * bottom / (top + bottom)


def test_a_bias_supply_drifts_and_is_lost() -> None:
    faults = by_id(*fixed_bias_pair())

    assert faults["V5/drifted@80%"].changes == (SetValue("V5", -48.0),)
    assert faults["V5/drifted@110%"].changes[0] == SetValue("V5", pytest.approx(-66.0))
    assert faults["V5/lost"].changes == (SetValue("V5", 0.0),)
    assert "V3 and V4 out, power on" in faults["V5/lost"].next_measurement


def test_the_hot_end_of_the_pot_is_the_least_negative() -> None:
    circuit, roles = fixed_bias_pair()
    faults = by_id(circuit, roles)
    volts = {
        percent: feed_v(
            apply_changes(circuit, faults[f"R20+R21/misadjusted@{percent}%"].changes),
            ("R19", "R20"),
            ("R21", "R22"),
        )
        for percent in (0, 10, 30, 50, 90, 100)
    }

    ordered = [volts[percent] for percent in sorted(volts)]
    assert ordered == sorted(ordered)
    assert volts[0] < feed_v(circuit, ("R19", "R20"), ("R21", "R22")) < volts[100]


def test_the_pot_keeps_its_track_and_skips_its_own_place() -> None:
    circuit, roles = fixed_bias_pair()
    places = {f.id: f for f in list_faults(circuit, roles) if f.kind == "misadjusted"}

    assert len(places) == 10
    assert "R20+R21/misadjusted@40%" not in places
    changed = apply_changes(circuit, places["R20+R21/misadjusted@70%"].changes)
    assert (changed["R20"].value, changed["R21"].value) == pytest.approx((7e3, 3e3))


def test_a_pot_written_the_other_way_round_has_the_same_hot_end() -> None:
    circuit, roles = fixed_bias_pair()
    (supply,) = roles.bias_supplies
    turned = replace(roles, bias_supplies=(replace(supply, pot=("R21", "R20")),))
    (pot,), (other,) = bias_pots(circuit, roles), bias_pots(circuit, turned)

    assert pot.percent == other.percent == pytest.approx(40.0)
    assert pot.at(70.0) == other.at(70.0)


def test_half_a_pot_is_taken_as_set_to_mid_track() -> None:
    """A rheostat from the feed to ground: less of it is hotter."""
    circuit = circuit_of(
        [v("V5", "nb", "0", -60.0), r("R19", "nb", "w", 10e3), r("R20", "w", "0", 20e3)]
    )
    roles = roles_of([], bias=(BiasSupply("V5", "w", ("V3",), ("R20",), ("R19",)),))

    (pot,) = bias_pots(circuit, roles)

    assert (pot.track_ohm, pot.percent) == pytest.approx((40e3, 50.0))
    assert pot.at(100.0) == (SetValue("R20", 1.0),)
    assert pot.at(0.0) == (SetValue("R20", 40e3),)


def test_a_source_written_plus_to_ground_finds_the_same_end() -> None:
    circuit, roles = fixed_bias_pair(V5=v("V5", "0", "nb", 60.0))

    (pot,) = bias_pots(circuit, roles)

    assert (pot.rising, pot.percent) == ("R20", pytest.approx(40.0))


def test_the_wiper_is_swept_to_the_hot_end_only() -> None:
    sweeps = {sweep.id: sweep for sweep in list_continuous(*fixed_bias_pair())}
    wiper, supply = sweeps["R20+R21/misadjusted"], sweeps["V5/drifted"]

    assert (wiper.from_value, wiper.to_value) == pytest.approx((40.0, 100.0))
    assert (supply.from_value, supply.to_value, supply.logarithmic) == (100.0, 0.0, False)
    assert supply.make(50.0).changes == (SetValue("V5", -30.0),)


def test_two_pots_on_one_source_are_two_pots_and_one_source() -> None:
    circuit, roles = fixed_bias_pair()
    (supply,) = roles.bias_supplies
    more = circuit.with_parts(r("R40", "nb", "w2", 5e3), r("R41", "w2", "0", 15e3))
    second = BiasSupply("V5", "w2", ("V6",), ("R40", "R41"))
    both = replace(roles, bias_supplies=(supply, second))
    faults = by_id(more, both)

    assert "V3, V4 and V6" in faults["V5/lost"].summary
    assert {f.parts for f in faults.values() if f.kind == "misadjusted"} == {
        ("R20", "R21"),
        ("R40", "R41"),
    }


def test_a_circuit_without_roles_has_the_faults_of_its_tubes_alone() -> None:
    circuit, _ = fixed_bias_pair()
    tubes = {"tube_emission", "tube_gas", "tube_leak", "heater_cathode", "socket_leak"}
    tubes |= {"cathode_interface"}

    assert {fault.family for fault in list_faults(circuit, roles_of([]))} <= {*tubes, "mains"}
    assert {sweep.family for sweep in list_continuous(circuit, roles_of([]))} <= tubes


# What the other kinds find


@pytest.mark.parametrize(
    ("fault_id", "changes"),
    [
        ("C5/open", (SetValue("C5", pytest.approx(100e-12)),)),
        ("C4/leaky@1Mohm", (AddResistor("C4.leak", "g3", "0", 1e6),)),
        ("C21/leaky@10kohm", (AddResistor("C21.leak", "sg", "0", 10e3),)),
        ("C20/dried@30%", (SetValue("C20", pytest.approx(30e-6)),)),
        ("C30/shorted", (AddResistor("C30.leak", "nb1", "0", 0.1),)),
        ("C26/shorted", (AddResistor("C26.leak", "z4", "ht", 0.1),)),
        ("C21/reversed", (AddResistor("C21.leak", "sg", "0", 1e3),)),
        ("R16/open", (SetValue("R16", 1e9),)),
        ("R16/wrong_value@220kohm", (SetValue("R16", pytest.approx(220e3)),)),
        ("R18/shorted", (SetValue("R18", 0.1),)),
        ("R12/drifted@94kohm", (SetValue("R12", 94e3),)),
        ("R20/wrong_value@1kohm", (SetValue("R20", 1e3),)),
        ("R22/open", (SetValue("R22", 1e9),)),
        ("R24/wrong_value@10ohm", (SetValue("R24", 10.0),)),
        ("R33/open", (SetValue("R33", 1e9),)),
        ("R6/open", (SetValue("R6", 1e9),)),
        ("R31/track_open", (SetValue("R31", 1e9),)),
        (
            "R31+R32/wiper_open",
            (
                SetValue("R31", 1e9),
                SetValue("R32", 1e9),
                AddResistor("VR1.track", "nb1", "nb2", 20e3),
            ),
        ),
        ("L1/winding_open", (SetWire("L1", 1e9),)),
        ("L1/core_leaky@10kohm", (AddResistor("L1.core", "p4", "0", 10e3),)),
        ("L10/winding_open", (SetWire("L10", 1e9),)),
        ("R40/wrong_load@4ohm", (SetValue("R40", 4.0),)),
        ("L3/wrong_impedance@50%", (SetValue("L3", 0.48),)),
        (
            "X4+X5/plates_crossed",
            (Reconnect("X4", "plate", "p5"), Reconnect("X5", "plate", "p4"), SUSTAINED),
        ),
        ("X4/strong@125%", (ScaleEmission("X4", 1.25),)),
        ("X2+X3/open_heater", (ScaleEmission("X2", 0.0), ScaleEmission("X3", 0.0))),
        ("X4+X5/mismatched@40%", (ScaleEmission("X4", 1.2), ScaleEmission("X5", 0.8))),
        ("X4/gassy@0.02%", (SetGas("X4", 2e-4),)),
        ("X4/grid_emission@5uA", (SetGridEmission("X4", 5e-6),)),
        ("X4/grid_screen_leaky@1Mohm", (AddResistor("X4.grid_screen", "g4", "s4", 1e6),)),
        ("X1/heater_cathode_shorted", (AddResistor("X1.heater", "k1", "0", 0.1),)),
        (
            "X4/plate_open",
            (
                Reconnect("X4", "plate", "X4.plate"),
                AddResistor("X4.plate.contact", "p4", "X4.plate", 1e9),
            ),
        ),
        ("X4+X5/oscillating", (SUSTAINED,)),
        (
            "X1/interface@200ohm",
            (
                Reconnect("X1", "cathode", "X1.coating"),
                AddResistor("X1.layer", "X1.coating", "k1", 200.0),
            ),
        ),
        ("X4/socket_leaky@100Mohm", (AddResistor("X4.socket", "p4", "g4", 100e6),)),
        (
            "X2+X3/wrong_type@12AU7",
            (ReplaceTube("X2", "12AU7"), ReplaceTube("X3", "12AU7")),
        ),
        (
            "VHT+VNEG/mains_high@110%",
            (SetValue("VHT", pytest.approx(473.0)), SetValue("VNEG", pytest.approx(-68.2))),
        ),
        ("RSRC/worn_rectifier", (SetValue("RSRC", 140.0),)),
        ("C5/unequal_drive@50%", (ScaleDrive("C5", "p2", 0.5),)),
        ("R3+R8/swapped", (SetValue("R3", 1e6), SetValue("R8", 100e3))),
    ],
)
def test_what_a_fault_of_the_fixed_bias_pair_changes(
    fault_id: str, changes: tuple[Change, ...]
) -> None:
    assert by_id(*el34_pair())[fault_id].changes == changes


@pytest.mark.parametrize(
    ("fault_id", "changes"),
    [
        ("C7/leaky@100kohm", (AddResistor("C7.leak", "s1", "0", 100e3),)),
        ("C9/shorted", (AddResistor("C9.leak", "z", "0", 0.1),)),
        ("R1/shorted", (SetValue("R1", 0.1),)),
        ("C1/leaky@1kohm", (AddResistor("C1.leak", "neg", "0", 1e3),)),
        ("D1/shorted", (AddResistor("D1.leak", "raw", "bp", 1.0),)),
        (
            "D1/open",
            (Reconnect("D1", "anode", "D1.anode"), AddResistor("D1.break", "raw", "D1.anode", 1e9)),
        ),
        (
            "X2/grid_open",
            (
                Reconnect("X2", "grid", "X2.grid"),
                AddResistor("X2.grid.contact", "g", "X2.grid", 1e9),
            ),
        ),
    ],
)
def test_what_a_fault_of_the_radio_output_changes(
    fault_id: str, changes: tuple[Change, ...]
) -> None:
    assert by_id(*radio_output())[fault_id].changes == changes


@pytest.mark.parametrize(
    ("fault_id", "changes"),
    [
        ("C3/leaky@1Mohm", (AddResistor("C3.leak", "k3", "out", 1e6),)),
        ("R9/wrong_value@470kohm", (SetValue("R9", 470e3),)),
    ],
)
def test_what_a_fault_of_the_line_preamp_changes(
    fault_id: str, changes: tuple[Change, ...]
) -> None:
    assert by_id(*line_preamp())[fault_id].changes == changes


CHECKED_APART = {
    *("cathode_bypass", "cathode_resistor", "grid_leak", "bias_supply"),
    *("output_transformer",),
}
"""Kinds with tests of their own, above and in `test_shorted_turns.py`."""


def test_every_kind_has_a_fault_whose_changes_are_written_out() -> None:
    written = {
        by_id(*build())[case[0]].family
        for build, test in (
            (el34_pair, test_what_a_fault_of_the_fixed_bias_pair_changes),
            (radio_output, test_what_a_fault_of_the_radio_output_changes),
            (line_preamp, test_what_a_fault_of_the_line_preamp_changes),
        )
        for mark in test.pytestmark
        for case in mark.args[1]
    }

    assert {kind.name for kind in FAULT_KINDS} - written == CHECKED_APART


def test_a_raised_heater_supply_is_a_source_behind_the_leak() -> None:
    fault = by_id(*kt88_pair())["X2/heater_cathode_leaky@10kohm"]

    assert fault.changes == (
        AddResistor("X2.heater", "k2", "0", 10e3),
        AddCurrentSource("X2.elevation", "0", "k2", pytest.approx(6e-3)),
    )


def test_crossed_taps_are_listed_where_there_are_taps() -> None:
    assert "X3+X4/taps_crossed" in by_id(*kt88_pair())
    assert "X3+X4/plates_crossed" not in by_id(*kt88_pair())
    assert "X4+X5/taps_crossed" not in by_id(*el34_pair())


def test_what_lies_across_an_ideal_source_is_not_listed_as_leaky() -> None:
    ids = by_id(*radio_output())
    straight = circuit_of([v("V0", "bp", "0", 300.0), c("C1", "bp", "0", 1e-4)])
    roles = roles_of([role("C1", "reservoir_capacitor", "bp")])

    assert "C2/shorted" in ids
    assert [each for each in by_id(straight, roles) if "leaky" in each or "shorted" in each] == []
    assert "C1/open" in by_id(straight, roles)


def test_a_dropper_is_not_taken_for_a_rectifier() -> None:
    assert [each for each in by_id(*line_preamp()) if "rectifier" in each] == []


def test_a_sense_resistor_keeps_the_cathode_at_ground() -> None:
    ids = by_id(*el34_pair())

    assert "X4/heater_cathode_shorted" not in ids
    assert "X2/heater_cathode_shorted" in ids


def test_exchanged_resistors_are_of_like_size_and_few() -> None:
    circuit, _ = el34_pair()
    swapped = [f for f in by_id(*el34_pair()).values() if f.kind == "swapped"]

    assert 0 < len(swapped) <= MOST_PAIRS
    for fault in swapped:
        first, second = (circuit[ref] for ref in fault.parts)
        watts = [part.note.power_w or 0.5 for part in (first, second)]
        assert max(watts) <= 2.0 * min(watts)
        assert fault.changes == (
            SetValue(first.ref, second.value or 0.0),
            SetValue(second.ref, first.value or 0.0),
        )


def test_every_substitute_that_fits_the_socket_is_listed() -> None:
    listed = {f.id.split("@")[1] for f in by_id(*el34_pair()).values() if f.parts == ("X4",)
              and f.kind == "wrong_type"}  # fmt: skip
    known = {
        each.type for each in substitutes_for("EL34") if each.same_pins and each.same_heater_pins
    }

    assert listed
    assert listed <= known


def test_the_fixed_bias_pair_has_a_full_catalogue() -> None:
    circuit, roles = el34_pair()
    faults = list_faults(circuit, roles)

    assert len(faults) >= 250
    assert len({fault.family for fault in faults}) >= 35
