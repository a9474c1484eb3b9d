"""One worker with ngspice for all tests of the solver."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache

import pytest

from netcheck.solve.pool import Pool
from tests.solve.worker import Demo, Worker


@pytest.fixture(scope="session")
def worker() -> Iterator[Worker]:
    with Pool(1, time_limit_s=120.0) as pool:
        yield Worker(pool)


@pytest.fixture(scope="session")
def demo(worker: Worker) -> Callable[[str], Demo]:
    """Return a demo circuit by its name; what is found out about it is kept."""
    return cache(lambda name: Demo(name, worker))
