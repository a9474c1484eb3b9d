"""Faults: what can go wrong in a circuit, as a list in stable order.

Comes in: a circuit and its roles.  Goes out: `list_faults`, every fault of a stated
size, and `list_continuous`, the faults that can be swept for their tipping point.
`FAULT_KINDS` is the register; a new kind is one module and one line here.
"""

from __future__ import annotations

from collections.abc import Iterable

from netcheck.circuit.model import Circuit, natural_key
from netcheck.faults.base import ContinuousFault, Fault, FaultKind
from netcheck.faults.bias_supply import BIAS_SUPPLY
from netcheck.faults.cathode_bypass import CATHODE_BYPASS
from netcheck.faults.cathode_resistor import CATHODE_RESISTOR
from netcheck.faults.coupling_capacitor import COUPLING_CAPACITOR
from netcheck.faults.grid_leak import GRID_LEAK
from netcheck.faults.output_transformer import OUTPUT_TRANSFORMER
from netcheck.roles.base import Roles

__all__ = ["FAULT_KINDS", "list_continuous", "list_faults"]

FAULT_KINDS: tuple[FaultKind, ...] = (
    COUPLING_CAPACITOR,
    OUTPUT_TRANSFORMER,
    CATHODE_RESISTOR,
    CATHODE_BYPASS,
    BIAS_SUPPLY,
    GRID_LEAK,
)


def list_faults(circuit: Circuit, roles: Roles) -> tuple[Fault, ...]:
    """Return every fault of a stated size, by part, kind and size.

    Two kinds may find the same change of the same part (a grid leak that is a cathode
    resistor too): it is listed once.  Two different faults under one id are a mistake
    of ours and raise ValueError.
    """
    table: dict[str, Fault] = {}
    for kind in FAULT_KINDS:
        for fault in kind.find(circuit, roles):
            known = table.setdefault(fault.id, fault)
            if known.changes != fault.changes:
                raise ValueError(f"two faults share the id {fault.id}")
    return tuple(sorted(table.values(), key=_fault_order))


def list_continuous(circuit: Circuit, roles: Roles) -> tuple[ContinuousFault, ...]:
    """Return every fault that can be swept, by part and kind; ids are unique."""
    return _unique(fault for kind in FAULT_KINDS for fault in kind.continuous(circuit, roles))


def _unique(faults: Iterable[ContinuousFault]) -> tuple[ContinuousFault, ...]:
    table: dict[str, ContinuousFault] = {}
    for fault in faults:
        table.setdefault(fault.id, fault)
    return tuple(sorted(table.values(), key=lambda fault: natural_key(fault.id)))


def _fault_order(fault: Fault) -> tuple[object, ...]:
    """Order by part, then kind, then size as a number (20 Mohm after 2 Mohm)."""
    size = fault.defect.value if fault.defect else 0.0
    return natural_key("+".join(fault.parts)), fault.kind, size, fault.id
