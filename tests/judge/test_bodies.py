"""Where the watts of a fault land: every one on something judged, or openly not judged."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import sqrt
from pathlib import Path

import pytest

from netcheck.circuit.changes import ShortTurns
from netcheck.faults import list_faults
from netcheck.judge.base import LimitTable
from netcheck.judge.bodies import (
    ELECTROLYTIC_W,
    LOOP_W,
    SPOT_W,
    Bodies,
)
from netcheck.judge.part_limits import SUPPLY_LEAST_A
from netcheck.pipeline import load_circuit
from netcheck.rank import FaultResult, judge_fault
from netcheck.roles import recognise
from netcheck.solve.driven import DrivenRequest
from netcheck.solve.idle import IdleRequest, IdleSweep, solve_sweep
from netcheck.solve.pool import Pool
from netcheck.solve.results import Hookup, Solved
from netcheck.workbench.baseline import baseline_of
from tests.contract.dumps import NETLISTS, ROOT
from tests.judge.whole import BEAM_POWER, audited, results
from tests.solve.worker import Worker, circuit_of

ACCOUNTED = 0.01
"""Of what the sources deliver; a sweep stops within 1e-7 of a solution."""
SMALL_W = 1e-3


@pytest.fixture(scope="module")
def worker() -> Iterator[Worker]:
    with Pool(1, time_limit_s=120.0) as pool:
        yield Worker(pool)


def judged_at_idle(worker: Worker, name: str) -> Iterator[FaultResult]:
    """Judge every fault of a circuit on file that has an operating point."""
    circuit = load_circuit(ROOT / name)
    (healthy,) = worker.sweep(circuit, ())
    if not isinstance(healthy, Solved):
        return
    base = baseline_of(circuit, {"idle": healthy})
    faults = list_faults(circuit, recognise(circuit))
    requests = tuple(IdleRequest(fault.changes) for fault in faults)
    outcomes = worker.call(solve_sweep, IdleSweep(circuit, requests))
    for fault, outcome in zip(faults, outcomes, strict=True):
        if isinstance(outcome, Solved):
            yield judge_fault(
                fault, {"idle": outcome}, circuit, base.table_for(fault), {"idle": healthy}
            )


@pytest.mark.parametrize("name", NETLISTS, ids=lambda name: Path(name).stem)
def test_every_watt_of_every_fault_is_found_and_judged_or_said(worker: Worker, name: str) -> None:
    """What the sources give is what the bodies take (Tellegen's theorem), and no fault is
    within limits that makes heat which nothing judges.  Transistors are not observed: what
    they take is heat that no part accounts for."""
    lost, passed = {}, {}
    blind = bool(load_circuit(ROOT / name).of_kind("transistor"))
    for result in judged_at_idle(worker, name):
        energy = result.energy["idle"]
        gap_w = abs(energy.supplied_w - energy.accounted_w)
        if gap_w > max(ACCOUNTED * abs(energy.supplied_w), SMALL_W) and not blind:
            lost[result.fault.id] = energy
        if result.verdict == "within_limits" and not energy.is_judged:
            passed[result.fault.id] = energy

    assert lost == {}
    assert passed == {}


SUPPLY = """A triode behind a source resistance and two reservoirs
VHT src 0 300
RSRC src ht 100 ;! power=5W
C1 ht 0 47u ;! volts=450V
C2 ht f 10n ;! volts=450V
RF f 0 1meg
VIN in 0 0 ;! input
RG in 0 1meg
X1 p in k 12AX7
RP ht p 100k
RK k 0 1.5k
.end
"""


def test_a_shorted_reservoir_is_too_much_for_the_supply_and_its_resistance() -> None:
    """300 V over 100.1 ohm are 3 A, and 898 W in the resistor: Ohm's law."""
    result = results(SUPPLY)["C1/shorted"]
    loads = {one.quantity: one for one in result.loads["idle"] if one.part in ("VHT", "RSRC")}

    assert result.verdict == "over_limit"
    assert loads["supply_current_a"].value == pytest.approx(300.0 / 100.1, rel=1e-3)
    assert loads["supply_current_a"].limit == SUPPLY_LEAST_A  # a healthy milliampere
    assert loads["power_w"].value == pytest.approx((300.0 / 100.1) ** 2 * 100.0, rel=1e-3)


@pytest.mark.parametrize(
    ("ohm", "verdict"), [(1e3, "over_limit"), (10e3, "not_judged"), (100e3, "not_judged")]
)
def test_heat_inside_an_electrolytic_counts(ohm: float, verdict: str) -> None:
    """A leak of 1 kohm behind 100 ohm: 272.7 V squared over 1 kohm are 74 W in the can."""
    every = results(SUPPLY)
    name = {1e3: "C1/leaky@1kohm", 10e3: "C1/leaky@10kohm", 100e3: "C1/leaky@100kohm"}[ohm]
    result = every[name]
    leak_w = (300.0 * ohm / (ohm + 100.0)) ** 2 / ohm

    assert result.verdict == verdict
    inside = [one for one in result.loads["idle"] if one.quantity == "fault_heat_w"]
    if verdict == "over_limit":
        assert [one.value for one in inside] == pytest.approx([leak_w], rel=0.01)
        assert (inside[0].part, inside[0].limit) == ("C1", ELECTROLYTIC_W)
    if verdict == "not_judged":
        (body,) = result.energy["idle"].largest
        assert (body.part, body.place) == ("C1", "fault")
        assert body.power_w == pytest.approx(leak_w, rel=0.01)
        assert result.unjudged == ("C1",)


def test_a_loop_of_shorted_turns_is_judged_by_ampere_turns(worker: Worker) -> None:
    """2 % of the turns of a primary of 16 H at 60 V rms and 1 kHz, wire of 55 ohm: their
    50th part of the volts drives 1.2 V over 1.1 ohm of wire, less what leaks.

    The loop's heat is over its floor where the winding has no rating, and nearly the same
    many times a rating for a twentieth of the turns as for a fiftieth.
    """
    ratios = {}
    for share in (0.02, 0.05):
        bodies, state = shorted_turns(worker, share)
        loop_ohm = 55.0 * share
        ideal_a = 60.0 * share / loop_ohm
        assert state.parts["L1.turns1"].rms_current_a == pytest.approx(ideal_a, rel=0.1)
        ratios[share] = state.parts["L1.turns1"].rms_current_a
        watts = bodies.watts(state)["L1", "turns"]
        assert watts == pytest.approx(ratios[share] ** 2 * loop_ohm * 1.001, rel=1e-3)
    assert ratios[0.05] == pytest.approx(ratios[0.02], rel=0.05)


def shorted_turns(worker: Worker, share: float) -> tuple[Bodies, Solved]:
    """Drive a winding with some turns shorted, by a sine."""
    circuit = circuit_of("VIN in 0 0 ;! input", "R1 in p 10", "L1 p 0 16 ;! dcr=55ohm")
    change = ShortTurns("L1", share, 55.0)
    hookup = Hookup("VIN", output_nets=("p", "0"))
    request = DrivenRequest({"full": 60.0 * sqrt(2.0)}, (change,))
    state = worker.driven(circuit, hookup, request).outcomes["full"]
    assert isinstance(state, Solved)
    return Bodies(circuit, LimitTable(()), (change,)), state


@pytest.fixture(scope="module")
def unrated() -> Mapping[str, FaultResult]:
    """The beam power tube of `whole.py` without a rating on its primary, driven."""
    return results(BEAM_POWER.replace(" max_current=120mA", ""), driven=True)


def test_shorted_turns_of_an_unrated_primary_are_never_passed(
    unrated: Mapping[str, FaultResult],
) -> None:
    found = {name: one for name, one in unrated.items() if name.startswith("L1/shorted_turns")}
    assert len(found) >= 3
    assert {one.verdict for one in found.values()} <= {"over_limit", "not_judged"}
    heat = [
        load
        for one in found.values()
        for load in one.victims
        if (load.part, load.quantity) == ("L1", "fault_heat_w")
    ]
    assert heat
    assert {load.limit for load in heat} == {LOOP_W}


def test_few_shorted_turns_of_a_rated_primary_are_as_hot_as_many() -> None:
    """Local heat goes with the square of the loop's own current, and not with its share."""
    every = results(BEAM_POWER, driven=True)
    ratios = {
        share: next(
            load.ratio
            for load in every[f"L1/shorted_turns@{share}%"].victims
            if load.quantity == "current_a" and load.part == "L1"
        )
        for share in ("2", "5")
    }
    assert min(ratios.values()) > 3.0
    assert ratios["2"] == pytest.approx(ratios["5"], rel=0.5)


@pytest.mark.parametrize(
    ("demo", "fault", "quantity", "part"),
    [
        ("el34_pair_fixed_bias", "C20/shorted", "supply_current_a", "VHT"),
        ("el34_pair_fixed_bias", "C20/leaky@1kohm", "fault_heat_w", "C20"),
        ("el34_pair_fixed_bias", "C20/reversed", "fault_heat_w", "C20"),
        ("el34_pair_fixed_bias", "L1/core_leaky@10kohm", "fault_heat_w", "L1"),
        ("6v6_single_ended", "C10/shorted", "supply_current_a", "VHT"),
        ("kt88_ultralinear_cathode_bias", "C20/shorted", "supply_current_a", "VHT"),
    ],
)
def test_what_a_demo_passed_before_is_over_its_limit(
    worker: Worker, demo: str, fault: str, quantity: str, part: str
) -> None:
    result = next(
        one for one in judged_at_idle(worker, f"circuits/{demo}.cir") if one.fault.id == fault
    )
    assert result.verdict == "over_limit"
    assert (part, quantity) in {(one.part, one.quantity) for one in result.victims}


def test_a_path_through_insulation_has_the_floor_of_a_small_body(worker: Worker) -> None:
    """425 V over 10 kohm are some 18 W, of 2 W."""
    name = "circuits/el34_pair_fixed_bias.cir"
    result = next(
        one for one in judged_at_idle(worker, name) if one.fault.id == "L1/core_leaky@10kohm"
    )
    (heat,) = (one for one in result.victims if one.quantity == "fault_heat_w")
    assert heat.limit == SPOT_W
    assert heat.value == pytest.approx(425.0**2 / 10e3, rel=0.05)


def test_an_estimated_wire_is_among_the_assumptions() -> None:
    """2 % of the load it reflects: 8 ohm by 25 to 1 is 5 kohm, and 100 ohm of wire."""
    said = audited(BEAM_POWER.replace("dcr=250ohm ", "")).assumptions
    assert [one for one in said if one.startswith("L1: no dcr=") and "100 ohm" in one]
    assert not [one for one in audited(BEAM_POWER).assumptions if "dcr=" in one]
