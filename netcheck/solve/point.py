"""From an operating point to a solved state, in plain floats.

The same facts as `observe.py` gives for driven runs; at a single instant every
mean is the value itself, and without arrays it takes a tenth of the time, which
counts in a sweep of thousands of points.  A test holds both to the same answer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.solve.deck import MIN_RESISTANCE_OHM, Deck
from netcheck.solve.observe import OBSERVED_KINDS
from netcheck.solve.results import PartState, Solved, TubeState


def observe_point(condition: str, circuit: Circuit, deck: Deck, values: Sequence[float]) -> Solved:
    """Return the solved state; `values` are in the order of `deck.vectors`."""
    vector = dict(zip(deck.vectors, values, strict=True))
    nets = {net: vector[node] for net, node in deck.node.items()}
    nets[GROUND] = 0.0
    tubes: dict[str, TubeState] = {}
    parts: dict[str, PartState] = {}
    for part in circuit:
        if part.kind == "tube":
            tubes[part.ref] = _tube(part, nets, deck.sense[part.ref], vector)
        elif part.kind in OBSERVED_KINDS:
            parts[part.ref] = _part(part, nets, deck, vector)
    present = {net: nets[net] for net in circuit.nets if net != GROUND}
    return Solved(condition, present, tubes, parts)


def _tube(
    part: Part, nets: Mapping[str, float], sense: Mapping[str, str], vector: Mapping[str, float]
) -> TubeState:
    if not part.has_pin("grid"):
        return _rectifier(part, nets, sense, vector)
    cathode = nets[part.net("cathode")]
    plate = nets[part.net("plate")]
    plate_a = vector[sense["plate"]]
    grid_a = vector[sense["grid"]]
    screen_v = screen_a = screen_w = None
    total = plate_a + grid_a
    if "screen" in sense:
        screen_v, screen_a = nets[part.net("screen")], vector[sense["screen"]]
        screen_w = (screen_v - cathode) * screen_a
        total += screen_a
    return TubeState(
        plate,
        screen_v,
        nets[part.net("grid")],
        cathode,
        plate_a,
        screen_a,
        grid_a,
        (plate - cathode) * plate_a,
        screen_w,
        plate - cathode,
        total,
    )


def _rectifier(
    part: Part, nets: Mapping[str, float], sense: Mapping[str, str], vector: Mapping[str, float]
) -> TubeState:
    cathode = nets[part.net("cathode")]
    plates = [pin for pin in part.pins if pin.name != "cathode"]
    volts = [nets[pin.net] - cathode for pin in plates]
    amperes = [vector[sense[pin.name]] for pin in plates]
    total = sum(amperes)
    watts = sum(v * a for v, a in zip(volts, amperes, strict=True))
    plate = nets[plates[0].net]
    return TubeState(
        plate, None, cathode, cathode, total, None, 0.0, watts, None, max(volts), total
    )


def _part(
    part: Part, nets: Mapping[str, float], deck: Deck, vector: Mapping[str, float]
) -> PartState:
    first, second = part.pins[0].net, part.pins[1].net
    volts = nets[first] - nets[second]
    if part.kind == "resistor":
        amps = volts / max(part.value or 0.0, MIN_RESISTANCE_OHM)
    elif part.kind == "capacitor":
        amps = 0.0
    else:  # a current source needs no sense
        name = deck.current.get(part.ref)
        amps = vector[name] if name else part.value or 0.0
    return PartState(volts, abs(volts), amps, abs(amps), volts * amps)
