"""Which part belongs where: the roles of the recogniser read as places.

Comes in: a circuit and its roles.  Goes out: for each arm of a tube, and for the
supplies, the names of the roles that stand there, and a `Plan` that hands every
part out once.
"""

from __future__ import annotations

from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.roles.base import Roles

GRID_SERIES = frozenset(
    {
        "grid_stopper",
        "coupling_capacitor",
        "interstage_resistor",
        "interstage_capacitor",
        "volume_control",
        "input_capacitor",
        "tone_control",
    }
)
GRID_SHUNT = frozenset(
    {
        "grid_leak",
        "grid_shunt_capacitor",
        "grounding_capacitor",
        "input_load",
        "input_source",
        "volume_control",
        "interstage_resistor",
        "interstage_capacitor",
        "protection_diode",
        "tone_control",
    }
)
CATHODE = frozenset(
    {
        "cathode_resistor",
        "cathode_bypass_capacitor",
        "cathode_load",
        "tail_resistor",
        "sense_resistor",
        "cathode_diode",
        "current_sensor",
        "current_source",
        "current_source_bias",
        "feedback_shunt",
    }
)
FEEDBACK = frozenset({"feedback_resistor", "feedback_capacitor"})
PLATE = frozenset({"plate_load", "plate_choke", "plate_stopper", "plate_shunt"})
SCREEN = frozenset({"screen_resistor", "screen_bypass_capacitor"})
WINDING = frozenset(
    {
        "output_transformer_primary",
        "output_transformer_secondary",
        "interstage_transformer",
        "feedback_winding",
        "mains_transformer",
    }
)
OUTPUT = frozenset(
    {
        "speaker_load",
        "zobel",
        "output_load",
        "output_capacitor",
        "wire_resistance",
        "leakage_inductance",
        "ground_reference",
    }
)
ACROSS_WINDING = frozenset({"winding_loss", "winding_capacitance", "plate_shunt"})
RAIL_SERIES = frozenset(
    {
        "rail_dropper",
        "rail_choke",
        "supply_resistance",
        "current_sensor",
        "rectifier_diode",
        "fuse",
        "lamp",
    }
)
RAIL_SHUNT = frozenset({"reservoir_capacitor", "decoupling_capacitor", "bleeder", "supply_source"})
BIAS = frozenset(
    {
        "bias_source",
        "bias_divider",
        "bias_pot",
        "bias_filter_capacitor",
        "bias_series_resistor",
        "back_bias_resistor",
        "rectifier_diode",
    }
)

HEATER = frozenset({"heater_source", "heater_load", "heater_bias", "hum_balance", "lamp", "fuse"})
LOW_SUPPLIES = (("bias_source", BIAS), ("heater_source", HEATER))
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
