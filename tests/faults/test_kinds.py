"""What each kind lists, part by part."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcheck.circuit.changes import AddResistor, SetValue, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.faults import list_continuous, list_faults
from netcheck.faults.base import Fault
from netcheck.faults.bias_pot import bias_pots
from netcheck.faults.preferred import E6, E12, neighbors, slips
from netcheck.netlist.notes import PartNote
from netcheck.roles.base import BiasSupply, Roles

from .fault_circuits import c, circuit_of, fixed_bias_pair, r, role, roles_of, ultralinear_pair, v


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

    assert faults["R3/open"].summary == "R3, the cathode resistor of V1 and V2, is open."
    assert faults["R4/open"].summary == "R4, the tail resistor of V1, is open."


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


def test_a_grid_leak_drifts_up_or_opens() -> None:
    faults = by_id(*fixed_bias_pair())
    values = [
        change.value
        for fault in faults.values()
        for change in fault.changes
        if fault.id.startswith("R12/") and isinstance(change, SetValue)
    ]

    assert values == pytest.approx([264e3, 330e3, 440e3, 660e3, 1.1e6, 1e9])
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


def test_a_circuit_without_roles_has_no_faults() -> None:
    circuit, _ = fixed_bias_pair()

    assert list_faults(circuit, roles_of([])) == ()
    assert list_continuous(circuit, roles_of([])) == ()
