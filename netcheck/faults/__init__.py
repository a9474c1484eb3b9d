"""Faults: what can go wrong in a circuit, as a list in stable order.

Comes in: a circuit and its roles, and what is known of its age and build.  Goes out:
`list_faults`, every fault of a stated size, and `list_continuous`, the faults that can
be swept for their tipping point.
`FAULT_KINDS` is the register; a new kind is one module and one line here.
"""

from __future__ import annotations

from collections.abc import Iterable

from netcheck.circuit.model import Circuit, natural_key
from netcheck.faults.back_bias import BACK_BIAS
from netcheck.faults.base import BuildState, ContinuousFault, Fault, FaultKind
from netcheck.faults.bias_filter import BIAS_FILTER
from netcheck.faults.bias_network import BIAS_NETWORK
from netcheck.faults.bias_supply import BIAS_SUPPLY
from netcheck.faults.bleeder import BLEEDER
from netcheck.faults.build_state import BUILD_STATES, in_state
from netcheck.faults.cathode_bypass import CATHODE_BYPASS
from netcheck.faults.cathode_interface import CATHODE_INTERFACE
from netcheck.faults.cathode_load import CATHODE_LOAD
from netcheck.faults.cathode_resistor import CATHODE_RESISTOR
from netcheck.faults.core_leak import CORE_LEAK
from netcheck.faults.coupling_capacitor import COUPLING_CAPACITOR
from netcheck.faults.feedback_resistor import FEEDBACK_RESISTOR
from netcheck.faults.grid_capacitor import GRID_CAPACITOR
from netcheck.faults.grid_emission import GRID_EMISSION
from netcheck.faults.grid_leak import GRID_LEAK
from netcheck.faults.grid_stopper import GRID_STOPPER
from netcheck.faults.heater_cathode import HEATER_CATHODE
from netcheck.faults.inverter_drive import INVERTER_DRIVE
from netcheck.faults.mains import MAINS
from netcheck.faults.oscillation import OSCILLATION
from netcheck.faults.output_capacitor import OUTPUT_CAPACITOR
from netcheck.faults.output_transformer import OUTPUT_TRANSFORMER
from netcheck.faults.plate_load import PLATE_LOAD
from netcheck.faults.pot_wiper import POT_WIPER
from netcheck.faults.primary_open import PRIMARY_OPEN
from netcheck.faults.primary_snubber import PRIMARY_SNUBBER
from netcheck.faults.rail_choke import RAIL_CHOKE
from netcheck.faults.rail_dropper import RAIL_DROPPER
from netcheck.faults.rectifier import RECTIFIER
from netcheck.faults.reversed_electrolytic import REVERSED_ELECTROLYTIC
from netcheck.faults.screen_bypass import SCREEN_BYPASS
from netcheck.faults.screen_resistor import SCREEN_RESISTOR
from netcheck.faults.sense_resistor import SENSE_RESISTOR
from netcheck.faults.socket_leak import SOCKET_LEAK
from netcheck.faults.speaker import SPEAKER
from netcheck.faults.supply_capacitor import SUPPLY_CAPACITOR
from netcheck.faults.swapped_parts import SWAPPED_PARTS
from netcheck.faults.transformer_wiring import TRANSFORMER_WIRING
from netcheck.faults.tube_contact import TUBE_CONTACT
from netcheck.faults.tube_emission import TUBE_EMISSION
from netcheck.faults.tube_gas import TUBE_GAS
from netcheck.faults.tube_leak import TUBE_LEAK
from netcheck.faults.tube_mismatch import TUBE_MISMATCH
from netcheck.faults.wrong_transformer import WRONG_TRANSFORMER
from netcheck.faults.wrong_tube import WRONG_TUBE
from netcheck.roles.base import Roles

__all__ = ["BUILD_STATES", "FAULT_KINDS", "list_continuous", "list_faults"]

FAULT_KINDS: tuple[FaultKind, ...] = (
    COUPLING_CAPACITOR,
    CATHODE_BYPASS,
    SCREEN_BYPASS,
    GRID_CAPACITOR,
    OUTPUT_CAPACITOR,
    PRIMARY_SNUBBER,
    CATHODE_RESISTOR,
    CATHODE_LOAD,
    SENSE_RESISTOR,
    GRID_LEAK,
    GRID_STOPPER,
    SCREEN_RESISTOR,
    PLATE_LOAD,
    FEEDBACK_RESISTOR,
    BIAS_SUPPLY,
    BIAS_NETWORK,
    BIAS_FILTER,
    POT_WIPER,
    BACK_BIAS,
    OUTPUT_TRANSFORMER,
    PRIMARY_OPEN,
    CORE_LEAK,
    SPEAKER,
    WRONG_TRANSFORMER,
    TRANSFORMER_WIRING,
    TUBE_EMISSION,
    TUBE_MISMATCH,
    TUBE_GAS,
    GRID_EMISSION,
    TUBE_LEAK,
    HEATER_CATHODE,
    TUBE_CONTACT,
    SOCKET_LEAK,
    CATHODE_INTERFACE,
    WRONG_TUBE,
    MAINS,
    RECTIFIER,
    SUPPLY_CAPACITOR,
    RAIL_DROPPER,
    RAIL_CHOKE,
    BLEEDER,
    INVERTER_DRIVE,
    OSCILLATION,
    REVERSED_ELECTROLYTIC,
    SWAPPED_PARTS,
)


def list_faults(
    circuit: Circuit,
    roles: Roles,
    *,
    build: BuildState = "unknown",
    age_years: float | None = None,
) -> tuple[Fault, ...]:
    """Return every fault of a stated size, by part, kind and size.

    build, age_years: what stands on the bench, which says how likely each fault is
    and nothing else; a part whose own note gives an age or a dielectric goes by that.

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
    causes = {
        (kind.name, word): each.cause
        for kind in FAULT_KINDS
        for word, each in kind.expected.items()
    }
    graded = (
        in_state(fault, causes[fault.family, fault.kind], circuit, build, age_years)
        for fault in table.values()
    )
    return tuple(sorted(graded, key=_fault_order))


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
