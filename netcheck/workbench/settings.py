"""What every command may be asked for, and how a long step tells of its progress."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Protocol

from netcheck.circuit.model import Circuit
from netcheck.faults.base import BuildState
from netcheck.judge.duty import CONTINUOUS
from netcheck.netlist.lines import DEFAULT_LIMITS, ReadLimits
from netcheck.rank import View
from netcheck.solve.pool import MEMORY_BYTES, Budget, Pool, Shared

SHOW_ALL = View()
MOST_FAULTS = 5000
"""Faults tried in one audit; the largest amplifier so far has some 600."""


@dataclass(frozen=True, slots=True)
class ToleranceOptions:
    """How units are drawn; `mains` names a band, and is empty where the mains stay nominal."""

    draws: int = 2000
    seed: int = 1
    mains: str = "230V"


@dataclass(frozen=True, slots=True)
class Settings:
    """What reaches the solver and the judge; `jobs` None means as many as there are processors.

    time_limit_s, memory_bytes: of one worker, for one case.  tubes: a folder of the
    user's own tube types.  build, age_years: of what stands on the bench, which says
    how likely each fault is.  duty: share of the time at full signal, which says what heat under
    drive is compared with limits; 1 is a continuous sine.
    """

    idle_only: bool = False
    jobs: int | None = None
    meter_ohm: float | None = 10e6
    frequency_hz: float = 1000.0
    duty: float = CONTINUOUS
    time_limit_s: float = 60.0
    tubes: Path | None = None
    read_limits: ReadLimits = DEFAULT_LIMITS
    most_faults: int = MOST_FAULTS
    memory_bytes: int = MEMORY_BYTES
    tolerance: ToleranceOptions | None = None
    view: View = SHOW_ALL
    pairs: bool = False
    build: BuildState = "unknown"
    age_years: float | None = None
    kept_decks: Path | None = None
    """A folder for the decks of what ngspice could not solve."""
    budget: Budget | None = None
    """How long the solving of one netlist may take; what is not solved by then says so."""
    walks: int = 0
    """Continuous faults to walk in steps from nearly healthy, for a reader with a slider."""


def pool_of(options: Settings) -> Pool:
    """Return workers as the options ask for them; the caller closes them."""
    return Pool(
        options.jobs,
        options.time_limit_s,
        options.memory_bytes,
        kept_decks=options.kept_decks,
    )


class Step(StrEnum):
    """Every long step, as it is called beside the bar while it runs."""

    AT_REST = "faults at idle and from cold"
    TIPPING = "how small a defect is enough"
    TIPPING_DRIVEN = "how small with a signal"
    FEEDBACK = "grid current that heats its tube"
    RESTLESS = "faults that keep swinging"
    HEALTHY = "healthy circuit with a signal"
    DRIVEN = "faults with a signal"
    BASS = "faults with a signal in the bass"
    WALKS = "faults in small steps"
    UNITS = "units within tolerance"
    CORNERS = "worst such units with a signal"
    PAIRS = "two faults at once"
    SIZES = "sizes of the fault at idle"
    AT_BENCH = "steps at the bench"
    DIAGNOSIS = "what each fault would read"
    NETLISTS = "netlists"


class Progress(Protocol):
    """Told how far a long step is."""

    def start(self, label: str, total: int) -> None:
        """Begin a step of `total` units."""

    def advance(self, count: int = 1) -> None:
        """Note that `count` units are done."""

    def finish(self) -> None:
        """End the step."""


class Circuitry(Protocol):
    """The circuit on the pool."""

    circuit: Circuit
    options: Settings
    pool: Pool
    shared: Mapping[str, Shared]
