"""One worker with ngspice for the rows that are solved as circuits."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from netcheck.solve.pool import Pool
from tests.reference.stages import Stages
from tests.solve.worker import Worker


@pytest.fixture(scope="session")
def worker() -> Iterator[Worker]:
    with Pool(1, time_limit_s=60.0) as pool:
        yield Worker(pool)


@pytest.fixture(scope="session")
def solved_stages(worker: Worker) -> Stages:
    """Solve stages, each once for all tests."""
    return Stages(worker)
