"""What the tests of the diagnosis share: one small dictionary.

It is that of the single-ended 6V6GT amplifier with 40 units a fault, solved once a session,
a page when it is first wanted, and kept nowhere.  One made by hand is in `toy.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from netcheck.circuit.model import Circuit
from netcheck.diagnose.dictionary import Dictionary, DictionaryOptions, Store
from netcheck.diagnose.hypotheses import Hypotheses
from netcheck.diagnose.investigation import Basis
from netcheck.pipeline import load_circuit
from netcheck.solve.pool import Pool

AMPLIFIER = Path(__file__).parents[2] / "circuits" / "6v6_single_ended.cir"
DRAWS = 40


class Quiet:
    def start(self, label: str, total: int) -> None: ...
    def advance(self, count: int = 1) -> None: ...
    def finish(self) -> None: ...


@pytest.fixture(scope="session")
def workers() -> Iterator[Pool]:
    with Pool(2) as made:
        yield made


@pytest.fixture(scope="session")
def circuit() -> Circuit:
    return load_circuit(AMPLIFIER)


@pytest.fixture(scope="session")
def dictionary(workers: Pool, circuit: Circuit) -> Dictionary:
    options = DictionaryOptions(draws=DRAWS)
    return Dictionary(circuit, options, lambda: workers, Store(None), Quiet())


@pytest.fixture(scope="session")
def basis(dictionary: Dictionary) -> Basis:
    return Basis(dictionary, safer=False)


@pytest.fixture(scope="session")
def hypotheses(basis: Basis) -> Hypotheses:
    return basis.hypotheses


@pytest.fixture(scope="session")
def row_of(dictionary: Dictionary) -> Callable[[str], int]:
    """Return which row a fault has."""
    rows = {fault.id: row for row, fault in enumerate(dictionary.faults, start=1)}
    return rows.__getitem__


@pytest.fixture
def unsolved_dictionary(circuit: Circuit) -> Callable[..., Dictionary]:
    """Return a maker of dictionaries that must not solve anything."""

    def make(
        store: Store | None = None, circuit: Circuit = circuit, **options: object
    ) -> Dictionary:
        chosen = DictionaryOptions(**{"draws": 3, **options})
        return Dictionary(circuit, chosen, _no_pool, store or Store(None), Quiet())

    return make


def _no_pool() -> Pool:
    raise RuntimeError("the solver was asked")
