"""One worker with ngspice, which every rectifier here is held to."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from netcheck.solve.pool import Pool
from tests.solve.worker import Worker


@pytest.fixture(scope="session")
def worker() -> Iterator[Worker]:
    with Pool(1, time_limit_s=120.0) as pool:
        yield Worker(pool)
