"""What a meter reads where its load changes the circuit: solved with the meter connected.

Comes in: a point, the meter's ohms there, and the faults for which the source behind the
point is not small against them.  Goes out: the volts by fault.  Elsewhere the linear source
resistance of the page does; behind an open part a tube stands in the way, and no line
through one point tells what it does under a load.
"""

from __future__ import annotations

from collections.abc import Sequence

from netcheck.circuit.changes import AddResistor, Change
from netcheck.circuit.model import GROUND, Circuit
from netcheck.solve.pool import Pool
from netcheck.solve.results import Solved
from netcheck.workbench.sweep import IdleTask, idle_outcomes

LOADED_SHARE = 0.02
"""A source of more than this share of the meter's ohms is solved with the meter."""


def loaded_volts(
    pool: Pool,
    circuit: Circuit,
    ends: tuple[str, str],
    load_ohm: float,
    variants: Sequence[tuple[Change, ...]],
) -> list[float | None]:
    """Return nominal volts from the first net to the second, with a resistor between them."""
    meter = AddResistor("the meter", *ends, load_ohm)
    task = IdleTask(pool.share("metered", circuit), "metered", (), None)
    outcomes = idle_outcomes(pool, task, [(*changes, meter) for changes in variants])
    return [_between(one, ends) if isinstance(one, Solved) else None for one in outcomes]


def _between(state: Solved, ends: tuple[str, str]) -> float:
    first, second = (0.0 if net == GROUND else state.nets[net] for net in ends)
    return first - second
