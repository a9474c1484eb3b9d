"""What drawn units cost: the short way against one variant a unit, and memory over many."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

from netcheck.circuit.changes import Change, ScaleEmission, SetValue, SetWire
from netcheck.circuit.model import Circuit
from netcheck.pipeline import load_circuit
from netcheck.ratings.mains import find_band
from netcheck.roles import recognise
from netcheck.solve.draws import Drawn, Knob, solve_draws
from netcheck.solve.idle import IdleRequest, IdleSweep, solve_sweep
from netcheck.solve.ngspice import Engine
from netcheck.solve.pool import Pool
from netcheck.solve.results import Solved
from netcheck.workbench.tolerance import variables_of
from tests.bench.test_solver_cost import say
from tests.solve.worker import CIRCUITS, Worker

DRAWS, CHUNK, CHUNKS = 200, 500, 10
GROWTH_BYTES = 4e6
"""RSS growth over 4,500 operating points that passes: 0.9 kB each; ngspice keeps 0.3 kB."""


def knobs_of(circuit: Circuit) -> tuple[tuple[Knob, ...], list[float]]:
    """Return every knob but those of screens, which no change turns, and its nominal."""
    variables, _ = variables_of(circuit, recognise(circuit), find_band("230V"))
    knobs, nominal = [], []
    for one in variables:
        for ref in one.parts:
            if one.kind != "screen":
                knobs.append(Knob(ref, "value" if one.kind == "mains" else one.kind))
                part = circuit[ref]
                of_kind = {"emission": 1.0, "wire": part.note.dcr_ohm}
                nominal.append(of_kind.get(one.kind, part.value) or 0.0)
    return tuple(knobs), nominal


def as_change(knob: Knob, value: float) -> Change:
    match knob.kind:
        case "emission":
            return ScaleEmission(knob.part, value)
        case "wire":
            return SetWire(knob.part, value)
    return SetValue(knob.part, value)


def timed_draws(
    engine: Engine, circuit: Circuit, knobs: tuple[Knob, ...], settings: np.ndarray
) -> tuple[float, Drawn]:
    started = time.perf_counter()
    drawn = solve_draws(engine, circuit, knobs, settings)
    return time.perf_counter() - started, drawn


def timed_variants(
    engine: Engine, circuit: Circuit, knobs: tuple[Knob, ...], settings: np.ndarray
) -> tuple[float, list[object]]:
    requests = tuple(
        IdleRequest(
            tuple(as_change(knob, float(one)) for knob, one in zip(knobs, row, strict=True))
        )
        for row in settings
    )
    started = time.perf_counter()
    outcomes = solve_sweep(engine, IdleSweep(circuit, requests))
    return time.perf_counter() - started, list(outcomes)


def test_drawn_units_against_one_variant_each() -> None:
    circuit = load_circuit(CIRCUITS / "el34_pair_fixed_bias.cir")
    knobs, nominal = knobs_of(circuit)
    factors = np.random.default_rng(1).uniform(0.95, 1.05, (DRAWS, len(knobs)))
    settings = factors * np.array(nominal)
    with Pool(1, time_limit_s=120.0) as pool:
        worker = Worker(pool)
        slow, outcomes = worker.call(timed_variants, circuit, knobs, settings)
        fast, drawn = worker.call(timed_draws, circuit, knobs, settings)

    say(
        f"{DRAWS} units of {len(knobs)} quantities: {fast / DRAWS * 1e3:.2f} ms each; as one "
        f"variant each {slow / fast:.1f} times as long"
    )
    assert drawn.solved.all()
    for number, outcome in enumerate(outcomes):
        assert isinstance(outcome, Solved)
        expected = [outcome.nets[net] for net in circuit.nets if net != "0"]
        actual = [drawn.net(net)[number] for net in circuit.nets if net != "0"]
        np.testing.assert_allclose(actual, expected, rtol=1e-5, atol=1e-5)


def rss_bytes() -> int:
    pages = Path("/proc/self/statm").read_text(encoding="ascii").split()[1]
    return int(pages) * 4096


def rss_over_chunks(
    engine: Engine, circuit: Circuit, knobs: tuple[Knob, ...], settings: np.ndarray
) -> list[int]:
    """Return the resident memory after each chunk of the same settings."""
    after = []
    for _ in range(CHUNKS):
        solve_draws(engine, circuit, knobs, settings)
        after.append(rss_bytes())
    return after


def test_memory_is_flat_over_thousands_of_operating_points() -> None:
    circuit = load_circuit(CIRCUITS / "6v6_single_ended.cir")
    knobs, nominal = knobs_of(circuit)
    factors = np.random.default_rng(2).uniform(0.95, 1.05, (CHUNK, len(knobs)))
    with Pool(1, time_limit_s=300.0) as pool:
        after = Worker(pool).call(rss_over_chunks, circuit, knobs, factors * np.array(nominal))

    grown = after[-1] - after[0]
    say(f"memory over {CHUNK * (CHUNKS - 1)} operating points: {grown / 1e6:+.1f} MB")
    assert grown < GROWTH_BYTES
