"""The audit: everything a writer needs, frozen, in SI units.

The pipeline builds one `Audit`; writers turn it into text, JSON and the rest and
look nowhere else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from netcheck.circuit.model import Circuit
from netcheck.findings import Finding
from netcheck.judge.base import LimitTable, Load
from netcheck.judge.duty import CONTINUOUS
from netcheck.judge.fed_back import Runaway
from netcheck.judge.paired import Pairs
from netcheck.judge.toleranced import Toleranced
from netcheck.judge.walked import Walk
from netcheck.rank import FaultResult, PartWorst, View
from netcheck.roles.base import Roles
from netcheck.solve.results import Outcome
from netcheck.tipping import TippingPoint

SCHEMA_VERSION = "1.0"
SHOW_ALL = View()


@dataclass(frozen=True, slots=True)
class Undriven:
    """Why the healthy circuit was not driven; asked: whether that was wanted at all."""

    reason: str
    asked: bool = True


NOT_ASKED = Undriven("not asked for", asked=False)


NO_LIMITS = LimitTable(())


@dataclass(frozen=True, slots=True)
class Audit:
    """One audited netlist.

    file: the netlist's name as the user gave it, never an absolute path.
    faults: in ranked order.  worst_of_part: part to its worst fault.
    healthy_stresses: every judged quantity of the healthy circuit.
    """

    file: str
    circuit: Circuit
    roles: Roles
    healthy: Mapping[str, Outcome]
    healthy_stresses: tuple[Load, ...]
    worst_drive: tuple[Load, ...]
    faults: tuple[FaultResult, ...]
    worst_of_part: Mapping[str, PartWorst]
    tipping_points: tuple[TippingPoint, ...]
    findings: tuple[Finding, ...]
    assumptions: tuple[str, ...]
    not_judged: tuple[str, ...]
    """Parts without any limit on file, with the reason."""
    frequency_hz: float
    meter_ohm: float
    """Load of the meter; 0 for one that does not load."""
    engine: str
    """Name and version of the solving engine."""
    duty: float = CONTINUOUS
    """Share of the time at full signal, for heat under drive."""
    tolerance: Toleranced | None = None
    """The healthy circuit over mains, parts and tubes, where that was asked for."""
    view: View = SHOW_ALL
    """Order and choice of the faults that are shown; `faults` holds all of them."""
    runaways: tuple[Runaway, ...] = ()
    """Grid current that feeds back, one entry for each output tube."""
    pairs: Pairs | None = None
    """Two faults at once, where that was asked for."""
    walks: tuple[Walk, ...] = ()
    """Continuous faults in steps, where that was asked for."""
    undriven: Undriven | None = None
    """None where the circuit was driven."""
    table: LimitTable = NO_LIMITS
    """The limits of the healthy circuit."""
    idle_loads: tuple[Load, ...] = ()
    """What the healthy circuit bears at idle as drawn, whatever the tolerances."""
