"""What the tests of the diagnosis share: one small dictionary, and one made by hand.

`dictionary` is that of the single-ended 6V6GT amplifier with 40 units a fault, solved once
a session and kept nowhere.  `Toy` stands in for a dictionary where the answer is to be
worked out by hand: what its points read is said by the test.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from netcheck.circuit.model import Circuit
from netcheck.diagnose.dictionary import Dictionary, DictionaryOptions, Foreseen, Point
from netcheck.diagnose.hypotheses import NONE_SHARE, CauseOf, Hypotheses, hypotheses_of
from netcheck.diagnose.meters import DIGITAL
from netcheck.diagnose.situations import IDLE, TUBES_OUT
from netcheck.diagnose.store import Store
from netcheck.faults import list_continuous
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
def hypotheses(dictionary: Dictionary) -> Hypotheses:
    reasons = dictionary.reasons((TUBES_OUT.key, IDLE.key))
    swept = list_continuous(dictionary.circuit, dictionary.roles)
    return hypotheses_of(dictionary.faults, reasons, swept)


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
        chosen = DictionaryOptions(**{"draws": 3, **options})  # type: ignore[arg-type]
        return Dictionary(circuit, chosen, _no_pool, store or Store(None), Quiet())

    return make


class SolverAskedError(Exception):
    """A page was to be solved."""


def _no_pool() -> Pool:
    raise SolverAskedError


class Toy:
    """A dictionary by hand: by point the units of each row, (rows, draws)."""

    def __init__(self, units: Mapping[Point, np.ndarray]) -> None:
        self.points = units
        draws = next(iter(units.values())).shape[1]
        self.options = SimpleNamespace(meter=DIGITAL)
        self.spread = SimpleNamespace(factors=np.ones((draws, 1)))

    def foresee(self, point: Point, shown: float) -> Foreseen:
        units = self.points[point]
        return Foreseen(units.mean(axis=1), units)

    def page(self, key: str) -> SimpleNamespace:
        def nominal_volts(first: str, second: str, load_ohm: float) -> np.ndarray:
            return self.points[Point("volts", first, second, key)].mean(axis=1)

        return SimpleNamespace(nominal_volts=nominal_volts)


def units_of(means: Sequence[float], sigma: float, shape: Sequence[float]) -> np.ndarray:
    """Return units about each mean: all rows spread alike, as `shape` has it, by `sigma`."""
    known = np.array(shape) - np.mean(shape)
    known = known / known.std(ddof=1) if known.any() else known
    return np.array(means)[:, None] + sigma * known


def toy_hypotheses(cause: Sequence[int], weight: Sequence[float] | None = None) -> Hypotheses:
    """Return hypotheses of as many rows as `cause` has, row 0 sound; causes equally likely."""
    count = max(cause) + 1
    share = (1.0 - NONE_SHARE) / count
    causes = tuple(CauseOf(f"cause {at}", (at,), share) for at in range(count))
    rows = np.arange(len(cause))
    known = np.ones(len(cause)) if weight is None else np.array(weight)
    return Hypotheses(
        causes, rows, rows, np.zeros(len(cause)), np.array(cause), known, (None,) * len(cause)
    )
