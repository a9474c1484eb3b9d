"""A pool of worker processes, each with its own ngspice.

Comes in: jobs as data.  Goes out: one answer a job, in order; a worker that
crashes, hangs or cannot start costs its job, not the run.  Workers start in an
empty private folder, load ngspice while the parent still reads the netlist, and
ignore Ctrl-C, which is the parent's to handle: after it every job that has not been
answered is lost with that reason, so that what was finished can still be shown.
A worker's memory is bounded by the system (`RLIMIT_AS`), its time by the parent.
"""

from __future__ import annotations

import contextlib
import math
import multiprocessing
import os
import shutil
import signal
import sys
import tempfile
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from pathlib import Path
from types import TracebackType
from typing import Any

from netcheck.errors import NetcheckError, SolverUnavailableError, UnanswerableError

JobFunction = Callable[..., Any]
PARENT_CHECK_S = 5.0
"""How often an idle worker looks whether its parent still lives."""
MEMORY_BYTES = 4_000_000_000
"""Address space of a worker; a healthy one takes about a quarter of it."""
RENEW_AFTER = 20_000
"""Cases after which a worker is renewed: ngspice keeps 0.2 to 0.4 kB of each (measured)."""
MOST_FAILED_STARTS = 5
"""So many workers in a row that end while they load mean a damaged library."""
INTERRUPTED = "interrupted before it was solved"
OUT_OF_BUDGET = "the budget"
"""How the reason of a job begins that there was no time for."""


@dataclass(frozen=True, slots=True)
class Job:
    """One call to make in a worker: function(engine, *arguments).

    function must be importable (a module-level function).
    """

    function: JobFunction
    arguments: tuple[Any, ...]
    weight: int = 1
    """How far progress moves when the job is done, and how often the time limit it has."""


@dataclass(frozen=True, slots=True)
class Budget:
    """How long a command may solve; words: as the user wrote it."""

    seconds: float
    words: str


@dataclass(frozen=True, slots=True)
class Shared:
    """Stands in a job's arguments for a value that every worker keeps."""

    name: str


@dataclass(frozen=True, slots=True)
class Lost:
    """A job whose worker did not answer; the reason in plain words."""

    reason: str


@dataclass
class _Worker:
    process: Any
    pipe: Connection
    job: int | None = None
    until: float = 0.0
    ready: bool = False
    cases: int = 0


def default_jobs() -> int:
    """Number of workers where the user names none: the usable processors."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return max(1, os.cpu_count() or 1)


class Pool:
    """Workers that keep their ngspice between runs."""

    def __init__(
        self,
        jobs: int | None = None,
        time_limit_s: float = 60.0,
        memory_bytes: int = MEMORY_BYTES,
        method: str | None = None,
        kept_decks: Path | None = None,
    ) -> None:
        """Start `jobs` workers, by the start method of `multiprocessing` named.

        kept_decks: a folder for the decks of what ngspice could not solve.
        """
        self.size = max(1, jobs or default_jobs())
        self.time_limit_s = time_limit_s
        self.memory_bytes = memory_bytes
        self.kept_decks = kept_decks and kept_decks.resolve()
        self.stopped = ""
        """Why nothing more is solved: Ctrl-C was pressed, or a budget is used up."""
        self._deadline = math.inf
        self._out_of_time = ""
        self._failed_starts = 0
        self.engine = ""
        self._shared: dict[str, Any] = {}
        usual = "fork" if sys.platform.startswith("linux") else "spawn"
        self._context: Any = multiprocessing.get_context(method or usual)
        self._folder = tempfile.mkdtemp(prefix="netcheck-")
        self._workers = [self._start() for _ in range(self.size)]

    def __enter__(self) -> Pool:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def interrupted(self) -> bool:
        """Say whether Ctrl-C was pressed."""
        return self.stopped == INTERRUPTED

    def heed_stop(self) -> None:
        """End what cannot do with a part of its answers; returns where all is well.

        Raises KeyboardInterrupt after Ctrl-C, UnanswerableError where a budget is used up.
        """
        if self.interrupted:
            raise KeyboardInterrupt
        if self.stopped:
            raise UnanswerableError(self.stopped, hint="a larger `--budget` allows more")

    def allow(self, budget: Budget | None) -> None:
        """Let what is run from now on take so long in all; None: as long as it takes."""
        self._deadline = math.inf
        if budget is not None:
            self._deadline = time.monotonic() + budget.seconds
            self._out_of_time = f"{OUT_OF_BUDGET} of {budget.words} was used up"
        if not self.interrupted:
            self.stopped = ""

    def close(self) -> None:
        """End all workers."""
        for worker in self._workers:
            worker.pipe.close()
            worker.process.terminate()
        for worker in self._workers:
            worker.process.join(1.0)
            if worker.process.is_alive():
                worker.process.kill()
        self._workers = []
        shutil.rmtree(self._folder, ignore_errors=True)

    def share(self, name: str, value: Any) -> Shared:
        """Give every worker a value once; jobs name it by what is returned."""
        self._shared[name] = value
        for worker in self._workers:
            _send(worker.pipe, (None, (name, value)))
        return Shared(name)

    def run(
        self, jobs: Sequence[Job], advance: Callable[[int], None] = lambda count: None
    ) -> list[Any]:
        """Run all jobs; a lost one is answered by `Lost`.

        Raises SolverUnavailableError where no worker can load ngspice, and the
        worker's own exception where a job fails with a bug of ours.  Ctrl-C and the end
        of the budget lose what is not answered yet, here and in every later call.
        """
        pending = Lost("")
        answers: list[Any] = [pending] * len(jobs)
        if not self.stopped:
            try:
                self._run(jobs, answers, advance)
            except KeyboardInterrupt:
                self.stopped = INTERRUPTED
        return [Lost(self.stopped) if one is pending else one for one in answers]

    def _run(self, jobs: Sequence[Job], answers: list[Any], advance: Callable[[int], None]) -> None:
        """Run all jobs and put each answer in its place as it comes."""
        waiting = deque(range(len(jobs)))
        open_jobs = len(jobs)
        while open_jobs:
            if time.monotonic() > self._deadline:
                self._stop()
                return
            for worker in list(self._workers):
                if worker.job is None and worker.cases >= RENEW_AFTER:
                    self._replace(worker)
                elif worker.job is None and worker.ready and waiting:
                    self._give(worker, waiting.popleft(), jobs)
            heard = [self._answer_of(worker) for worker in list(self._workers)]
            for number, value in filter(None, heard):
                answers[number] = value
                open_jobs -= 1
                advance(jobs[number].weight)
            hungry = any(worker.ready and worker.job is None for worker in self._workers)
            if open_jobs and not (hungry and waiting):
                self._wait()

    def _give(self, worker: _Worker, number: int, jobs: Sequence[Job]) -> None:
        worker.job = number
        worker.cases += jobs[number].weight
        worker.until = time.monotonic() + self.time_limit_s * max(1, jobs[number].weight)
        _send(worker.pipe, (jobs[number].function, jobs[number].arguments))

    def _stop(self) -> None:
        """Leave what is under way: the budget is used up."""
        self.stopped = self._out_of_time
        for worker in [one for one in self._workers if one.job is not None]:
            self._replace(worker)

    def _wait(self) -> None:
        pipes = [worker.pipe for worker in self._workers]
        wait([*pipes, *(worker.process.sentinel for worker in self._workers)], timeout=0.5)

    def _answer_of(self, worker: _Worker) -> tuple[int, Any] | None:
        """Return what a worker has to say: its answer, or that it is lost."""
        number = worker.job
        try:
            if worker.pipe.poll():
                kind, value = worker.pipe.recv()
                return self._heard(worker, kind, value)
        except (EOFError, OSError):
            pass
        else:
            overdue = time.monotonic() > worker.until
            if worker.process.is_alive() and not (number is not None and overdue):
                return None
        overdue = worker.process.is_alive()
        self._replace(worker)
        if number is None:
            return None
        if overdue:
            limit = f"no answer within {self.time_limit_s:g} s"
            return number, Lost(f"{limit}; `--limit time={2 * self.time_limit_s:g}s` allows more")
        return number, Lost("the solver crashed")

    def _heard(self, worker: _Worker, kind: str, value: Any) -> tuple[int, Any] | None:
        if kind == "ready":
            worker.ready = True
            self._failed_starts = 0
            self.engine = value
            return None
        if kind == "unavailable":
            message, hint = value
            raise SolverUnavailableError(message, hint=hint)
        number = worker.job
        worker.job = None
        if kind == "memory":
            self._replace(worker)
            megabytes = self.memory_bytes / 1e6
            limit = f"a worker ran out of its {megabytes:g} MB of memory"
            value = Lost(f"{limit}; `--limit memory={2 * megabytes:g}MB` allows more")
        elif kind == "bug":
            raise RuntimeError(f"in a worker:\n{value}")
        assert number is not None
        return number, value

    def _start(self) -> _Worker:
        ours, theirs = self._context.Pipe()
        arguments = (theirs, ours, self._folder, self.memory_bytes, self.kept_decks)
        process = self._context.Process(target=_work, args=arguments, daemon=True)
        with _may_have_children():
            process.start()
        theirs.close()
        for name, value in self._shared.items():
            _send(ours, (None, (name, value)))
        return _Worker(process, ours)

    def _replace(self, worker: _Worker) -> None:
        if not worker.ready and not worker.process.is_alive():
            self._failed_starts += 1
        if self._failed_starts >= MOST_FAILED_STARTS:
            raise SolverUnavailableError(
                "workers end while they are loading ngspice",
                hint="the ngspice library may be damaged; reinstall it",
            )
        worker.process.kill()
        worker.process.join()
        worker.pipe.close()
        self._workers[self._workers.index(worker)] = self._start()


@contextlib.contextmanager
def _may_have_children() -> Iterator[None]:
    """Let a daemonic process, such as a cluster's worker, start workers of ours.

    The standard library forbids it, since children of such a process could outlive it;
    ours end when their pipe does.
    """
    settings: dict[str, Any] = getattr(multiprocessing.current_process(), "_config", {})
    daemon = settings.pop("daemon", None)
    try:
        yield
    finally:
        if daemon is not None:
            settings["daemon"] = daemon


def _send(pipe: Connection, message: tuple[Any, Any]) -> None:
    """Send to a worker; one that has ended is found out when its answer is looked for."""
    with contextlib.suppress(BrokenPipeError, ConnectionResetError):
        pipe.send(message)


def _work(
    pipe: Connection,
    parents_end: Connection,
    folder: str,
    memory_bytes: int,
    kept_decks: Path | None,
) -> None:
    """Load ngspice in a folder of its own, then answer jobs until the parent hangs up."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parents_end.close()
    _silence()
    _bound_memory(memory_bytes)
    from netcheck.solve.ngspice import Engine  # here: only workers need numpy and PySpice early

    try:
        engine = Engine(folder, kept_decks)
    except NetcheckError as error:
        pipe.send(("unavailable", (error.message, error.hint)))
        return
    pipe.send(("ready", f"ngspice {engine.version}"))
    parent = os.getppid()
    kept: dict[str, Any] = {}
    while True:
        try:
            while not pipe.poll(PARENT_CHECK_S):
                if os.getppid() != parent:
                    return
            function, arguments = pipe.recv()
        except (EOFError, OSError):
            return
        if function is None:
            name, value = arguments
            kept[name] = value
            continue
        try:
            known = [kept[each.name] if isinstance(each, Shared) else each for each in arguments]
            answer = ("done", function(engine, *known))
        except MemoryError:
            answer = ("memory", None)
        except Exception:
            import traceback

            answer = ("bug", traceback.format_exc())
        pipe.send(answer)


def _bound_memory(most_bytes: int) -> None:
    """Let the system refuse this process more memory than its share."""
    try:
        import resource
    except ImportError:  # not on this system: the limits on the netlist still hold
        return
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    most = most_bytes if hard == resource.RLIM_INFINITY else min(most_bytes, hard)
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (most, hard))


def _silence() -> None:
    """Send what the C library prints on its own to nowhere."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
