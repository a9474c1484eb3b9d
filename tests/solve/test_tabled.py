"""Sweeps over tables: closed forms, the same answers as one by one, and what is left out."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from netcheck.circuit.changes import AddResistor, Change, SetValue
from netcheck.circuit.model import GROUND, Circuit
from netcheck.solve import idle
from netcheck.solve.deck import write_deck
from netcheck.solve.idle import IdleRequest, IdleSweep, solve_sweep
from netcheck.solve.ngspice import Engine
from netcheck.solve.results import Outcome
from netcheck.solve.tabled import MOST_RESTARTS, solve_points, tabled_lines
from tests.solve.test_idle import assert_same, figures_of
from tests.solve.worker import DEMOS, Demo, Worker, circuit_of, solved

OLD_WAY, OLD_WAY_V = 5e-5, 1e-4
"""One operating point, with the tolerance it has, is off by as much (against one to 1e-8)."""
DIVIDER = circuit_of("V1 a 0 10", "R1 a b 1k", "R2 b 0 1k", "I1 0 b 1m")


def points_of(engine: Engine, circuit: Circuit, tables: dict[str, np.ndarray]) -> np.ndarray:
    deck = write_deck(circuit)
    count = len(next(iter(tables.values())))
    altered = {deck.alter[ref]: values for ref, values in tables.items()}
    return solve_points(engine, deck, altered, count)[deck.place[deck.node["b"]]]


def test_a_divider_follows_its_tables(worker: Worker) -> None:
    volts = np.array([10.0, 20.0, 10.0, 0.0])
    ohms = np.array([1e3, 1e3, 1e-3, 1e12])
    amperes = np.array([0.0, 1e-3, 1e-3, 1e-3])

    actual = worker.call(points_of, DIVIDER, {"V1": volts, "R2": ohms, "I1": amperes})

    expected = (volts / 1e3 + amperes) / (1 / 1e3 + 1 / ohms)
    assert actual == pytest.approx(expected, rel=1e-6, abs=1e-9)


def test_one_point_alone_is_a_table_too(worker: Worker) -> None:
    actual = worker.call(points_of, DIVIDER, {"V1": np.array([12.0])})

    assert actual == pytest.approx([6.5])


def test_a_table_holds_its_corners_alone() -> None:
    deck = write_deck(DIVIDER)
    values = np.array([10.0, 10.0, 10.0, 12.0, 10.0, 10.0])

    lines = tabled_lines(deck, {deck.alter["V1"]: values})

    (table,) = [line for line in lines if "pwl" in line]
    assert table.endswith("pwl(v(kk),0,10,2,10,3,12,4,10,5,10)")


def test_what_is_not_finite_or_not_in_the_deck_is_refused() -> None:
    deck = write_deck(DIVIDER)

    with pytest.raises(ValueError, match="finite"):
        tabled_lines(deck, {deck.alter["V1"]: np.array([1.0, np.nan])})
    with pytest.raises(ValueError, match="r99"):
        tabled_lines(deck, {"r99": np.array([1.0])})


class Cut:
    """An engine whose sweeps end at given points."""

    def __init__(self, engine: Engine, bad: set[int]) -> None:
        self.engine, self.bad, self.sweeps = engine, bad, 0

    def __getattr__(self, name: str) -> object:
        return getattr(self.engine, name)

    def dc_sweep(self, source: str, first: int, last: int, names: list[str]) -> np.ndarray:
        self.sweeps += 1
        rows = self.engine.dc_sweep(source, first, last, names)
        ends = [at - first for at in sorted(self.bad) if at >= first]
        return rows[:, : ends[0]] if ends else rows


def cut_points(engine: Engine, bad: set[int], count: int) -> tuple[list[bool], int]:
    cut = Cut(engine, bad)
    return np.isnan(points_of(cut, DIVIDER, {"V1": np.arange(1.0, count + 1)})).tolist(), cut.sweeps  # type: ignore[arg-type]


def test_a_sweep_goes_on_behind_a_point_that_ends_it(worker: Worker) -> None:
    left_out, sweeps = worker.call(cut_points, {2, 5}, 6)

    assert left_out == [False, False, True, False, False, True]
    assert sweeps == 2


def test_a_sweep_that_ends_again_and_again_is_given_up(worker: Worker) -> None:
    left_out, sweeps = worker.call(cut_points, set(range(40)), 40)

    assert all(left_out)
    assert sweeps == MOST_RESTARTS + 1


def counted(
    engine: Engine, circuit: Circuit, variants: Sequence[tuple[Change, ...]], nets: tuple[str, ...]
) -> tuple[list[Outcome], int]:
    """Solve variants; return the outcomes and how many operating points went the old way."""
    points = 0
    plain = engine.operating_point

    def counting(names: Sequence[str]) -> list[float]:
        nonlocal points
        points += 1
        return plain(names)

    engine.operating_point = counting  # type: ignore[method-assign]
    try:
        requests = tuple(IdleRequest(changes, nets) for changes in variants)
        return solve_sweep(engine, IdleSweep(circuit, requests)), points
    finally:
        del engine.operating_point


def one_by_one(
    engine: Engine, circuit: Circuit, variants: Sequence[tuple[Change, ...]], nets: tuple[str, ...]
) -> list[Outcome]:
    before, idle.TABLED_FROM = idle.TABLED_FROM, len(variants) + 1
    try:
        requests = tuple(IdleRequest(changes, nets) for changes in variants)
        return solve_sweep(engine, IdleSweep(circuit, requests))
    finally:
        idle.TABLED_FROM = before


def count_own_decks(
    engine: Engine, circuit: Circuit, variants: Sequence[tuple[Change, ...]]
) -> int:
    requests = tuple(map(IdleRequest, variants))
    runner = idle._Runner(engine, IdleSweep(circuit, requests))
    return sum(not runner.alterable(request) for request in requests)


@pytest.mark.parametrize("name", DEMOS)
def test_tables_and_one_by_one_agree_for_every_fault(
    name: str, demo: Callable[[str], Demo]
) -> None:
    known = demo(name)
    variants = [fault.changes for fault in known.faults]
    nets = tuple(net for net in known.circuit.nets if net != GROUND)[:3]

    expected = known.worker.call(one_by_one, known.circuit, variants, nets)
    actual, points = known.worker.call(counted, known.circuit, variants, nets)

    own_decks = known.worker.call(count_own_decks, known.circuit, variants)
    assert points <= own_decks * (1 + len(nets))
    assert own_decks < 0.3 * len(variants)
    for fault, one, two in zip(known.faults, actual, expected, strict=True):
        assert_same(
            figures_of(solved(one)), figures_of(solved(two)), set(figures_of(solved(one))),
            OLD_WAY, OLD_WAY_V,
        )  # fmt: skip
        for net in nets:
            assert solved(one).readings[net] == pytest.approx(
                solved(two).readings[net], rel=OLD_WAY, abs=OLD_WAY_V
            ), fault.id


def test_what_one_fault_does_is_not_left_to_the_next(worker: Worker) -> None:
    """A point is entered from health: a shorted supply before it changes no digit of it."""
    drift = (SetValue("R1", 1100.0),)
    short = (AddResistor("short", "b", GROUND, 1e-3),)
    alone, _ = worker.call(counted, DIVIDER, [drift] * 4, ())
    after, _ = worker.call(counted, DIVIDER, [short, drift, short, drift], ())

    assert solved(after[3]).nets["b"] == pytest.approx(solved(alone[3]).nets["b"], rel=1e-9)
