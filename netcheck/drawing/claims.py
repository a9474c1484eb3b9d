"""Which part belongs where: the roles of the recogniser read as places.

Comes in: a circuit and its roles.  Goes out: for each arm of a tube, and for the
supplies, the names of the roles that stand there, and a `Plan` that hands every
part out once.
"""

from __future__ import annotations

from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

GRID_SERIES = frozenset(
    {
        RoleName.GRID_STOPPER,
        RoleName.COUPLING_CAPACITOR,
        RoleName.INTERSTAGE_RESISTOR,
        RoleName.INTERSTAGE_CAPACITOR,
        RoleName.VOLUME_CONTROL,
        RoleName.INPUT_CAPACITOR,
        RoleName.TONE_CONTROL,
    }
)
GRID_SHUNT = frozenset(
    {
        RoleName.GRID_LEAK,
        RoleName.GRID_SHUNT_CAPACITOR,
        RoleName.GROUNDING_CAPACITOR,
        RoleName.INPUT_LOAD,
        RoleName.INPUT_SOURCE,
        RoleName.VOLUME_CONTROL,
        RoleName.INTERSTAGE_RESISTOR,
        RoleName.INTERSTAGE_CAPACITOR,
        RoleName.PROTECTION_DIODE,
        RoleName.TONE_CONTROL,
    }
)
CATHODE = frozenset(
    {
        RoleName.CATHODE_RESISTOR,
        RoleName.CATHODE_BYPASS_CAPACITOR,
        RoleName.CATHODE_LOAD,
        RoleName.TAIL_RESISTOR,
        RoleName.SENSE_RESISTOR,
        RoleName.CATHODE_DIODE,
        RoleName.CURRENT_SENSOR,
        RoleName.CURRENT_SOURCE,
        RoleName.CURRENT_SOURCE_BIAS,
        RoleName.FEEDBACK_SHUNT,
    }
)
FEEDBACK = frozenset({RoleName.FEEDBACK_RESISTOR, RoleName.FEEDBACK_CAPACITOR})
PLATE = frozenset(
    {RoleName.PLATE_LOAD, RoleName.PLATE_CHOKE, RoleName.PLATE_STOPPER, RoleName.PLATE_SHUNT}
)
SCREEN = frozenset({RoleName.SCREEN_RESISTOR, RoleName.SCREEN_BYPASS_CAPACITOR})
WINDING = frozenset(
    {
        RoleName.OUTPUT_TRANSFORMER_PRIMARY,
        RoleName.OUTPUT_TRANSFORMER_SECONDARY,
        RoleName.INTERSTAGE_TRANSFORMER,
        RoleName.FEEDBACK_WINDING,
        RoleName.MAINS_TRANSFORMER,
    }
)
OUTPUT = frozenset(
    {
        RoleName.SPEAKER_LOAD,
        RoleName.ZOBEL,
        RoleName.OUTPUT_LOAD,
        RoleName.OUTPUT_CAPACITOR,
        RoleName.WIRE_RESISTANCE,
        RoleName.LEAKAGE_INDUCTANCE,
        RoleName.GROUND_REFERENCE,
    }
)
ACROSS_WINDING = frozenset(
    {RoleName.WINDING_LOSS, RoleName.WINDING_CAPACITANCE, RoleName.PLATE_SHUNT}
)
RAIL_SERIES = frozenset(
    {
        RoleName.RAIL_DROPPER,
        RoleName.RAIL_CHOKE,
        RoleName.SUPPLY_RESISTANCE,
        RoleName.CURRENT_SENSOR,
        RoleName.RECTIFIER_DIODE,
        RoleName.FUSE,
        RoleName.LAMP,
    }
)
RAIL_SHUNT = frozenset(
    {
        RoleName.RESERVOIR_CAPACITOR,
        RoleName.DECOUPLING_CAPACITOR,
        RoleName.BLEEDER,
        RoleName.SUPPLY_SOURCE,
    }
)
BIAS = frozenset(
    {
        RoleName.BIAS_SOURCE,
        RoleName.BIAS_DIVIDER,
        RoleName.BIAS_POT,
        RoleName.BIAS_FILTER_CAPACITOR,
        RoleName.BIAS_SERIES_RESISTOR,
        RoleName.BACK_BIAS_RESISTOR,
        RoleName.RECTIFIER_DIODE,
    }
)

HEATER = frozenset(
    {
        RoleName.HEATER_SOURCE,
        RoleName.HEATER_LOAD,
        RoleName.HEATER_BIAS,
        RoleName.HUM_BALANCE,
        RoleName.LAMP,
        RoleName.FUSE,
    }
)
LOW_SUPPLIES = ((RoleName.BIAS_SOURCE, BIAS), (RoleName.HEATER_SOURCE, HEATER))
"""Supplies that stand below the stages: the role of the source, and of what follows."""


class Plan:
    """Hands out the parts of a circuit, each once."""

    def __init__(self, circuit: Circuit, roles: Roles) -> None:
        self.circuit = circuit
        self.roles = roles
        self.names: dict[str, frozenset[str]] = {
            part.ref: frozenset(role.name for role in roles.of_part(part.ref)) for part in circuit
        }
        self.free = {part.ref: None for part in circuit}
        self.drivers = {
            tube.net(pin)
            for tube in circuit.tubes
            for pin in ("plate", "cathode")
            if tube.has_pin(pin)
        } - {GROUND}
        """Nets that a tube drives: where a signal comes from."""

    def has(self, ref: str, names: frozenset[str]) -> bool:
        """Say whether a part has one of these roles."""
        return not names.isdisjoint(self.names[ref])

    def on(self, net: str, names: frozenset[str]) -> list[Part]:
        """Return the two-pin parts on a net that are still free and have such a role."""
        return [
            part
            for part in self.circuit.parts_on.get(net, ())
            if part.ref in self.free and len(part.pins) == 2 and self.has(part.ref, names)
        ]

    def take(self, ref: str) -> None:
        """Hand a part out."""
        del self.free[ref]

    def depths(self) -> dict[str, int]:
        """Return how many stages the signal has passed before each stage, by its id."""
        before: dict[str, list[str]] = {stage.id: [] for stage in self.roles.stages}
        for path in self.roles.signal_paths:
            if path.source in before and path.target in before:
                before[path.target].append(path.source)
        depths: dict[str, int] = {}

        def depth(stage: str, way: tuple[str, ...]) -> int:
            if stage in depths:
                return depths[stage]
            earlier = [each for each in before[stage] if each not in way]  # loops count once
            return 1 + max((depth(each, (*way, each)) for each in earlier), default=-1)

        for stage in before:
            depths[stage] = depth(stage, (stage,))
        return depths
