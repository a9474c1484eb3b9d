"""Netlists audited side by side, on the processors of this machine or of a cluster.

Comes in: netlists, what to do with each as a value that can travel (`FileTask`), and
any executor of `concurrent.futures`.  Goes out: what was decided of each, in the order
of the netlists; only a few are under way at a time, so that memory stays flat however
many there are.  Each process keeps one solver for all the netlists it is given.
"""

from __future__ import annotations

import atexit
import datetime as dt
import multiprocessing
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from netcheck.errors import NetcheckError
from netcheck.gate.decide import Decided
from netcheck.gate.policy import FoundPolicy
from netcheck.gate.run import Netlist, decide_one
from netcheck.models.audit import Audit
from netcheck.pipeline import audit_circuit, load_circuit
from netcheck.report.progress import SilentProgress
from netcheck.solve.pool import Pool
from netcheck.workbench.settings import Settings

PATIENCE_S = 10.0
"""How long a scheduler may take to answer."""
AHEAD = 2
"""Netlists handed out for each worker, so that none waits for the next."""


@dataclass(frozen=True)
class FileTask:
    """What is done with each netlist: audit it, and hold it against the policy.

    folder: where the user stands; names in the report are relative to it.  On a
    cluster every worker must see the same files there.
    """

    options: Settings
    found: FoundPolicy
    today: dt.date
    folder: Path

    def __call__(self, netlist: Netlist) -> Decided:
        """Audit one netlist with the solver that this process keeps."""
        if Path.cwd() != self.folder:
            os.chdir(self.folder)
        return decide_one(netlist, self.found, self.audit, self.today)

    def audit(self, path: Path) -> Audit:
        """Audit one netlist."""
        circuit = load_circuit(path, self.options.tubes, self.options.read_limits)
        return audit_circuit(
            circuit, path.as_posix(), self.options, _pool(self.options), SilentProgress()
        )


_kept = threading.local()


def _pool(options: Settings) -> Pool:
    """Return this thread's own pool of one worker, started at its first netlist."""
    wanted = (options.time_limit_s, options.memory_bytes, options.kept_decks)
    if getattr(_kept, "wanted", None) != wanted:
        if hasattr(_kept, "pool"):
            _kept.pool.close()
        alone = threading.current_thread() is threading.main_thread()
        limits, method = wanted[:2], None if alone else "spawn"
        pool = Pool(1, *limits, method=method, kept_decks=options.kept_decks)
        atexit.register(pool.close)
        _kept.pool, _kept.wanted = pool, wanted
    pool = _kept.pool
    assert isinstance(pool, Pool)
    return pool


def local_executor(jobs: int) -> ProcessPoolExecutor:
    """Return an executor of this machine's processors."""
    method = "fork" if sys.platform.startswith("linux") else "spawn"
    context = multiprocessing.get_context(method)
    return ProcessPoolExecutor(jobs, mp_context=context, initializer=_leave_interrupts)


def _leave_interrupts() -> None:
    """Leave Ctrl-C to the parent, which waits for what is under way."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def cluster_executor(address: str) -> tuple[Executor, int, Callable[[], None]]:
    """Return the executor of a running Dask cluster, its workers, and how to let it go."""
    try:
        import distributed
    except ImportError:
        raise NetcheckError(
            "--cluster needs the package `distributed`",
            hint="pip install 'netcheck-tubeamp[cluster]'",
        ) from None
    connect: Callable[..., Any] = distributed.Client
    try:
        client = connect(address, timeout=PATIENCE_S)
    except (OSError, ValueError) as error:
        raise NetcheckError(
            f"--cluster: no scheduler answers at {address}",
            hint="start one with `dask scheduler`, and give its address: tcp://host:8786",
        ) from error
    threads = sum(client.nthreads().values())
    if not threads:
        client.close()
        raise NetcheckError(
            f"--cluster: the scheduler at {address} has no workers",
            hint="start some with `dask worker ADDRESS`",
        )
    return client.get_executor(pure=False), threads, client.close


def decide_all(
    task: FileTask, netlists: Sequence[Netlist], executor: Executor, workers: int
) -> Iterator[Decided]:
    """Yield what was decided of each netlist, in their order."""
    waiting = deque(netlists)
    running: deque[Future[Decided]] = deque()
    try:
        while waiting or running:
            while waiting and len(running) < AHEAD * workers:
                running.append(executor.submit(task, waiting.popleft()))
            yield running.popleft().result()
    finally:
        for future in running:
            future.cancel()
