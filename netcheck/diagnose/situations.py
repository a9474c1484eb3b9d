"""The situations on the bench in which something is measured.

Comes in: a circuit and which of its sources move with the mains.  Goes out: for each
situation the circuit as it then is.  A situation is data: mains as a share of
nominal, and which states its tubes may be in.  Tubes that are out and tubes that are
cold load nothing: both are tubes without emission.  On reduced mains the heaters are
not fully hot either; how much a tube then emits is not on any sheet, so that such a
situation has two states, cold and fully hot, and the truth lies between.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from netcheck.circuit.changes import (
    Change,
    ScaleEmission,
    SetGas,
    SetGridEmission,
    SetValue,
    apply_changes,
    drives_itself,
)
from netcheck.circuit.model import Circuit
from netcheck.faults.base import Fault

STEPS_OF_MAINS = (0.4, 0.6, 0.8)

IN_THE_TUBE = frozenset(
    {
        "cathode_interface",
        "grid_emission",
        "heater_cathode",
        "oscillation",
        "tube_contact",
        "tube_emission",
        "tube_gas",
        "tube_leak",
        "tube_mismatch",
        "wrong_tube",
    }
)
"""Families of faults that leave with the tube."""


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
        if not self.powered and fault.family == "mains":
            return False
        if self.powered and self.tubes_in:
            return True
        inside = fault.family in IN_THE_TUBE or any(
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
