"""What a fault costs against ngspice's own loop of `alter`, `op` and `print` over one deck.

The loop is the least that any program could do that solves the same operating points with
ngspice: it alters what `idle.py` alters, on the deck that it loads.  It reads three
volts; the sweep reads every current, volt and watt and makes states of them.  Ratios are
printed, never judged by the clock; both have to give the same volts.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from netcheck.circuit.changes import Change
from netcheck.circuit.model import Circuit
from netcheck.solve.idle import IdleRequest, IdleSweep, solve_sweep
from netcheck.solve.ngspice import Engine
from netcheck.solve.pool import Pool
from netcheck.solve.results import Outcome, Solved
from tests.bench.test_solver_cost import PAIR, say
from tests.solve.worker import Demo, Worker

Variants = tuple[tuple[Change, ...], ...]
WATCHED = ("p4", "p5", "inv")
"""Nets that the loop prints: both output plates and a rail."""
STARTS = 5
"""Starts of an empty process, whose mean is taken off the loop's time."""
SAME_V = 1e-3
"""Of both ways; ngspice's own tolerance, since they start from different points."""


@pytest.fixture(scope="module")
def pair() -> Iterator[Demo]:
    with Pool(1, time_limit_s=120.0) as pool:
        yield Demo(PAIR, Worker(pool))


class Recorder:
    """An engine that notes the decks it loads and what is altered before each solve."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.kept: object = None
        self.decks: list[list[str]] = []
        self.pending: list[tuple[str, float]] = []
        self.steps: list[list[tuple[str, float]]] = []

    def load(self, deck: list[str]) -> None:
        self.decks.append(list(deck))
        self.engine.load(deck)

    def alter(self, target: str, value: float) -> None:
        self.pending.append((target, value))
        self.engine.alter(target, value)

    def operating_point(self, names: list[str]) -> list[float]:
        self.steps.append(self.pending)
        self.pending = []
        return self.engine.operating_point(names)

    def __getattr__(self, name: str) -> object:
        return getattr(self.engine, name)


def recorded(
    engine: Engine, circuit: Circuit, variants: Variants
) -> tuple[list[str], list[list[tuple[str, float]]], dict[str, str], list[Outcome], float]:
    """Sweep (in a worker): the deck, alterations a solve, its nodes, outcomes, and seconds.

    What the loop alters is noted while the sweep solves its points one by one; the seconds
    are those of the sweep as it is used, over tables.
    """
    from netcheck.solve import idle
    from netcheck.solve.deck import write_deck

    recorder = Recorder(engine)
    sweep = IdleSweep(circuit, tuple(IdleRequest(changes) for changes in variants))
    usual = idle.TABLED_FROM
    try:
        idle.TABLED_FROM = len(variants) + 1
        solve_sweep(recorder, sweep)
    finally:
        idle.TABLED_FROM = usual
    (deck,) = recorder.decks
    nodes = {net: write_deck(circuit).node[net] for net in WATCHED}
    started = time.perf_counter()
    outcomes = solve_sweep(engine, sweep)
    return deck, recorder.steps, nodes, outcomes, time.perf_counter() - started


def library_loop(
    engine: Engine, deck: list[str], steps: list[list[tuple[str, float]]], nodes: list[str]
) -> tuple[float, list[list[float]]]:
    """Alter, solve and read in the worker's own ngspice, with nothing around it."""
    engine.load(deck)
    started = time.perf_counter()
    volts = []
    for step in steps:
        for target, value in step:
            engine.alter(target, value)
        volts.append(engine.operating_point(nodes))
    return time.perf_counter() - started, volts


def program_loop(
    program: str,
    folder: Path,
    deck: list[str],
    steps: list[list[tuple[str, float]]],
    nodes: list[str],
) -> tuple[float, list[list[float]]]:
    """Do the same with one process of the ngspice program and a script of its own."""
    script = ["optran 1 1 1 0 0 0", "set numdgt=10"]
    for step in steps:
        script += [f"alter {target} = {value:.9g}" for target, value in step]
        script += ["destroy all", "op", *(f"print v({node})" for node in nodes)]

    def run(commands: list[str]) -> tuple[float, str]:
        path = folder / "loop.cir"
        body = deck[:-1]
        lines = [*body, ".control", *commands, "quit 0", ".endc", ".end", ""]
        path.write_text("\n".join(lines), encoding="ascii")
        started = time.perf_counter()
        done = subprocess.run(
            [program, "-b", str(path)], capture_output=True, check=True, text=True, cwd=folder
        )
        return time.perf_counter() - started, done.stdout

    empty_s = sum(run([])[0] for _ in range(STARTS)) / STARTS
    seconds, text = run(script)
    found = [float(one) for one in re.findall(r"^v\(\S+\) = (\S+)$", text, re.MULTILINE)]
    rows = [found[at : at + len(nodes)] for at in range(0, len(found), len(nodes))]
    return seconds - empty_s, rows


def test_sweep_against_the_loop_of_ngspice_itself(pair: Demo, tmp_path: Path) -> None:
    alterable = tuple(
        fault.changes
        for fault in pair.faults
        if {type(change).__name__ for change in fault.changes}
        <= {"SetValue", "AddResistor", "SetWire", "ShortTurns"}
    )
    deck, steps, nodes, outcomes, sweep_s = pair.worker.call(recorded, pair.circuit, alterable)
    names = [nodes[net] for net in WATCHED]

    library_s, by_library = pair.worker.call(library_loop, deck, steps, names)
    ways = [("ngspice's library", library_s, by_library)]
    program = shutil.which("ngspice")
    if program:
        ways.append(("the ngspice program", *program_loop(program, tmp_path, deck, steps, names)))

    assert len(steps) == len(alterable)
    for kind, seconds, rows in ways:
        assert len(rows) == len(outcomes)
        for row, outcome in zip(rows, outcomes, strict=True):
            assert isinstance(outcome, Solved)
            expected = [outcome.nets[net] for net in WATCHED]
            assert row == pytest.approx(expected, abs=SAME_V, rel=1e-5)
        say(
            f"{len(alterable)} faults altered, solved, and every load of theirs read: "
            f"{sweep_s / seconds:.2f} times {kind} that alters, solves and reads three volts "
            f"({1e3 * sweep_s / len(rows):.2f} and {1e3 * seconds / len(rows):.2f} ms a fault)"
        )
