"""How tubes are biased, read from where grid and cathode return.

Comes in: `Facts` and the tubes of a stage.  Goes out: cathode, fixed, mixed,
grid_leak, back, direct or unknown, with the evidence.  A grid that returns to a
negative supply has fixed bias; with a cathode resistor of more than a sense
resistor's size besides, mixed bias.  A grid that sits on another stage's plate is
biased by that stage; one that sits on a cathode follower inherits the follower's
supply.
"""

from __future__ import annotations

from netcheck.circuit.model import GROUND
from netcheck.roles.facts import Facts

MAX_SENSE_OHM = 22.0
"""Largest cathode resistor that is only there to read the current (common practice)."""

GRID_LEAK_BIAS_OHM = 1e6
"""Smallest leak by which grid current alone makes a bias (common practice)."""


def negative_return(facts: Facts, tube: str) -> str:
    """Return the negative net a grid gets its bias from, or an empty string.

    The way may lead over a cathode follower whose own grid returns there.
    """
    for net in facts.returns_to(tube):
        if net in facts.supply.negative and net not in facts.cathodes[tube].returns:
            return net
    for source, electrode in facts.grids[tube].direct:
        if electrode == "cathode" and facts.plates[source].kind == "rail" and source != tube:
            for net in facts.returns_to(source):
                if net in facts.supply.negative:
                    return net
    return ""


def held_by_input(facts: Facts, tube: str) -> bool:
    """Say whether the input source itself holds the grid negative."""
    return any((facts.wiring[ref].value or 0.0) < 0 for ref in facts.grids[tube].inputs)


def sense_parts(facts: Facts, tube: str) -> tuple[str, ...]:
    """Return cathode resistors that only read the current of a fixed-bias tube."""
    circuit = facts.cathodes[tube]
    parts = [ref for ref in circuit.parts if ref not in circuit.windings]
    ohm = [facts.wiring[ref].value or 0.0 for ref in parts]
    plain = all(facts.wiring[ref].kind == "resistor" for ref in parts)
    fixed = negative_return(facts, tube) or held_by_input(facts, tube)
    small = ohm and plain and sum(ohm) <= MAX_SENSE_OHM
    return tuple(parts) if fixed and small and GROUND in circuit.returns else ()


def bias_of(facts: Facts, tubes: tuple[str, ...], kind: str) -> tuple[str, tuple[str, ...], float]:
    """Return the bias of a stage, the evidence, and how sure that is."""
    if kind == "regulator":
        net = facts.grids[tubes[0]].net
        return "direct", (f"the grid of {tubes[0]} is held by the net {net}",), 1.0
    found = [_bias(facts, tube, kind) for tube in tubes]
    kinds = list(dict.fromkeys(bias for bias, _, _ in found))
    evidence = tuple(dict.fromkeys(why for _, why, _ in found))
    certain = min(confidence for _, _, confidence in found)
    if len(kinds) == 1:
        return kinds[0], evidence, certain
    # The second grid of a directly coupled pair is held by its own means.
    if "direct" in kinds and kind == "phase_inverter":
        return "direct", evidence, certain
    return kinds[0], (*evidence, "the tubes are not biased alike"), 0.5


def _bias(facts: Facts, tube: str, kind: str) -> tuple[str, str, float]:
    circuit = facts.cathodes[tube]
    carrying = [ref for ref in circuit.parts if ref not in circuit.windings]
    resistor = bool(carrying) and not sense_parts(facts, tube)
    negative = negative_return(facts, tube)
    through = ", ".join(facts.grids[tube].leaks)
    way = f" through {through}" if through else ""
    if negative or held_by_input(facts, tube):
        if negative and facts.supply.is_back(negative):
            return (
                "back",
                f"the grid of {tube} returns to the drop in the supply's return{way}",
                1.0,
            )
        source = f"the negative supply at {negative}" if negative else "the input source"
        load = kind in ("cathode_follower", "phase_inverter")
        if resistor and not load:
            parts = ", ".join(circuit.parts)
            why = f"the grid of {tube} returns to {source}{way}, and {parts} is in the cathode"
            return "mixed", why, 1.0
        return "fixed", f"the grid of {tube} gets its bias from {source}{way}", 1.0
    if cells := facts.grids[tube].cells:
        why = f"{' and '.join(cells)} stands between the grid of {tube} and its leak"
        return ("mixed" if resistor else "fixed"), why, 1.0
    if cell := [facts.supply.cells[net] for net in circuit.returns if net in facts.supply.cells]:
        why = f"{cell[0]} holds the cathode of {tube} above ground"
        return ("mixed" if resistor else "fixed"), why, 1.0
    if facts.grids[tube].direct:
        source, pin = facts.grids[tube].direct[0]
        return "direct", f"the grid of {tube} is on the {pin} of {source} for direct current", 1.0
    if circuit.stands_on and not resistor:
        below = ", ".join(circuit.stands_on)
        return "cathode", f"{below} below sets the current and so the cathode of {tube}", 1.0
    if resistor or circuit.windings:
        parts = ", ".join(circuit.parts)
        return "cathode", f"the current of {tube} through {parts} lifts its cathode", 1.0
    return _without_resistor(facts, tube)


def _without_resistor(facts: Facts, tube: str) -> tuple[str, str, float]:
    grid = facts.grids[tube]
    ohm = sum(
        facts.wiring[ref].value or 0.0 for ref in grid.leaks if facts.wiring[ref].kind == "resistor"
    )
    if facts.cathodes[tube].grounded and grid.leaks and ohm > 0:
        why = f"the cathode of {tube} is grounded and {', '.join(grid.leaks)} returns its grid"
        return "grid_leak", why, 1.0 if ohm >= GRID_LEAK_BIAS_OHM else 0.6
    return "unknown", f"nothing was found that biases {tube}", 0.3
