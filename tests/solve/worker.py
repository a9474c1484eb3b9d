"""What the solver's tests share: circuits from text, and ngspice in a worker.

ngspice moves its process into an empty folder and can be loaded once in a process,
so the tests never load it themselves: `Worker` sends every call to one worker of
the pool.  `Demo` keeps what is known of a demo circuit, so that it is found once.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from functools import cached_property
from pathlib import Path
from typing import Any

from netcheck.circuit.build import build_circuit
from netcheck.circuit.changes import Change
from netcheck.circuit.model import Circuit
from netcheck.faults import list_faults
from netcheck.faults.base import Fault
from netcheck.netlist import read_netlist_text
from netcheck.pipeline import load_circuit
from netcheck.roles import recognise
from netcheck.roles.base import Roles
from netcheck.solve.deck import write_deck
from netcheck.solve.driven import (
    DrivenAnswer,
    DrivenRequest,
    DriveSearch,
    search_full_drive,
    solve_driven,
)
from netcheck.solve.idle import IdleRequest, IdleSweep, solve_sweep
from netcheck.solve.ngspice import Array, Engine
from netcheck.solve.pool import Job, Lost, Pool
from netcheck.solve.results import Drive, Hookup, Outcome, Solved
from netcheck.tubes.library import load_library
from netcheck.workbench.faulted import needs_drive
from netcheck.workbench.hookup import hookup_of

CIRCUITS = Path(__file__).parents[2] / "circuits"
DEMOS = tuple(sorted(path.stem for path in CIRCUITS.glob("*.cir")))
OUTPUT_DEMOS = tuple(name for name in DEMOS if "preamp" not in name)
FREQUENCY_HZ = 1000.0


def circuit_of(*lines: str) -> Circuit:
    """Read and build a circuit from bare cards."""
    text = "\n".join(("Circuit of a test", *lines, ".end", ""))
    library = load_library()
    return build_circuit(read_netlist_text(text, "t.cir", None, is_tube=library.is_tube), library)


class Worker:
    """One worker process with ngspice; its answers are what the solver returns."""

    def __init__(self, pool: Pool) -> None:
        self.pool = pool

    def call(self, function: Callable[..., Any], *arguments: Any) -> Any:
        """Call `function(engine, *arguments)` in the worker."""
        answer = self.pool.run([Job(function, arguments)])[0]
        assert not isinstance(answer, Lost), answer
        return answer

    def sweep(self, circuit: Circuit, *variants: tuple[Change, ...]) -> list[Outcome]:
        """Solve operating points of one circuit with each of the changes."""
        requests = tuple(IdleRequest(changes) for changes in variants)
        answer: list[Outcome] = self.call(solve_sweep, IdleSweep(circuit, requests))
        return answer

    def idle(self, circuit: Circuit, *changes: Change) -> Solved:
        """Solve one operating point, which has to exist."""
        return solved(self.sweep(circuit, changes)[0])

    def driven(
        self, circuit: Circuit, hookup: Hookup, request: DrivenRequest, hz: float = FREQUENCY_HZ
    ) -> DrivenAnswer:
        """Solve the levels of one request."""
        answer: DrivenAnswer = self.call(solve_driven, circuit, hookup, hz, request)
        return answer

    def at_level(
        self, circuit: Circuit, hookup: Hookup, level_v: float, hz: float = FREQUENCY_HZ
    ) -> Solved:
        """Solve one level from scratch, which has to settle."""
        answer = self.driven(circuit, hookup, DrivenRequest({"drive": level_v}), hz)
        return solved(answer.outcomes["drive"])


def solved(outcome: Outcome) -> Solved:
    """Return an outcome that must be a solved one."""
    assert isinstance(outcome, Solved), outcome
    return outcome


def point_of(engine: Engine, circuit: Circuit) -> tuple[list[str], list[float]]:
    """Return the names and values of all vectors of an operating point (in a worker)."""
    deck = write_deck(circuit)
    engine.load(deck.lines)
    return deck.vectors, list(engine.operating_point(deck.vectors))


def long_run(
    engine: Engine, circuit: Circuit, hookup: Hookup, drive: Drive, stop_s: float, step_s: float
) -> tuple[Array, Array]:
    """Run the deck of a driven run from its operating point (in a worker)."""
    deck = write_deck(circuit, hookup=hookup, drive=drive)
    engine.load(deck.lines)
    return engine.transient(step_s, stop_s, deck.vectors, given_start=False)


def die(engine: Engine) -> None:
    """Crash (in a worker)."""
    os.kill(os.getpid(), signal.SIGKILL)


class Demo:
    """A demo circuit, what was recognised in it, and how it answers."""

    def __init__(self, name: str, worker: Worker) -> None:
        self.name = name
        self.worker = worker
        self.circuit = load_circuit(CIRCUITS / f"{name}.cir")

    @cached_property
    def roles(self) -> Roles:
        """What was recognised."""
        return recognise(self.circuit)

    @cached_property
    def faults(self) -> tuple[Fault, ...]:
        """All faults that have an operating point."""
        listed = list_faults(self.circuit, self.roles)
        return tuple(fault for fault in listed if not needs_drive(fault))

    @cached_property
    def hookup(self) -> Hookup:
        """How it is driven."""
        return hookup_of(self.circuit, self.roles)[0]

    @cached_property
    def idle(self) -> Solved:
        """The healthy operating point."""
        return self.worker.idle(self.circuit)

    @cached_property
    def search(self) -> DriveSearch:
        """Full drive of the healthy circuit."""
        found: DriveSearch = self.worker.call(
            search_full_drive, self.circuit, self.hookup, FREQUENCY_HZ, self.idle
        )
        assert found.full_v is not None, found.reason
        return found

    @property
    def full_v(self) -> float:
        """Peak input of full drive."""
        assert self.search.full_v is not None
        return self.search.full_v

    def fault(self, fault_id: str) -> Fault:
        """Return the fault of an id."""
        return next(fault for fault in self.faults if fault.id == fault_id)

    def drive(self, level_v: float, fault_id: str = "") -> Solved:
        """Drive the circuit, healthy or with a fault, from the nearest known state."""
        starts = self.search.starts
        nearest = min(starts, key=lambda known: abs(known - level_v))
        request = DrivenRequest(
            {"drive": level_v},
            self.fault(fault_id).changes if fault_id else (),
            {"drive": starts[nearest]},
            self.idle,
        )
        return solved(self.worker.driven(self.circuit, self.hookup, request).outcomes["drive"])
