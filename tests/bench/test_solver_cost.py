"""What solving costs: ratios taken in one run, printed, and never judged by the clock.

Run by `pytest tests/bench -s`.  Each bench also checks that the two ways it compares
give the same answer, since a fast wrong one would be no gain.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from netcheck.circuit.changes import Change, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.solve import slow
from netcheck.solve.deck import write_deck
from netcheck.solve.driven import DrivenAnswer, DrivenRequest, solve_driven
from netcheck.solve.idle import IdleRequest, IdleSweep, solve_sweep
from netcheck.solve.ngspice import Engine
from netcheck.solve.observe import Observation
from netcheck.solve.pool import Pool
from netcheck.solve.results import Drive, Hookup, Outcome, Solved, StartState
from netcheck.solve.steady import STEPS_PER_CYCLE
from tests.solve.worker import FREQUENCY_HZ, Demo, Worker, long_run, solved

PAIR = "el34_pair_fixed_bias"
PROCESSES = 40
"""Faults that get a process each; the rest would only take time."""
PLAIN_S = 0.3
"""A plain transient of this length is settled to 0.25 % in the median over the faults of
a pair, and to 7 % at the 99th percentile (measured on 282 faults)."""


@pytest.fixture(scope="module")
def pair() -> Iterator[Demo]:
    with Pool(1, time_limit_s=120.0) as pool:
        yield Demo(PAIR, Worker(pool))


def timed_sweep(
    engine: Engine, circuit: Circuit, variants: tuple[tuple[Change, ...], ...]
) -> tuple[float, list[Outcome]]:
    """Solve a sweep in a worker; the clock runs there, without the messages."""
    started = time.perf_counter()
    requests = tuple(IdleRequest(changes) for changes in variants)
    outcomes = solve_sweep(engine, IdleSweep(circuit, requests))
    return time.perf_counter() - started, outcomes


def timed(call: Callable[[], object]) -> float:
    """Seconds one call takes."""
    started = time.perf_counter()
    call()
    return time.perf_counter() - started


def say(text: str) -> None:
    """Print a line of a bench."""
    print(f"\n  bench: {text}", end="")


def _process_of(deck: Path) -> list[str]:
    """Return the command that solves a deck in a process of its own."""
    program = shutil.which("ngspice")
    if program:
        return [program, "-b", str(deck)]
    load = (
        "import sys\nfrom netcheck.solve.ngspice import Engine\n"
        "lines = open(sys.argv[1]).read().splitlines()\n"
        "engine = Engine()\nengine.load(lines)\nprint(engine.operating_point(['n1']))\n"
    )
    return [sys.executable, "-c", load, str(deck)]


def test_sweep_against_a_process_per_fault(pair: Demo, tmp_path: Path) -> None:
    variants = tuple(fault.changes for fault in pair.faults)
    pair.worker.call(timed_sweep, pair.circuit, variants[:5])

    seconds, outcomes = pair.worker.call(timed_sweep, pair.circuit, variants)
    per_fault = seconds / len(variants)
    spent = 0.0
    for number, changes in enumerate(variants[:PROCESSES]):
        path = tmp_path / f"{number}.cir"
        deck = write_deck(apply_changes(pair.circuit, changes))
        lines = [*deck.lines[:-1], ".op", ".print op v(n1)", ".end", ""]
        path.write_text("\n".join(lines), encoding="ascii")
        command = _process_of(path)
        spent += timed(
            lambda command=command: subprocess.run(command, capture_output=True, check=True)  # type: ignore[misc]
        )
    per_process = spent / PROCESSES

    assert all(isinstance(outcome, Solved) for outcome in outcomes)
    kind = "`ngspice -b`" if shutil.which("ngspice") else "one Python worker (no ngspice program)"
    say(
        f"idle sweep {1e3 * per_fault:.2f} ms a fault; {kind} a fault "
        f"{1e3 * per_process:.2f} ms; {per_process / per_fault:.1f} times as much"
    )


def test_cost_grows_with_the_number_of_faults(pair: Demo) -> None:
    variants = tuple(fault.changes for fault in pair.faults)
    costs: list[str] = []
    for count in (10, 40, 150):
        chosen = (variants * (1 + count // len(variants)))[:count]
        seconds, _ = pair.worker.call(timed_sweep, pair.circuit, chosen)
        costs.append(f"{count} faults {1e3 * seconds:.0f} ms")

    say("; ".join(costs))


def test_altering_against_a_new_deck(pair: Demo) -> None:
    variants = tuple(fault.changes for fault in pair.faults)[:60]
    altered_s, altered = pair.worker.call(timed_sweep, pair.circuit, variants)
    reloaded_s = 0.0
    for changes, outcome in zip(variants, altered, strict=True):
        circuit = apply_changes(pair.circuit, changes)
        seconds, (again,) = pair.worker.call(timed_sweep, circuit, ((),))
        reloaded_s += seconds
        for ref, tube in solved(again).tubes.items():
            watts = solved(outcome).tubes[ref].plate_dissipation_w
            assert watts == pytest.approx(tube.plate_dissipation_w, rel=1e-6, abs=1e-9)

    say(f"a new deck for every fault costs {reloaded_s / altered_s:.1f} times an altered one")


@pytest.mark.parametrize("name", ["6v6_single_ended", PAIR])
def test_steady_state_against_a_plain_transient(name: str, pair: Demo) -> None:
    known = pair if name == PAIR else Demo(name, pair.worker)
    level_v = {"6v6_single_ended": 0.188, PAIR: 0.6}[name]
    drive = Drive(FREQUENCY_HZ, level_v)

    def settle(level: float, starts: Mapping[str, StartState]) -> tuple[float, DrivenAnswer]:
        request = DrivenRequest({"drive": level}, starts=starts)
        started = time.perf_counter()
        answer = known.worker.driven(known.circuit, known.hookup, request)
        return time.perf_counter() - started, answer

    steady_s, first = settle(level_v, {})
    nearby_s, moved = settle(1.05 * level_v, first.starts)
    found = solved(first.outcomes["drive"])
    step_s = 1.0 / FREQUENCY_HZ / STEPS_PER_CYCLE
    started = time.perf_counter()
    sample, rows = known.worker.call(long_run, known.circuit, known.hookup, drive, PLAIN_S, step_s)
    plain_s = time.perf_counter() - started

    assert isinstance(moved.outcomes["drive"], Solved)
    deck = write_deck(known.circuit, hookup=known.hookup, drive=drive)
    plain = Observation.of_window(deck, sample, rows, PLAIN_S - 0.01).tubes(known.circuit)
    for ref in known.roles.output_tubes:
        watts = found.tubes[ref].plate_dissipation_w
        assert watts == pytest.approx(plain[ref].plate_dissipation_w, rel=0.07)
    say(
        f"{name}: steady state {steady_s:.2f} s from idle, {nearby_s:.2f} s from a state "
        f"nearby; a plain transient of {PLAIN_S} s {plain_s:.2f} s, "
        f"{plain_s / steady_s:.1f} and {plain_s / nearby_s:.1f} times as much"
    )


DRIVEN_FAULTS = (
    "C5/leaky@5Mohm", "C21/dried@30%", "R12/open", "R18/drifted@4.4kohm", "X4/weak@60%",
    "L1/shorted_turns@1%", "R6/open", "VHT+VNEG/mains_high@110%",
)  # fmt: skip
"""Some that are settled at once and some that are far from the healthy circuit."""


def timed_faults(
    engine: Engine, known: tuple[Circuit, Hookup], variants: tuple[tuple[Change, ...], ...], by: str
) -> tuple[float, list[DrivenAnswer]]:
    """Drive variants from where the healthy circuit settles (in a worker).

    by: `network`, the Jacobian that each run gives, or `learning`, what is measured at
    idle and learned on the way.
    """
    known_network = slow.averaged_network
    if by == "learning":
        slow.averaged_network = lambda *_: None
    try:
        circuit, hookup = known
        healthy = DrivenRequest({"full": 0.66, "overdrive": 1.32}, learn=True)
        settled = solve_driven(engine, circuit, hookup, FREQUENCY_HZ, healthy)
        started = time.process_time()
        answers = [
            solve_driven(
                engine,
                circuit,
                hookup,
                FREQUENCY_HZ,
                replace(healthy, changes=changes, starts=settled.starts, start_idle=settled.idle),
            )
            for changes in variants
        ]
        return time.process_time() - started, answers
    finally:
        slow.averaged_network = known_network


def test_the_jacobian_of_a_run_against_learning_it(pair: Demo) -> None:
    variants = tuple(pair.fault(fault_id).changes for fault_id in DRIVEN_FAULTS)
    known = (pair.circuit, pair.hookup)
    learning_s, learned = pair.worker.call(timed_faults, known, variants, "learning")
    network_s, found = pair.worker.call(timed_faults, known, variants, "network")

    states = [(one, two) for one, two in zip(found, learned, strict=True)]
    for one, two in states:
        for condition, outcome in two.outcomes.items():
            for ref in pair.roles.output_tubes:
                mine = solved(one.outcomes[condition]).tubes[ref].plate_dissipation_w
                other = solved(outcome).tubes[ref].plate_dissipation_w
                assert mine == pytest.approx(other, rel=0.03, abs=0.25), (ref, condition)
    say(
        f"{len(states)} faults driven twice: {network_s:.2f} s of processor with the Jacobian of "
        f"each run, {learning_s:.2f} s with one that is learned, {learning_s / network_s:.1f} "
        "times as much"
    )
