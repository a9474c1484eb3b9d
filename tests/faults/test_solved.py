"""What faults do to the operating point: closed forms, and every fault of every demo."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from netcheck.circuit.changes import SetGridEmission, SetValue, apply_changes
from netcheck.circuit.model import Circuit, Part, Pin
from netcheck.faults import list_continuous, list_faults
from netcheck.faults.base import Fault
from netcheck.netlist.cards import PartNote
from netcheck.roles.base import Roles
from netcheck.solve.results import NotSolved, Outcome, Solved
from netcheck.tubes.library import load_library
from netcheck.workbench.faulted import sustained

from .conftest import Bench, Variant
from .fault_circuits import (
    CHECKOUT,
    built,
    el34_pair,
    kt88_pair,
    line_preamp,
    r,
    radio_output,
    read,
    rectifier_amplifier,
    v,
)

DEMOS = sorted((CHECKOUT / "circuits").glob("*.cir"), key=lambda path: path.name)
Build = Callable[[], tuple[Circuit, Roles]]


def solved(outcome: Outcome) -> Solved:
    assert isinstance(outcome, Solved), outcome
    return outcome


def fault_of(build: Build, fault_id: str) -> Fault:
    return next(fault for fault in list_faults(*build()) if fault.id == fault_id)


def pair(bench: Bench, build: Build, fault_id: str) -> tuple[Solved, Solved]:
    """The healthy circuit and the faulted one."""
    circuit, _ = build()
    healthy, faulted = bench(circuit, (), fault_of(build, fault_id).changes)
    return solved(healthy), solved(faulted)


@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.stem)
def test_every_fault_of_every_demo_is_solved_or_says_why_not(path: Path, bench: Bench) -> None:
    circuit, roles = read(path)
    faults = list_faults(circuit, roles)
    outcomes = bench(circuit, *(fault.changes for fault in faults))
    missing = {
        fault.id: outcome.reason
        for fault, outcome in zip(faults, outcomes, strict=True)
        if isinstance(outcome, NotSolved)
    }

    assert {each.split("/")[1] for each in missing} <= {"oscillating", "plates_crossed"}
    assert all("no operating point" in reason for reason in missing.values())


@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.stem)
def test_every_sweep_of_every_demo_is_solved_at_both_ends_and_between(
    path: Path, bench: Bench
) -> None:
    circuit, roles = read(path)
    variants: list[Variant] = []
    for sweep in list_continuous(circuit, roles):
        first, last = sweep.from_value, sweep.to_value
        between = (first * last) ** 0.5 if sweep.logarithmic else (first + last) / 2.0
        variants += [sweep.make(size).changes for size in (first, between, last)]

    assert [each for each in bench(circuit, *variants) if isinstance(each, NotSolved)] == []


# Closed forms


@pytest.mark.parametrize("micro", [1.0, 5.0, 20.0])
def test_grid_emission_lifts_the_grid_by_its_current_through_the_resistance(
    micro: float, bench: Bench
) -> None:
    """222.2 kohm to the bias; the bias network behind it is far lower."""
    healthy, emitting = pair(bench, el34_pair, f"X4/grid_emission@{micro:g}uA")
    lift_v = emitting.tubes["X4"].grid_v - emitting.nets["bias"]
    healthy_v = healthy.tubes["X4"].grid_v - healthy.nets["bias"]
    drawn_a = emitting.tubes["X4"].grid_current_a - healthy.tubes["X4"].grid_current_a

    assert lift_v - healthy_v == pytest.approx(-drawn_a * 222.2e3, rel=1e-4)
    assert -drawn_a == pytest.approx(micro * 1e-6, rel=0.25)  # and gas of the higher current


def test_gas_current_is_its_share_of_the_space_current(bench: Bench) -> None:
    healthy, gassy = pair(bench, el34_pair, "X4/gassy@0.02%")
    known = healthy.tubes["X4"], gassy.tubes["X4"]
    space = [tube.plate_current_a + (tube.screen_current_a or 0.0) for tube in known]
    own = load_library().find("EL34").model.grid.gas_ratio
    more_a = known[0].grid_current_a - known[1].grid_current_a

    assert more_a == pytest.approx(2e-4 * space[1] - own * space[0], rel=0.01)
    assert known[1].grid_v > known[0].grid_v


def test_mains_scale_every_source_and_dissipation_goes_with_a_power_above_two(
    bench: Bench,
) -> None:
    """Bias and B+ follow together: current goes with the power 1.5, watts with 2.5 at most."""
    healthy, high = pair(bench, el34_pair, "VHT+VNEG/mains_high@110%")
    ratio = high.tubes["X4"].plate_dissipation_w / healthy.tubes["X4"].plate_dissipation_w

    assert high.nets["ht0"] == pytest.approx(1.1 * healthy.nets["ht0"])
    assert high.nets["bias"] == pytest.approx(1.1 * healthy.nets["bias"], rel=1e-3)
    assert 1.1**2.0 < ratio <= 1.1**2.5


def test_a_heater_short_is_a_resistor_beside_the_cathode_resistor(bench: Bench) -> None:
    """1 kohm over 620 ohm is a cathode resistor of 383 ohm."""
    circuit, _ = kt88_pair()
    leak = fault_of(kt88_pair, "X3/heater_cathode_leaky@1kohm")
    one, other = bench(circuit, leak.changes, (SetValue("R14", 620e3 / 1620.0),))

    assert solved(one).tubes["X3"].plate_dissipation_w == pytest.approx(
        solved(other).tubes["X3"].plate_dissipation_w, rel=1e-5
    )


def test_a_leak_to_a_raised_heater_is_one_to_a_source_of_its_volts(bench: Bench) -> None:
    circuit, _ = kt88_pair()
    leak = fault_of(kt88_pair, "X2/heater_cathode_leaky@10kohm")
    raised = circuit.with_parts(v("VH", "heater", "0", 60.0), r("RH", "heater", "k2", 10e3))
    one, other = bench(circuit, leak.changes)[0], bench(raised, ())[0]

    assert solved(one).nets["k2"] == pytest.approx(solved(other).nets["k2"], rel=1e-6)


def test_a_leak_to_the_core_takes_its_current_through_the_winding(bench: Bench) -> None:
    _, leaky = pair(bench, el34_pair, "L1/core_leaky@10kohm")
    tube, winding = leaky.tubes["X4"], leaky.parts["L1"]
    leak_a = leaky.nets["p4"] / 10e3

    assert winding.current_a == pytest.approx(tube.plate_current_a + leak_a, rel=1e-6)


def test_a_strong_tube_draws_its_share_more_at_the_same_volts(bench: Bench) -> None:
    circuit, _ = el34_pair()
    stiff = circuit.with_parts(replace(circuit["RSRC"], value=0.01))
    stiff = stiff.with_parts(replace(stiff["R18"], value=0.01))
    strong = fault_of(el34_pair, "X4/strong@125%")
    healthy, faulted = (solved(each) for each in bench(stiff, (), strong.changes))
    one, other = healthy.tubes["X4"], faulted.tubes["X4"]

    assert other.plate_current_a / one.plate_current_a == pytest.approx(1.25, rel=0.02)


def test_another_type_is_the_netlist_with_that_type_in_it(bench: Bench) -> None:
    text = (CHECKOUT / "circuits" / "el34_pair_fixed_bias.cir").read_text(encoding="utf-8")
    expected = built(text.replace("X4    p4 s4 g4 k4 EL34", "X4    p4 s4 g4 k4 6L6GC"))
    assert expected["X4"].tube is not None
    assert expected["X4"].tube.name == "6L6GC"

    circuit, _ = el34_pair()
    one = bench(circuit, fault_of(el34_pair, "X4/wrong_type@6L6GC").changes)[0]
    other = bench(expected, ())[0]

    assert solved(one).nets == pytest.approx(solved(other).nets, rel=1e-5, abs=1e-5)


def test_crossed_plates_rest_as_the_healthy_circuit_until_they_howl(bench: Bench) -> None:
    circuit, _ = el34_pair()
    changes = fault_of(el34_pair, "X4+X5/plates_crossed").changes
    healthy, crossed, howling = bench(circuit, (), changes[:-1], changes)

    assert solved(crossed).tubes["X4"].plate_v == pytest.approx(solved(healthy).nets["p5"], abs=0.5)
    assert isinstance(howling, NotSolved)


def test_a_worn_rectifier_drops_twice_the_volts_at_the_same_current(bench: Bench) -> None:
    healthy, worn = pair(bench, rectifier_amplifier, "X9/worn_rectifier")
    drops = [state.nets["raw"] - state.nets["ht"] for state in (healthy, worn)]
    currents = [state.tubes["X9"].plate_current_a for state in (healthy, worn)]

    assert drops[1] / drops[0] == pytest.approx(
        2.0 * (currents[1] / currents[0]) ** (2.0 / 3.0), rel=0.02
    )


# What each kind does


@pytest.mark.parametrize(
    ("build", "fault_id", "tube", "ratio"),
    [  # plate watts over healthy ones, from ... to
        (el34_pair, "C30/shorted", "X4", (5.0, 12.0)),
        (el34_pair, "C30/leaky@10kohm", "X5", (2.0, 5.0)),
        (el34_pair, "R31+R32/wiper_open", "X4", (5.0, 12.0)),
        (el34_pair, "R16/open", "X4", (5.0, 12.0)),
        (el34_pair, "X4/grid_open", "X4", (5.0, 12.0)),
        (el34_pair, "X4/socket_leaky@10Mohm", "X4", (2.0, 4.0)),
        (el34_pair, "X4/grid_cathode_shorted", "X4", (5.0, 12.0)),
        (el34_pair, "X4/grid_screen_shorted", "X4", (5.0, 25.0)),
        (el34_pair, "X4/wrong_type@KT88", "X4", (2.0, 10.0)),
        (el34_pair, "X4+X5/mismatched@40%", "X4", (1.05, 1.3)),
        (el34_pair, "X4+X5/mismatched@40%", "X5", (0.7, 0.95)),
        (el34_pair, "RSRC/silicon_rectifier", "X4", (1.1, 2.0)),
        (el34_pair, "RSRC/worn_rectifier", "X4", (0.8, 1.0)),
        (el34_pair, "R18/shorted", "X4", (1.05, 1.3)),
        (el34_pair, "R18/open", "X4", (-0.01, 0.05)),
        (el34_pair, "R33/shorted", "X4", (1.5, 5.0)),
        (el34_pair, "L1/winding_open", "X4", (-0.01, 0.01)),
        (el34_pair, "L10/winding_open", "X4", (-0.01, 0.05)),
        (el34_pair, "X4/open_heater", "X4", (-0.01, 0.01)),
        (el34_pair, "C21/leaky@1kohm", "X4", (0.0, 0.7)),
        (kt88_pair, "X3/heater_cathode_shorted", "X3", (2.0, 10.0)),
        (kt88_pair, "R14/shorted", "X3", (2.0, 10.0)),
        (kt88_pair, "C5/reversed", "X3", (1.2, 4.0)),
        (radio_output, "R1/shorted", "X2", (1.3, 10.0)),
        (radio_output, "C7/shorted", "X1", (-0.01, 0.1)),
        (radio_output, "D1/open", "X2", (-0.01, 0.01)),
        (line_preamp, "R4+R5/wiper_open", "X2", (0.5, 3.0)),
        (rectifier_amplifier, "X9/wrong_type@GZ34", "X2", (1.1, 1.3)),
        (rectifier_amplifier, "X9/silicon_rectifier", "X2", (1.2, 1.4)),
        (rectifier_amplifier, "X9/worn_rectifier", "X2", (0.7, 0.95)),
    ],
)  # fmt: skip
def test_what_it_does_to_a_plate(
    build: Build, fault_id: str, tube: str, ratio: tuple[float, float], bench: Bench
) -> None:
    healthy, faulted = pair(bench, build, fault_id)
    watts = faulted.tubes[tube].plate_dissipation_w / healthy.tubes[tube].plate_dissipation_w

    assert ratio[0] <= watts <= ratio[1]


@pytest.mark.parametrize("fault_id", ["L1/winding_open", "X4/plate_open"])
def test_without_its_plate_the_screen_takes_the_current(fault_id: str, bench: Bench) -> None:
    healthy, faulted = pair(bench, el34_pair, fault_id)
    before, after = healthy.tubes["X4"].screen_dissipation_w, faulted.tubes["X4"]

    assert before is not None
    assert after.screen_dissipation_w is not None
    assert after.screen_dissipation_w > 2.0 * before


@pytest.mark.parametrize(
    "fault_id",
    [
        "C5/open", "C20/dried@30%", "C26/shorted", "R40/open", "R40/shorted",
        "L3/wrong_impedance@50%", "C5/unequal_drive@50%", "R6/open",
    ],
)  # fmt: skip
def test_what_shows_only_when_driven_leaves_the_output_tubes_as_they_were(
    fault_id: str, bench: Bench
) -> None:
    healthy, faulted = pair(bench, el34_pair, fault_id)

    for ref in ("X4", "X5"):
        before, after = healthy.tubes[ref], faulted.tubes[ref]
        assert after.plate_dissipation_w == pytest.approx(before.plate_dissipation_w, rel=2e-3)


def test_unequal_drive_scales_the_copy_of_the_signal() -> None:
    faulted = apply_changes(el34_pair()[0], fault_of(el34_pair, "C5/unequal_drive@50%").changes)
    source = faulted["C5.drive"]

    assert faulted["C5"].nets == ("C5.drive", "a4")
    assert source.element is not None
    assert (source.element.letter, source.element.nodes, source.element.value) == (
        "E", ("C5.drive", "0", "p2", "0"), 0.5,
    )  # fmt: skip


# A user's own tube model

OWN = """Triode of the user's own, held at its volts
VP p 0 200
VG g 0 -2
X1 p g 0 MINE
.subckt MINE plate grid cathode
G1 plate cathode VALUE={1e-3*V(plate,cathode)/40+5e-3}
.ends
.end
"""


@pytest.mark.parametrize("scale", [0.5, 0.8, 1.0, 1.25, 2.0])
def test_an_own_model_is_scaled_too(scale: float, bench: Bench) -> None:
    circuit = built(OWN)
    changed = circuit.with_parts(replace(circuit["X1"], current_scale=scale))

    assert solved(bench(changed, ())[0]).tubes["X1"].plate_current_a == pytest.approx(
        scale * 10e-3, rel=1e-6
    )


def test_an_own_model_can_be_gassy_and_emit(bench: Bench) -> None:
    circuit = built(OWN)
    gassy = circuit.with_parts(replace(circuit["X1"], gas_ratio=1e-3))
    emitting = (SetGridEmission("X1", 3e-6),)

    assert solved(bench(gassy, ())[0]).tubes["X1"].grid_current_a == pytest.approx(-10e-6)
    assert solved(bench(circuit, emitting)[0]).tubes["X1"].grid_current_a == pytest.approx(-3e-6)


def test_a_cold_tube_stays_cold_whatever_its_strength(bench: Bench) -> None:
    circuit, _ = el34_pair()
    cold = circuit.with_parts(*(replace(tube, current_scale=0.0) for tube in circuit.tubes))
    ids = ("X4/strong@125%", "X4/gassy@0.02%", "X4/grid_emission@20uA", "X4/wrong_type@KT88")
    outcomes = bench(cold, (), *(fault_of(el34_pair, each).changes for each in ids))

    for outcome in outcomes:
        assert abs(solved(outcome).tubes["X4"].plate_current_a) < 1e-6
        assert abs(solved(outcome).tubes["X4"].grid_current_a) < 1e-6


def test_a_source_that_is_not_there_yet_draws_nothing(bench: Bench) -> None:
    """One request adds a current source; the healthy one beside it must not see it."""
    circuit, _ = kt88_pair()
    leak = fault_of(kt88_pair, "X2/heater_cathode_leaky@10kohm")
    alone, beside, _ = bench(circuit, ())[0], *bench(circuit, (), leak.changes)

    assert solved(beside).nets == pytest.approx(solved(alone).nets, rel=1e-6, abs=1e-6)


def test_added_parts_of_one_name_in_two_places_are_told_apart(bench: Bench) -> None:
    circuit = Circuit(
        "two",
        {
            part.ref: part
            for part in (
                v("V1", "a", "0", 10.0),
                r("R1", "a", "b", 1e3),
                r("R2", "b", "0", 1e3),
                Part("R3", "resistor", (Pin("a", "a"), Pin("b", "0")), 1e3, PartNote()),
            )
        },
    )
    leak = fault_of(el34_pair, "C21/leaky@1kohm").changes[0]
    first, second = replace(leak, net_a="b"), replace(leak, net_a="a")  # type: ignore[call-arg]
    outcomes = bench(circuit, (first,), (second,))

    assert solved(outcomes[0]).nets["b"] == pytest.approx(10.0 * 500.0 / 1500.0)
    assert solved(outcomes[1]).nets["b"] == pytest.approx(5.0)


def test_what_drives_itself_does_so_under_every_condition_but_cold() -> None:
    circuit, roles = el34_pair()
    faults = list_faults(circuit, roles)
    number = next(place for place, one in enumerate(faults) if one.kind == "oscillating")
    state = Solved("overdrive", {}, {}, {}, input_v=1.3)
    empty: dict[str, list[Outcome]] = {
        name: [NotSolved(name, "none") for _ in faults]
        for name in ("idle", "cold_start", "full", "overdrive")
    }
    outcomes = sustained(faults, empty, {"overdrive": state})

    for name in ("idle", "full", "overdrive"):
        assert outcomes[name][number] == replace(state, condition=name)
    assert isinstance(outcomes["cold_start"][number], NotSolved)
    untouched = [one for place, one in enumerate(outcomes["idle"]) if place != number]
    assert sum(isinstance(one, Solved) for one in untouched) == 1  # crossed plates
    assert sustained(faults, empty, {}) == empty
