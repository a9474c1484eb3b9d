"""A page of the dictionary against ngspice solved for each fault, meter and unit by itself.

(Not `test_page.py`: the tests of the HTML page have that name.)
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from netcheck.circuit.changes import (
    AddResistor,
    Change,
    DriveLevel,
    ScaleEmission,
    SetGas,
    SetValue,
    SetWire,
    apply_changes,
)
from netcheck.circuit.model import GROUND, Circuit
from netcheck.diagnose.dictionary import Dictionary, Point
from netcheck.diagnose.meters import parse_meter
from netcheck.diagnose.page import LEAST_LOADED_V, Page, solve_page
from netcheck.diagnose.situations import IDLE, TUBES_OUT, Situation, Spread, reduced
from netcheck.errors import SolverUnavailableError, UnanswerableError
from netcheck.solve.pool import Lost, Pool
from netcheck.solve.results import Outcome, Solved
from netcheck.workbench.sweep import IdleTask, idle_outcomes

EXACT = 1e-5
"""Solver and single precision, as a share of the largest volts of a circuit."""
Row = Callable[[str], int]
Variants = Sequence[tuple[Change, ...] | None]


def solved(pool: Pool, circuit: Circuit, variants: Sequence[tuple[Change, ...]]) -> list[Outcome]:
    return idle_outcomes(pool, IdleTask(pool.share("by itself", circuit), "idle"), variants)


def volts(state: Outcome, first: str, second: str = GROUND) -> float:
    assert isinstance(state, Solved)
    known = {**state.nets, GROUND: 0.0}
    return known[first] - known[second]


def small_page(
    pool: Pool,
    dictionary: Dictionary,
    variants: Variants,
    situation: Situation = IDLE,
    kinds: tuple[str, ...] = ("mains", "value", "wire", "emission", "screen"),
    draws: int = 3,
) -> tuple[Page, Spread]:
    """Solve a page of few variants, with only some kinds of variables spread."""
    spread = dictionary.spread
    at = [place for place, one in enumerate(spread.variables) if one.kind in kinds]
    chosen = Spread(tuple(spread.variables[one] for one in at), spread.factors[:draws][:, at])
    page = solve_page(
        pool, dictionary.circuit, situation, dictionary.spread.on_mains, variants, chosen
    )
    return page, chosen


def changes_of(dictionary: Dictionary, fault_id: str) -> tuple[Change, ...]:
    return next(one.changes for one in dictionary.faults if one.id == fault_id)


def drives_itself(changes: Sequence[Change]) -> bool:
    return any(isinstance(one, DriveLevel) for one in changes)


def test_nominal_volts_of_every_fault_are_those_of_its_operating_point(
    workers: Pool, dictionary: Dictionary
) -> None:
    page = dictionary.page(IDLE.key)
    rows = [at for at, one in enumerate(dictionary.faults, 1) if not drives_itself(one.changes)]
    states = solved(workers, dictionary.circuit, [dictionary.faults[at - 1].changes for at in rows])

    columns = [page.place[f"v:{net}"] for net in page.nets]
    actual = page.nominal[np.ix_(rows, columns)]

    expected = np.array([[volts(state, net) for net in page.nets] for state in states])
    assert len(rows) > 200
    assert np.abs(actual - expected).max() < EXACT * np.abs(expected).max()


def test_nominal_currents_and_watts_are_those_of_the_operating_point(
    workers: Pool, dictionary: Dictionary, row_of: Row
) -> None:
    page = dictionary.page(IDLE.key)
    for name in ("C3/leaky@2Mohm", "R8/drifted@540ohm", "X2/gassy@0.02%", "X2/weak@60%"):
        row, (state,) = row_of(name), solved(
            workers, dictionary.circuit, [changes_of(dictionary, name)]
        )  # fmt: skip
        assert isinstance(state, Solved)

        def kept(column: str, row: int = row) -> float:
            return float(page.nominal[row, page.place[column]])

        for ref, tube in state.tubes.items():
            assert kept(f"w:{ref}") == pytest.approx(tube.plate_dissipation_w, rel=1e-4)
        drop = kept("v:k2") / kept("i:R8")
        assert drop == pytest.approx(540.0 if name.startswith("R8") else 270.0, rel=1e-4)
        assert kept("i:L1") == pytest.approx(kept("ip:X2"), rel=1e-3)  # the snubber blocks DC
        assert kept("ik:X2") == pytest.approx(kept("i:R8"), rel=1e-3)


@pytest.mark.parametrize(("name", "within"), [("digital", 1.0), ("analog", 0.98)])
def test_readings_with_a_meter_are_those_with_its_resistance_connected(
    workers: Pool,
    dictionary: Dictionary,
    record_property: Callable[[str, Any], None],
    name: str,
    within: float,
) -> None:
    # Every fourth fault, each net to ground and four pairs.  The page takes a linear source:
    # a grid that is driven positive is none, and a low range of 20 kohm/V shows it.
    page, meter = dictionary.page(IDLE.key), parse_meter(name)
    rows = [
        at
        for at, one in enumerate(dictionary.faults, 1)
        if at % 4 == 1 and not drives_itself(one.changes)
    ]
    pairs = [(net, GROUND) for net in page.nets]
    pairs += [("p1", "drv"), ("p2", "ht"), ("sg", "ht"), ("s2", "k2")]
    variants, foreseen = [], []
    for row in rows:
        for first, second in pairs:
            plain = page.nominal_volts(first, second, 1e15)[row]
            if abs(plain) > LEAST_LOADED_V:
                load = meter.load_ohm(plain)
                connected = AddResistor(f"meter {first} {second}", first, second, load)
                variants.append((*dictionary.faults[row - 1].changes, connected))
                foreseen.append((first, second, page.nominal_volts(first, second, load)[row]))

    states = solved(workers, dictionary.circuit, variants)

    off = np.array(
        [
            abs(expected - volts(state, first, second))
            / max(abs(volts(state, first, second)), LEAST_LOADED_V)
            for state, (first, second, expected) in zip(states, foreseen, strict=True)
        ]
    )
    share = float((off < 0.01).mean())
    record_property("readings", len(off))
    record_property("share within 1 %", share)
    record_property("worst", float(off.max()))
    assert len(off) > 500
    assert share >= within
    assert np.median(off) < EXACT


@pytest.mark.parametrize(
    ("fault_id", "first", "second", "name"),
    [
        # The meter feeds the plate of a conducting tube, or takes what an open winding brings.
        ("L1/winding_open", "p2", "ht", "digital"),
        # A cathode without a resistor: the tube conducts as much as the meter asks for.
        ("R4/open", "k1", GROUND, "analog"),
        ("R8/open", "k2", GROUND, "analog"),
    ],
)
def test_a_meter_on_an_open_part_of_a_tube_reads_as_solved(
    workers: Pool, dictionary: Dictionary, row_of: Row, fault_id: str, first: str, second: str,
    name: str,
) -> None:  # fmt: skip
    page, row = dictionary.page(IDLE.key), row_of(fault_id)
    shown = float(page.nominal_volts(first, second, 1e15)[row])
    with_meter = copy(dictionary)
    with_meter.options = replace(dictionary.options, meter=parse_meter(name))
    with_meter._foreseen = {}
    connected = AddResistor("meter", first, second, with_meter.options.meter.load_ohm(shown))
    changes = dictionary.faults[row - 1].changes

    found = with_meter.foresee(Point("volts", first, second, IDLE.key), shown, metered=True)

    (state,) = solved(workers, dictionary.circuit, [(*changes, connected)])
    assert found.nominal[row] == pytest.approx(volts(state, first, second), rel=1e-3)
    assert found.units[row].mean() == pytest.approx(found.nominal[row], rel=0.2)


def test_the_source_behind_a_divider_is_worked_out_by_hand(dictionary: Dictionary) -> None:
    page = dictionary.page(TUBES_OUT.key)

    actual = {
        (first, second): page.source_ohm(first, second)[0]
        for first, second in (("ht", GROUND), ("drv", GROUND), ("p1", GROUND), ("drv", "sg"))
    }

    expected = {
        ("ht", GROUND): 120.0,
        ("drv", GROUND): 120.0 + 1e3 + 22e3,
        ("p1", GROUND): 120.0 + 1e3 + 22e3 + 100e3,
        ("drv", "sg"): 22e3,
    }
    assert actual == pytest.approx(expected, rel=2e-3)


def test_the_source_between_a_plate_and_a_grid_at_ground_has_both_their_ohms(
    dictionary: Dictionary,
) -> None:
    page = dictionary.page(TUBES_OUT.key)

    actual = page.source_ohm("p1", "g2")[0]

    assert actual == pytest.approx(123120.0 + 390e3 + 1500.0, rel=2e-3)


def test_a_meter_reads_a_share_of_each_unit(dictionary: Dictionary) -> None:
    page = dictionary.page(TUBES_OUT.key)

    free, loaded = (page.volts("p1", GROUND, ohm)[0] for ohm in (1e15, 1e6))

    assert loaded == pytest.approx(free * 1e6 / (1e6 + 123120.0), rel=1e-3)
    assert page.volts("p1", "ht", 1e15)[0] == pytest.approx(
        free - page.volts("ht", GROUND, 1e15)[0], abs=1e-2
    )


@pytest.mark.parametrize("fault_id", ["C10/open", "C3/open", "R21/shorted"])
def test_a_fault_that_moves_nothing_at_rest_is_the_sound_row(
    dictionary: Dictionary, row_of: Row, fault_id: str
) -> None:
    page, row = dictionary.page(IDLE.key), row_of(fault_id)

    assert np.array_equal(page.nominal[row], page.nominal[0])
    assert np.array_equal(page.draws[:, row], page.draws[:, 0])
    assert np.array_equal(page.pull[row], page.pull[0])
    assert page.reasons[row] == ""


@pytest.mark.parametrize("fault_id", ["X2/weak@60%", "X2/gassy@0.02%", "X2/wrong_type@EL34"])
def test_a_fault_in_a_tube_leaves_with_the_tube(
    dictionary: Dictionary, row_of: Row, fault_id: str
) -> None:
    out, row = dictionary.page(TUBES_OUT.key), row_of(fault_id)
    idle = dictionary.page(IDLE.key)

    assert np.array_equal(out.draws[:, row], out.draws[:, 0])
    assert not np.array_equal(idle.draws[:, row], idle.draws[:, 0])


def test_a_leak_is_there_with_the_tubes_out(dictionary: Dictionary, row_of: Row) -> None:
    page, row = dictionary.page(TUBES_OUT.key), row_of("C3/leaky@2Mohm")

    leaked = page.nominal_volts("a2", GROUND, 1e15)[row]

    assert leaked == pytest.approx(275.0 * 390e3 / (123120.0 + 2e6 + 390e3), rel=1e-4)


@pytest.mark.parametrize(
    "fault_id", ["X2/weak@60%", "X1/strong@125%", "C3/leaky@2Mohm", "R8/drifted@540ohm"]
)
def test_each_unit_is_the_faulty_circuit_with_its_own_parts(
    workers: Pool, dictionary: Dictionary, fault_id: str
) -> None:
    # All but the screen current, which no change of a circuit sets.
    changes = changes_of(dictionary, fault_id)
    kinds = ("mains", "value", "wire", "emission")
    page, spread = small_page(workers, dictionary, [changes], kinds=kinds)
    faulty = apply_changes(dictionary.circuit, changes)

    for draw, factors in enumerate(spread.factors):
        unit: list[Change] = []
        for one, factor in zip(spread.variables, factors, strict=True):
            for ref in one.parts:
                if one.kind == "emission":
                    unit.append(ScaleEmission(ref, float(factor)))
                elif one.kind == "wire":
                    unit.append(SetWire(ref, (faulty[ref].note.dcr_ohm or 0.0) * float(factor)))
                else:
                    unit.append(SetValue(ref, (faulty[ref].value or 0.0) * float(factor)))
        built = apply_changes(faulty, tuple(unit))
        state = solved(workers, built, [()])[0]
        for net in page.nets:
            actual = page.draws[page.place[f"v:{net}"], 1, draw]
            assert actual == pytest.approx(volts(state, net), abs=EXACT * 300.0)


def test_units_of_a_weak_tube_scatter_about_its_nominal(
    dictionary: Dictionary, row_of: Row
) -> None:
    page = dictionary.page(IDLE.key)
    for fault_id in ("X2/weak@60%", "X2/strong@125%"):
        row, column = row_of(fault_id), page.place["ik:X2"]
        units, nominal = page.draws[column, row], page.nominal[row, column]

        error = abs(units.mean() - nominal) / (units.std(ddof=1) / np.sqrt(len(units)))

        assert error < 3.0
        assert abs(nominal - page.nominal[0, column]) > 0.05 * nominal


def test_units_are_the_same_units_in_all_rows_and_situations(
    dictionary: Dictionary, row_of: Row
) -> None:
    # The mains of a unit show at `ht0` whatever its fault and whether its tubes are in.
    out, idle = dictionary.page(TUBES_OUT.key), dictionary.page(IDLE.key)
    mains = dictionary.spread.factors[:, 0] * 275.0

    for page in (out, idle):
        for row in (0, row_of("R8/open"), row_of("C3/leaky@2Mohm")):
            assert page.draws[page.place["v:ht0"], row] == pytest.approx(mains, rel=1e-6)


def test_what_the_solver_cannot_solve_is_a_row_with_a_reason(
    workers: Pool, dictionary: Dictionary
) -> None:
    beyond = (SetGas("X2", 1e9),)
    refused = (SetValue("RSRC", float("nan")),)
    page, _ = small_page(workers, dictionary, [beyond, refused, None])

    assert page.reasons[1] == "it has no operating point that the solver can find"
    assert page.reasons[2].startswith("the deck was refused")
    assert page.reasons[0] == page.reasons[3] == ""
    assert np.isnan(page.nominal[1:3]).all()
    assert np.isnan(page.draws[:, 1:3]).all()
    assert not np.isnan(page.draws[:, (0, 3)]).any()


def test_a_fault_that_works_the_circuit_by_itself_has_a_reason(
    workers: Pool, dictionary: Dictionary
) -> None:
    changes = changes_of(dictionary, "X2/oscillating")
    assert drives_itself(changes)

    page, _ = small_page(workers, dictionary, [changes])

    assert page.reasons[1] == "it works the circuit by itself: no reading at rest tells of it"


class Losing:
    """A pool that loses some jobs: the given numbers, counted over all calls."""

    def __init__(self, pool: Pool, lost: tuple[int, ...]) -> None:
        self.pool, self.lost, self.asked = pool, lost, 0
        self.share, self.engine = pool.share, pool.engine

    def run(self, jobs: Sequence[Any], advance: Callable[[int], None] = lambda _: None) -> list:
        numbers = range(self.asked, self.asked + len(jobs))
        self.asked += len(jobs)
        answers = self.pool.run(jobs, advance)
        return [
            Lost("the solver crashed") if number in self.lost else answer
            for number, answer in zip(numbers, answers, strict=True)
        ]


def test_faults_of_a_lost_worker_have_its_reason(workers: Pool, dictionary: Dictionary) -> None:
    variants = [(SetValue("R8", 300.0 + at),) for at in range(4)]
    told: list[int] = []
    pool: Any = Losing(workers, lost=(1,))

    page = solve_page(
        pool, dictionary.circuit, IDLE, dictionary.spread.on_mains, variants,
        Spread(dictionary.spread.variables, dictionary.spread.factors[:3]), told.append,
    )  # fmt: skip

    assert page.reasons == ("", *("the solver crashed",) * 3, "")
    assert np.isnan(page.nominal[1:4]).all()
    assert not np.isnan(page.nominal[4]).any()
    assert sum(told) == len(variants)


def test_without_the_sound_circuit_there_is_no_page(workers: Pool, dictionary: Dictionary) -> None:
    pool: Any = Losing(workers, lost=(0,))

    with pytest.raises(UnanswerableError, match="the sound circuit was not solved"):
        solve_page(
            pool, dictionary.circuit, IDLE, dictionary.spread.on_mains, [], dictionary.spread
        )


def test_on_reduced_mains_a_row_lies_between_cold_and_hot_tubes(
    workers: Pool, dictionary: Dictionary
) -> None:
    page, _ = small_page(workers, dictionary, [None], reduced(0.6), draws=20)
    low = apply_changes(dictionary.circuit, (SetValue("VHT", 0.6 * 275.0),))
    cold = apply_changes(low, (ScaleEmission("X1", 0.0), ScaleEmission("X2", 0.0)))
    hot_v, cold_v = (volts(solved(workers, one, [()])[0], "k2") for one in (low, cold))

    units = page.draws[page.place["v:k2"], 0]

    assert page.nominal[0, page.place["v:k2"]] == pytest.approx((hot_v + cold_v) / 2.0, rel=1e-4)
    assert cold_v < units.min() < 0.3 * hot_v
    assert 0.7 * hot_v < units.max() < 1.3 * hot_v


@pytest.mark.parametrize(
    "fault_id",
    [
        "C3/leaky@2Mohm",
        "X2/weak@60%",
        "R8/drifted@540ohm",
    ],
)
def test_on_reduced_mains_every_fault_has_figures_or_a_reason(
    workers: Pool, dictionary: Dictionary, fault_id: str
) -> None:
    page, _ = small_page(workers, dictionary, [changes_of(dictionary, fault_id)], reduced(0.6))

    assert page.reasons[1] or not np.isnan(page.nominal[1]).any()
    assert page.reasons[1] or not np.isnan(page.draws[:, 1]).any()


def test_rows_do_not_depend_on_their_neighbors(workers: Pool, dictionary: Dictionary) -> None:
    names = ("R8/drifted@540ohm", "C3/leaky@2Mohm", "X2/weak@60%", "R3/open")
    variants = [changes_of(dictionary, name) for name in names]

    forward, _ = small_page(workers, dictionary, variants)
    backward, _ = small_page(workers, dictionary, variants[::-1])

    assert np.array_equal(forward.draws[:, 1:], backward.draws[:, :0:-1])
    assert np.array_equal(forward.nominal[1:], backward.nominal[:0:-1])


def test_without_an_engine_weak_sources_are_linear_and_that_is_said(
    dictionary: Dictionary,
) -> None:
    def no_pool() -> Pool:
        raise SolverUnavailableError("no ngspice library")

    alone = copy(dictionary)
    alone._foreseen, alone.shortfalls, alone.pool = {}, {}, no_pool
    point = Point("volts", "p2", "ht", IDLE.key)

    found = alone.foresee(point, -71.0, metered=True)

    expected = alone.foresee(point, -71.0).nominal
    assert np.array_equal(found.nominal, expected, equal_nan=True)
    (said,) = alone.shortfalls
    assert said.startswith("V(p2,ht)@idle: ")
    assert "no ngspice library" in said
