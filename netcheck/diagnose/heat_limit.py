"""Where to stop: the readings at which an output tube's plate reaches its limit.

Comes in: the circuit hot and with its tubes out, and the limits that hold at idle.
Goes out: for each output tube the state in which a current into its grid circuit
(a leak's, gas's) has brought its plate to the limit, the same current with the
tubes out, and that current.  The current is searched on a log grid; between two
points of it the ratio is interpolated and the state solved anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from netcheck.circuit.changes import AddCurrentSource
from netcheck.circuit.model import GROUND, Circuit
from netcheck.diagnose.bench import SolvedBench
from netcheck.judge.base import LimitTable, PartLimit
from netcheck.solve.results import Outcome, Solved

LEAST_A, MOST_A, POINTS = 1e-8, 1e-2, 49


@dataclass(frozen=True, slots=True)
class HeatLimit:
    """One tube at its plate limit; `hot` and `out` with `ampere` into its grid circuit."""

    tube: str
    limit_w: float
    ampere: float
    hot: Solved
    out: Solved


def plate_limits(table: LimitTable) -> dict[str, PartLimit]:
    """Return each tube's plate limit at idle, the lowest where there are several."""
    found: dict[str, PartLimit] = {}
    for limit in table.limits:
        if limit.quantity != "plate_dissipation_w" or not limit.applies_in("idle"):
            continue
        known = found.get(limit.part)
        if known is None or limit.compared_limit < known.compared_limit:
            found[limit.part] = limit
    return found


def heat_limits(
    hot: SolvedBench, out: SolvedBench, tubes: Sequence[str], limits: dict[str, PartLimit]
) -> dict[str, HeatLimit]:
    """Return the tubes that a grid current brings to their limit, with that state."""
    found = {}
    for ref in tubes:
        if ref in limits:
            one = _heat_limit(hot, out, ref, limits[ref].compared_limit)
            if one is not None:
                found[ref] = one
    return found


def _heat_limit(hot: SolvedBench, out: SolvedBench, ref: str, limit_w: float) -> HeatLimit | None:
    levels = np.geomspace(LEAST_A, MOST_A, POINTS)
    outcomes = hot.solve([(_into(hot.circuit, ref, float(level)),) for level in levels])
    ratios = np.array([_ratio(one, ref, limit_w) for one in outcomes])
    over = np.flatnonzero(ratios >= 1.0)
    if not len(over) or over[0] == 0:
        return None
    at = int(over[0])
    if not np.isfinite(ratios[at - 1]):
        return None
    step = (1.0 - ratios[at - 1]) / (ratios[at] - ratios[at - 1])
    level = float(levels[at - 1] + step * (levels[at] - levels[at - 1]))
    pushed = (_into(hot.circuit, ref, level),)
    states = (*hot.solve([pushed]), *out.solve([pushed]))
    if not all(isinstance(one, Solved) for one in states):
        return None
    first, second = (one for one in states if isinstance(one, Solved))
    return HeatLimit(ref, limit_w, level, first, second)


def _ratio(outcome: Outcome, ref: str, limit_w: float) -> float:
    if not isinstance(outcome, Solved):
        return float("nan")
    return outcome.tubes[ref].plate_dissipation_w / limit_w


def _into(circuit: Circuit, ref: str, ampere: float) -> AddCurrentSource:
    return AddCurrentSource(f"into {ref}", GROUND, circuit[ref].net("grid"), ampere)
