"""The situations on the bench in which something is measured, and the units it is measured on.

Comes in: a circuit, its roles, which of its sources move with the mains, a mains band.  Goes
out: for each situation the circuit as it then is; the `Spread` from unit to unit, which bench
sheet and dictionary draw alike; what is read at the lifted grid end of a coupling capacitor,
where its leak and the meter divide what stands before it.

A situation is data: mains as a share of nominal, and which states its tubes may be in.  Tubes
that are out and tubes that are cold load nothing: both are tubes without emission.  On reduced
mains the heaters are not fully hot either; how much a tube then emits is not on any sheet, so
that such a situation has two states, cold and fully hot, and the truth lies between.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import (
    AddResistor,
    Change,
    ScaleEmission,
    SetGas,
    SetGridEmission,
    SetValue,
    apply_changes,
    drives_itself,
)
from netcheck.circuit.model import Circuit
from netcheck.faults import kind_of
from netcheck.faults.base import Fault
from netcheck.judge.toleranced import Variable
from netcheck.ratings.mains import MainsBand, find_band
from netcheck.roles.base import Roles
from netcheck.solve.deck import NEUTRAL_OHM
from netcheck.workbench.tolerance import draw_factors, variables_of

STEPS_OF_MAINS = (0.4, 0.6, 0.8)


@dataclass(frozen=True, slots=True)
class Situation:
    """One situation; `hot` are the states of the tubes that it may be in."""

    key: str
    mains: float = 1.0
    hot: tuple[bool, ...] = (True,)
    powered: bool = True
    tubes_in: bool = True

    def changes(self, circuit: Circuit, on_mains: Sequence[str], hot: bool) -> tuple[Change, ...]:
        """Return what the situation changes of the circuit."""
        sources = [
            SetValue(ref, (circuit[ref].value or 0.0) * self.mains)
            for ref in on_mains
            if self.mains != 1.0
        ]
        cold = [
            ScaleEmission(tube.ref, 0.0)
            for tube in circuit.tubes
            if tube.has_pin("grid") and not hot
        ]
        return (*sources, *cold)

    def circuit(self, circuit: Circuit, on_mains: Sequence[str], hot: bool) -> Circuit:
        """Return the circuit as it is in this situation."""
        return apply_changes(circuit, self.changes(circuit, on_mains, hot))

    def shows(self, fault: Fault) -> bool:
        """Say whether a fault is there at all in this situation."""
        if drives_itself(fault.changes):
            return False
        if not self.powered and kind_of(fault).powered_only:
            return False
        if self.powered and self.tubes_in:
            return True
        inside = kind_of(fault).body == "tube" or any(
            isinstance(change, ScaleEmission | SetGas | SetGridEmission) for change in fault.changes
        )
        return not inside


POWER_OFF = Situation("power_off", 0.0, (False,), powered=False, tubes_in=False)
TUBES_OUT = Situation("tubes_out", 1.0, (False,), tubes_in=False)
IDLE = Situation("idle")


def reduced(share: float) -> Situation:
    """Return the situation of mains at a share of nominal, from cold to hot."""
    return replace(IDLE, key=f"mains_{share * 100:.0f}", mains=share, hot=(False, True))


SITUATIONS = (POWER_OFF, TUBES_OUT, *(reduced(share) for share in STEPS_OF_MAINS), IDLE)
"""In the order in which a careful person measures."""


def situation_of(key: str) -> Situation:
    """Return the situation of a key."""
    return next(one for one in SITUATIONS if one.key == key)


USUAL_BAND = "230V"
"""Tells which sources move with the mains where these do not spread."""


@dataclass(frozen=True)
class Spread:
    """What spreads in all units, and how: factors is (draws, variables).

    on_mains: sources that move with the mains.  remarks: what was assumed.
    """

    variables: tuple[Variable, ...]
    factors: NDArray[np.float64]
    on_mains: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


def spread_of(
    circuit: Circuit, roles: Roles, band: MainsBand | None, draws: int, seed: int
) -> Spread:
    """Return what spreads; without a band the mains stay as they are."""
    every, remarks = variables_of(circuit, roles, band or find_band(USUAL_BAND))
    on_mains = next((one.parts for one in every if one.kind == "mains"), ())
    variables = tuple(one for one in every if band or one.kind != "mains")
    return Spread(variables, draw_factors(variables, draws, seed), on_mains, remarks)


Array = NDArray[np.float64]


def sides_of(circuit: Circuit, roles: Roles, ref: str) -> tuple[str, str]:
    """Return the net before a coupling capacitor, and the one it feeds."""
    feeds = next((role.feeds for role in roles.of_part(ref) if role.feeds), "")
    return circuit[ref].other_net(feeds), feeds


def leak_ohm(changes: Iterable[Change], sides: tuple[str, str]) -> float:
    """Return the least resistance that changes put across two nets."""
    across = [
        one.ohm
        for one in changes
        if isinstance(one, AddResistor) and {one.net_a, one.net_b} == set(sides)
    ]
    return min(across, default=NEUTRAL_OHM)


def shown_share(source_ohm: Array, leak: Array, load_ohm: float) -> Array:
    """Return the share of the volts before the capacitor that a meter shows."""
    return np.asarray(load_ohm / (load_ohm + leak + source_ohm))
