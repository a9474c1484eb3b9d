"""Kirchhoff's current law and the balance of power, computed from what is reported."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from netcheck.circuit.changes import apply_changes
from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.faults.base import Fault
from netcheck.solve.results import Solved
from netcheck.tubes.model import Law, TriodeLaw, law_of
from tests.solve.worker import DEMOS, OUTPUT_DEMOS, Demo, solved

SOURCES = ("voltage_source", "current_source", "controlled_source")
EVERY = 4
"""A quarter of the faults is taken, beside the worst ones by name."""


def sample(known: Demo) -> Iterator[Fault | None]:
    """The healthy circuit, and faults of every kind."""
    yield None
    yield from known.faults[::EVERY]
    yield from (f for f in known.faults if f.kind in ("shorted", "open", "lost"))


def _tube_currents(part: Part, state: Solved) -> dict[str, float]:
    tube = state.tubes[part.ref]
    currents = {"plate": tube.plate_current_a, "grid": tube.grid_current_a}
    if tube.screen_current_a is not None:
        currents["screen"] = tube.screen_current_a
    currents["cathode"] = -sum(currents.values())
    return currents


def _net_currents(circuit: Circuit, state: Solved) -> dict[str, list[float]]:
    """Currents that leave each net, part by part."""
    leaving: dict[str, list[float]] = {net: [] for net in circuit.nets}
    for part in circuit:
        if part.kind == "tube":
            for electrode, amps in _tube_currents(part, state).items():
                leaving[part.net(electrode)].append(amps)
        elif part.kind == "resistor":
            first, second = (state.nets.get(net, 0.0) for net in part.nets)
            amps = (first - second) / (part.value or 0.0)
            leaving[part.nets[0]].append(amps)
            leaving[part.nets[1]].append(-amps)
        elif part.kind in (*SOURCES, "inductor"):
            amps = state.parts[part.ref].current_a
            leaving[part.nets[0]].append(amps)
            leaving[part.nets[1]].append(-amps)
        else:
            assert part.kind == "capacitor", f"{part.ref} would be forgotten"
    return leaving


@pytest.mark.parametrize("name", DEMOS)
def test_currents_into_every_net_sum_to_zero(name: str, demo: Callable[[str], Demo]) -> None:
    known = demo(name)
    for fault in sample(known):
        circuit = apply_changes(known.circuit, fault.changes if fault else ())
        state = known.worker.idle(circuit)
        for net, currents in _net_currents(circuit, state).items():
            largest = max(map(abs, currents), default=0.0)
            error = abs(sum(currents))
            assert error < 1e-6 * largest + 1e-9, (net, fault and fault.id)


@pytest.mark.parametrize("name", DEMOS)
def test_power_balances_at_idle(name: str, demo: Callable[[str], Demo]) -> None:
    known = demo(name)
    for fault in sample(known):
        circuit = apply_changes(known.circuit, fault.changes if fault else ())
        state = known.worker.idle(circuit)
        supplied, taken = _powers(circuit, state)
        assert taken == pytest.approx(supplied, rel=1e-6), fault and fault.id


def _powers(circuit: Circuit, state: Solved) -> tuple[float, float]:
    """Power the sources deliver, and power everything else takes."""
    sources = {part.ref for part in circuit if part.kind in SOURCES}
    supplied = -sum(state.parts[ref].power_w for ref in sources)
    taken = sum(part.power_w for ref, part in state.parts.items() if ref not in sources)
    for tube in state.tubes.values():
        grid_w = (tube.grid_v - tube.cathode_v) * tube.grid_current_a
        taken += tube.plate_dissipation_w + (tube.screen_dissipation_w or 0.0) + grid_w
    return supplied, taken


def _law(part: Part) -> Law:
    """The law of a tube as a fault leaves it: other emission, gas, another type."""
    assert part.tube is not None
    law = law_of(part.tube).scaled(part.current_scale)
    if part.gas_ratio is None:
        return law
    return replace(law, grid=replace(law.grid, gas_ratio=part.gas_ratio))


@pytest.mark.parametrize("name", DEMOS)
def test_tubes_draw_what_their_law_says(name: str, demo: Callable[[str], Demo]) -> None:
    known = demo(name)
    for fault in sample(known):
        circuit = apply_changes(known.circuit, fault.changes if fault else ())
        state = known.worker.idle(known.circuit, *(fault.changes if fault else ()))
        for part in circuit.tubes:
            tube = state.tubes[part.ref]
            if part.current_scale == 0.0:  # cold: 1e12 ohm and nothing else
                assert abs(tube.plate_current_a) + abs(tube.grid_current_a) < 2e-9
                continue
            law = _law(part)
            plate_v, grid_v = tube.plate_v - tube.cathode_v, tube.grid_v - tube.cathode_v
            if isinstance(law, TriodeLaw):
                plate_a, grid_a = law.currents(plate_v, grid_v)
            else:
                assert tube.screen_v is not None
                screen_v = tube.screen_v - tube.cathode_v
                plate_a, screen_a, grid_a = law.currents(plate_v, screen_v, grid_v)
                assert tube.screen_current_a == pytest.approx(float(screen_a), rel=1e-5, abs=1e-9)
            assert tube.plate_current_a == pytest.approx(float(plate_a), rel=1e-5, abs=1e-9)
            grid_a = float(grid_a) - part.grid_emission_a
            assert tube.grid_current_a == pytest.approx(grid_a, rel=1e-4, abs=1e-9)


@pytest.mark.parametrize("name", OUTPUT_DEMOS)
@pytest.mark.parametrize("share", [1.0, 2.0])
def test_power_balances_under_drive(name: str, share: float, demo: Callable[[str], Demo]) -> None:
    known = demo(name)
    state = known.drive(share * known.full_v)

    supplied, taken = _powers(known.circuit, state)

    assert taken == pytest.approx(supplied, rel=0.01)
    assert 0.0 < state.output_w < state.primary_output_w < supplied


FAULTS = [
    ("6v6_single_ended", "C3/leaky@2Mohm"),
    ("6v6_single_ended", "L1/shorted_turns@5%"),
    ("2a3_single_ended", "C5/leaky@410ohm"),
    ("2a3_single_ended", "C5/shorted"),
    ("el34_pair_fixed_bias", "C5/leaky@5Mohm"),
    ("kt88_ultralinear_cathode_bias", "L2+L1/shorted_turns@5%"),
    ("kt88_ultralinear_cathode_bias", "R14/open"),
]


@pytest.mark.parametrize(("name", "fault_id"), FAULTS)
def test_power_balances_under_drive_with_a_fault(
    name: str, fault_id: str, demo: Callable[[str], Demo]
) -> None:
    known = demo(name)
    state = known.drive(known.full_v, fault_id)

    supplied, taken = _powers(apply_changes(known.circuit, known.fault(fault_id).changes), state)

    assert taken == pytest.approx(supplied, rel=0.01)


def test_ground_is_a_net_like_any_other(demo: Callable[[str], Demo]) -> None:
    """The law above is also tried at ground, where forgotten parts would show."""
    known = demo("6v6_single_ended")

    currents = _net_currents(known.circuit, known.idle)[GROUND]

    assert len(currents) >= 8
    assert abs(sum(currents)) < 1e-8


def test_a_solved_outcome_is_needed() -> None:
    from netcheck.solve.results import NotSolved

    with pytest.raises(AssertionError, match="why"):
        solved(NotSolved("idle", "why"))
