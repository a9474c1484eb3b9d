"""Which part belongs where: the roles of the recogniser read as places.

Comes in: a circuit and its roles.  Goes out: a `Plan` that knows of each part where it
may stand (the register of roles says so of each role) and hands every part out once.
"""

from __future__ import annotations

from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.roles.base import Roles
from netcheck.roles.table import Place, RoleName

LOW_SUPPLIES = (
    (RoleName.BIAS_SOURCE, Place.BIAS),
    (RoleName.HEATER_SOURCE, Place.HEATER),
)
"""Supplies that stand below the stages: the role of the source, and the place of what follows."""
NOWHERE = Place(0)


class Plan:
    """Hands out the parts of a circuit, each once."""

    def __init__(self, circuit: Circuit, roles: Roles) -> None:
        self.circuit = circuit
        self.roles = roles
        self.places = dict.fromkeys(circuit.parts, NOWHERE)
        for role in roles:
            self.places[role.part] |= role.name.kind.place
        self.free = {part.ref: None for part in circuit}
        self.drivers = {
            tube.net(pin)
            for tube in circuit.tubes
            for pin in ("plate", "cathode")
            if tube.has_pin(pin)
        } - {GROUND}
        """Nets that a tube drives: where a signal comes from."""

    def has(self, ref: str, place: Place) -> bool:
        """Say whether a part may stand in this place, or in one of these."""
        return bool(self.places[ref] & place)

    def on(self, net: str, place: Place) -> list[Part]:
        """Return the two-pin parts on a net that are still free and may stand there."""
        return [
            part
            for part in self.circuit.parts_on.get(net, ())
            if part.ref in self.free and len(part.pins) == 2 and self.has(part.ref, place)
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
