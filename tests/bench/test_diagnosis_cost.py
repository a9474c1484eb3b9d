"""What the dictionary of a diagnosis costs: its pages against one variant a unit, and kept."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

from netcheck.circuit.changes import Change
from netcheck.diagnose.dictionary import Dictionary, DictionaryOptions, Store
from netcheck.diagnose.investigation import Basis, Investigation
from netcheck.diagnose.page import solve_page
from netcheck.diagnose.readings import parse_reading
from netcheck.diagnose.situations import IDLE, TUBES_OUT, Spread
from netcheck.faults import list_faults
from netcheck.pipeline import load_circuit
from netcheck.ratings.mains import find_band
from netcheck.report.progress import SilentProgress
from netcheck.roles import recognise
from netcheck.solve.draws import Knob, nominal_of
from netcheck.solve.pool import Pool
from netcheck.solve.results import Solved
from netcheck.workbench.sweep import IdleTask, idle_outcomes
from netcheck.workbench.tolerance import draw_factors, variables_of
from tests.bench.test_draws_cost import as_change
from tests.bench.test_solver_cost import say
from tests.solve.worker import CIRCUITS

FAULTS, DRAWS = 12, 60
READINGS = ("V(ht)=276V", "V(k2)=16.7V", "V(g2)=6.1V", "V(p1)=162V", "V(s2)=268V")


def test_a_page_against_one_variant_a_unit() -> None:
    circuit = load_circuit(CIRCUITS / "6v6_single_ended.cir")
    roles = recognise(circuit)
    variables, _ = variables_of(circuit, roles, find_band("230V"))
    kept = tuple(one for one in variables if one.kind in ("value", "wire", "emission"))
    spread = Spread(kept, draw_factors(kept, DRAWS, 1))
    leaks = [one.changes for one in list_faults(circuit, roles) if one.kind == "leaky"][:FAULTS]
    knobs = [(at, Knob(part, one.kind)) for at, one in enumerate(kept) for part in one.parts]
    units: list[tuple[Change, ...]] = [
        (*leak, *(as_change(k, row[at] * nominal_of(circuit, k)) for at, k in knobs))
        for leak in leaks
        for row in spread.factors
    ]
    with Pool(1, time_limit_s=120.0) as pool:
        shared = pool.share("circuit", circuit)
        idle_outcomes(pool, IdleTask(shared, "idle"), [()])
        started = time.perf_counter()
        outcomes = idle_outcomes(pool, IdleTask(shared, "idle", (), None), units)
        slow = time.perf_counter() - started
        started = time.perf_counter()
        page = solve_page(pool, circuit, IDLE, (), leaks, spread)
        fast = time.perf_counter() - started

    say(
        f"{len(leaks)} faults, {DRAWS} units each: a page, meter loads included, takes "
        f"{fast / len(units) * 1e3:.2f} ms a unit, "
        f"one variant a unit {slow / fast:.1f} times as long"
    )
    for number, outcome in enumerate(outcomes):
        assert isinstance(outcome, Solved)
        row, draw = divmod(number, DRAWS)
        expected = [outcome.nets[net] for net in page.nets]
        actual = [page.draws[page.place[f"v:{net}"], row + 1, draw] for net in page.nets]
        np.testing.assert_allclose(actual, expected, rtol=1e-4, atol=1e-4)


def test_a_diagnosis_from_kept_pages_against_solving_them(tmp_path: Path) -> None:
    circuit = load_circuit(CIRCUITS / "6v6_single_ended.cir")
    readings = tuple(map(parse_reading, READINGS))

    def diagnosed(pool: Pool) -> tuple[float, np.ndarray]:
        started = time.perf_counter()
        options = DictionaryOptions(draws=50)
        dictionary = Dictionary(circuit, options, lambda: pool, Store(tmp_path), SilentProgress())
        posterior = Investigation(Basis(dictionary, safer=False), readings).posterior
        return time.perf_counter() - started, posterior.every

    with Pool(2, time_limit_s=120.0) as pool:
        solved, first = diagnosed(pool)
        kept, second = diagnosed(pool)

    say(f"a diagnosis from kept pages: {kept * 1e3:.0f} ms; solved anew {solved / kept:.0f} times")
    assert len(list(tmp_path.iterdir())) == len((IDLE, TUBES_OUT))
    np.testing.assert_allclose(second, first, rtol=1e-12)
