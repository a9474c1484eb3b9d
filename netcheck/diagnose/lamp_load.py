"""What an amplifier takes from the mains, and where a series lamp lets it settle.

Comes in: the circuit, its sources on the mains, the lamp.  Goes out: the settled
points with cold and with hot tubes, and what was taken for granted.  The netlist has
the supply as DC sources, so the transformer is not in it: what they deliver, solved
at several shares of the mains, over an efficiency, and the heaters from the tubes'
data, whose filaments follow the same law as the lamp's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from netcheck.circuit.changes import Change
from netcheck.circuit.model import Circuit
from netcheck.diagnose.bench import SolvedBench
from netcheck.diagnose.lamp import EXPONENT, LAMP_SOURCE, Lamp, Settled, settle
from netcheck.diagnose.situations import Situation
from netcheck.solve.results import Outcome, Solved

EFFICIENCY = 0.85
"""Of transformer and rectifier together: common practice."""
SHARES = (0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)


@dataclass(frozen=True, slots=True)
class LampPoints:
    """Where lamp and amplifier settle with tubes cold, and with tubes hot."""

    cold: Settled
    hot: Settled
    full_w: float
    remarks: tuple[str, ...]


def lamp_points(
    bench: SolvedBench, on_mains: Sequence[str], lamp: Lamp, mains_v: float
) -> LampPoints | None:
    """Return the settled points; None where the supply was not solved."""
    circuit = bench.circuit
    heater_w, unknown = heater_watts(circuit)
    curves = {}
    for hot in (False, True):
        variants = [_variant(circuit, on_mains, share, hot) for share in SHARES]
        watts = [_supplied_w(one, on_mains) for one in bench.solve(variants)]
        if any(one is None for one in watts):
            return None
        curves[hot] = np.array([one or 0.0 for one in watts])

    def taken(hot: bool, share: float) -> float:
        supply = float(np.interp(share, SHARES, curves[hot]))
        return float((supply + heater_w * share ** (1.0 + EXPONENT)) / EFFICIENCY)

    settled = {hot: settle(lamp, mains_v, partial(taken, hot)) for hot in curves}
    remarks = [
        f"lamp: {LAMP_SOURCE}",
        f"heaters {heater_w:.0f} W from the tubes' data; transformer and rectifier pass "
        f"{EFFICIENCY:.0%} (common practice); their windings are not in the netlist",
    ]
    if unknown:
        remarks.append(f"heaters of {', '.join(unknown)} are not on file: left out")
    return LampPoints(settled[False], settled[True], taken(True, 1.0), tuple(remarks))


def heater_watts(circuit: Circuit) -> tuple[float, tuple[str, ...]]:
    """Return the watts of all heaters, each bulb once, and the tubes without figures."""
    watts = 0.0
    unknown: list[str] = []
    for bulb in circuit.bulbs:
        heaters = [tube.tube.heater for tube in bulb if tube.tube and tube.tube.heater]
        if heaters:
            watts += heaters[0].voltage_v * heaters[0].current_a
        unknown += [tube.ref for tube in bulb if tube.tube is None or tube.tube.heater is None]
    return watts, tuple(unknown)


def _variant(
    circuit: Circuit, on_mains: Sequence[str], share: float, hot: bool
) -> tuple[Change, ...]:
    return Situation("lamp", share).changes(circuit, on_mains, hot)


def _supplied_w(outcome: Outcome, on_mains: Sequence[str]) -> float | None:
    if not isinstance(outcome, Solved):
        return None
    return max(0.0, -sum(outcome.parts[ref].power_w for ref in on_mains))
