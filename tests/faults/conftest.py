"""A worker for the tests that solve."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from netcheck.circuit.changes import Change
from netcheck.circuit.model import Circuit
from netcheck.solve.idle import IdleRequest, IdleSweep, solve_sweep
from netcheck.solve.ngspice import Engine
from netcheck.solve.pool import Job, Lost, Pool
from netcheck.solve.results import Outcome

Variant = tuple[Change, ...]


class Bench:
    """Solves variants of a circuit at idle."""

    def __init__(self, pool: Pool) -> None:
        self.pool = pool

    def __call__(self, circuit: Circuit, *variants: Variant) -> list[Outcome]:
        job = Job(_solve, (circuit, variants), max(len(variants), 1))
        (answer,) = self.pool.run([job])
        assert not isinstance(answer, Lost), answer
        outcomes: list[Outcome] = answer
        return outcomes


def _solve(engine: Engine, circuit: Circuit, variants: tuple[Variant, ...]) -> list[Outcome]:
    return solve_sweep(engine, IdleSweep(circuit, tuple(map(IdleRequest, variants))))


@pytest.fixture(scope="session")
def bench() -> Iterator[Bench]:
    """One worker for all tests of this folder."""
    with Pool(1, 60.0) as pool:
        yield Bench(pool)
