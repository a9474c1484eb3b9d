"""Operating points: the short way and the long one, order, and both observers."""

from __future__ import annotations

import random
from collections.abc import Callable

import numpy as np
import pytest

from netcheck.circuit.changes import (
    AddCurrentSource,
    AddResistor,
    Reconnect,
    ReplaceTube,
    ScaleDrive,
    ScaleEmission,
    SetGas,
    SetGridEmission,
    SetValue,
    SetWire,
    ShortTurns,
    apply_changes,
)
from netcheck.circuit.model import Circuit
from netcheck.faults.base import Fault
from netcheck.solve.deck import write_deck
from netcheck.solve.idle import IdleRequest, IdleSweep, meter_matters, solve_sweep
from netcheck.solve.observe import Observation, observe_point
from netcheck.solve.results import Solved
from tests.solve.worker import DEMOS, Demo, Worker, circuit_of, point_of, solved

Figures = dict[str, float]
CLOSE = 1e-6
BEHIND_OPEN_V = 5e-4
"""A part that is not there yet (1e15 ohm at up to 500 V) moves a net that hangs on an
open part (1e9 ohm) by this much."""
POSITIVE_GRID = 1e-5
"""A grid that draws current sits on an exponential: two roads to it end this near."""


def figures_of(state: Solved, without: tuple[str, ...] = ()) -> Figures:
    """All volts, amperes and watts of a state, by name."""
    found = {f"net {net}": volts for net, volts in state.nets.items()}
    for ref, tube in state.tubes.items():
        found |= {
            f"{ref} plate A": tube.plate_current_a,
            f"{ref} grid A": tube.grid_current_a,
            f"{ref} plate W": tube.plate_dissipation_w,
            f"{ref} screen W": tube.screen_dissipation_w or 0.0,
        }
    for ref, part in state.parts.items():
        if ref not in without:
            found |= {f"{ref} V": part.voltage_v, f"{ref} W": part.power_w}
    return found


def assert_same(
    one: Figures,
    other: Figures,
    names: set[str],
    close: float = CLOSE,
    floor_v: float = 1e-6,
) -> None:
    """Every figure agrees, or differs by less than a microvolt, nanoampere or microwatt."""
    floor = {"net": floor_v, "V": floor_v, "A": 1e-9, "W": 1e-6}
    for name in names:
        least = floor["net" if name.startswith("net ") else name.rsplit(" ", 1)[1]]
        assert one[name] == pytest.approx(other[name], rel=close, abs=least), name


def _split_windings(fault: Fault) -> tuple[str, ...]:
    return tuple(change.part for change in fault.changes if isinstance(change, ShortTurns))


@pytest.mark.parametrize("name", DEMOS)
def test_altered_is_the_same_as_reloaded(name: str, demo: Callable[[str], Demo]) -> None:
    """For every fault; of a split winding only what both ways know is compared."""
    known = demo(name)
    altered = known.worker.sweep(known.circuit, *(fault.changes for fault in known.faults))

    for fault, outcome in zip(known.faults, altered, strict=True):
        circuit = apply_changes(known.circuit, fault.changes)
        reloaded = known.worker.idle(circuit)
        without = _split_windings(fault)
        one = figures_of(solved(outcome), without)
        other = figures_of(reloaded, without)
        assert one.keys() <= other.keys(), fault.id
        assert_same(one, other, set(one), POSITIVE_GRID, BEHIND_OPEN_V)


def test_every_kind_of_change_is_tried_above(demo: Callable[[str], Demo]) -> None:
    kinds = {type(change) for name in DEMOS for f in demo(name).faults for change in f.changes}

    assert {
        AddCurrentSource,
        AddResistor,
        Reconnect,
        ReplaceTube,
        ScaleDrive,
        ScaleEmission,
        SetGas,
        SetGridEmission,
        SetValue,
        SetWire,
        ShortTurns,
    } == kinds


@pytest.mark.parametrize("name", ["6v6_single_ended", "el34_pair_fixed_bias"])
def test_order_of_faults_does_not_matter(name: str, demo: Callable[[str], Demo]) -> None:
    known = demo(name)
    variants = [fault.changes for fault in known.faults]
    variants.insert(5, (ScaleEmission(known.circuit.tubes[-1].ref, 0.0),))  # needs its own deck
    order = list(range(len(variants)))
    random.Random(4).shuffle(order)

    straight = known.worker.sweep(known.circuit, *variants)
    shuffled = known.worker.sweep(known.circuit, *(variants[number] for number in order))

    for place, number in enumerate(order):
        one = figures_of(solved(straight[number]))
        assert_same(one, figures_of(solved(shuffled[place])), set(one))


def test_a_variant_leaves_nothing_behind(demo: Callable[[str], Demo]) -> None:
    known = demo("6v6_single_ended")
    variants = [changes for fault in known.faults for changes in (fault.changes, ())]

    outcomes = known.worker.sweep(known.circuit, *variants)

    healthy = figures_of(known.idle)
    for outcome in outcomes[1::2]:
        assert_same(healthy, figures_of(solved(outcome)), set(healthy))


@pytest.mark.parametrize("name", DEMOS)
def test_both_observers_see_the_same(name: str, demo: Callable[[str], Demo]) -> None:
    known = demo(name)
    _, values = known.worker.call(point_of, known.circuit)
    deck = write_deck(known.circuit)

    plain = observe_point("idle", known.circuit, deck, values)
    seen = Observation.of_point(deck, np.array(values))

    arrays = Solved("idle", seen.nets(known.circuit), seen.tubes(known.circuit), {})
    assert plain.nets == pytest.approx(arrays.nets)
    for ref, tube in arrays.tubes.items():
        for field in tube.__dataclass_fields__:
            assert getattr(plain.tubes[ref], field) == pytest.approx(getattr(tube, field)), field
    for ref, part in seen.parts(known.circuit).items():
        for field in part.__dataclass_fields__:
            one, other = getattr(plain.parts[ref], field), getattr(part, field)
            assert one == pytest.approx(other), (ref, field)


def _metered(worker: Worker, circuit: Circuit, nets: tuple[str, ...], ohm: float | None) -> Solved:
    request = IdleRequest((), nets)
    return solved(worker.call(solve_sweep, IdleSweep(circuit, (request,), meter_ohm=ohm))[0])


def test_the_meter_loads_what_it_reads(worker: Worker) -> None:
    circuit = circuit_of("V1 a 0 100", "R1 a b 1Meg", "R2 b 0 1Meg")

    state = _metered(worker, circuit, ("a", "b"), 10e6)

    assert state.nets["b"] == pytest.approx(50.0)
    assert state.readings == pytest.approx({"a": 100.0, "b": 100.0 * 10.0 / 21.0})
    assert meter_matters(state) == ("b",)
    assert _metered(worker, circuit, ("b",), None).readings == {}


def test_shorted_turns_change_a_winding_at_dc_by_their_wire(worker: Worker) -> None:
    circuit = circuit_of(
        "I1 0 a 100m", "L1 a 0 10 ;! dcr=200ohm", "L2 s 0 10m", "K1 L1 L2 0.999", "R1 s 0 8"
    )

    state = worker.idle(circuit, ShortTurns("L1", 0.25, 200.0))

    assert state.nets["a"] == pytest.approx(0.1 * 150.0, rel=1e-3)
