"""A tube's part of a deck: sensed electrodes, and the law or the user's own model.

Comes in: the writer of a deck and a tube section.  Goes out: its cards.  Every
electrode is sensed with a source of 0 V.  A type on file gets its current law, a
rectifier one diode a plate, and a subcircuit of the netlist is written card by card.
"""

from __future__ import annotations

from dataclasses import replace

from netcheck.circuit.model import GROUND, Part
from netcheck.netlist.flat import FlatElement
from netcheck.solve.deck_names import (
    DeckError,
    emission_of,
    gas_of,
    positive_grid_of,
    screen_current_of,
    space_of,
)
from netcheck.solve.deck_writer import MIN_RESISTANCE_OHM, DeckWriter
from netcheck.solve.tube_cards import (
    capacitance_cards,
    changed_model_cards,
    rectifier_card,
    tube_cards,
)
from netcheck.tubes.model import law_of, rectifier_law_of

TAGS = {"plate": "p", "plate_2": "p2_", "screen": "s", "grid": "g"}
"""How the sensed electrodes are called in a deck."""


def write_tube(writer: DeckWriter, number: int, part: Part) -> None:
    """Write one section, its electrodes sensed with sources of 0 V."""
    pins = {pin.name: writer.net(pin.net) for pin in part.pins}
    inner = dict(pins)
    senses = writer.deck.sense[part.ref] = {}
    for electrode, tag in TAGS.items():
        if electrode not in pins:
            continue
        name = f"{tag}{number}"
        inner[electrode] = writer.inner(name, part.net(electrode))
        level = _series_sine(writer, part.ref) if electrode == "grid" else "0"
        writer.add(f"v{name} {pins[electrode]} {inner[electrode]} {level}")
        senses[electrode] = f"v{name}#branch"
    if part.current_scale == 0.0:
        for electrode in senses:
            writer.add(f"rc{TAGS[electrode]}{number} {inner[electrode]} {inner['cathode']} 1e12")
    elif part.element is not None and part.element.body:
        _own_model(writer, number, part, inner)
        for line in changed_model_cards(number, part.current_scale, part.gas_ratio, inner):
            writer.add(line)
    elif part.tube is not None and part.tube.kind == "rectifier":
        _rectifier(writer, number, part, inner)
    else:
        _law(writer, number, part, inner)
    if part.current_scale != 0.0 and "grid" in inner:
        _grid_emission(writer, number, part, inner)


def _grid_emission(writer: DeckWriter, number: int, part: Part, inner: dict[str, str]) -> None:
    """Write a source from cathode to grid, which at idle may be altered later."""
    if part.grid_emission_a or not writer.drive:
        ampere = f"dc {part.grid_emission_a:.12g}"
        writer.add(f"ie{number} {inner['cathode']} {inner['grid']} {ampere}")
        writer.deck.alter[emission_of(part.ref)] = f"ie{number}"


def _rectifier(writer: DeckWriter, number: int, part: Part, inner: dict[str, str]) -> None:
    """Write one diode a plate."""
    assert part.tube is not None
    law = rectifier_law_of(part.tube).scaled(part.current_scale)
    for electrode in (name for name in inner if name != "cathode"):
        name = f"t{TAGS[electrode]}{number}"
        writer.add(rectifier_card(name, law, inner[electrode], inner["cathode"]))


def _series_sine(writer: DeckWriter, ref: str) -> str:
    if writer.drive and writer.hookup:
        for tube, sign in writer.hookup.series_grids:
            if tube == ref:
                peak = sign * writer.drive.input_v
                return f"dc 0 ac {sign:.12g} sin(0 {peak:.12g} {writer.drive.frequency_hz:.12g})"
    return "0"


def _law(writer: DeckWriter, number: int, part: Part, inner: dict[str, str]) -> None:
    if part.tube is None:
        raise DeckError(f"{part.ref} has no current law on file and no model in the netlist")
    law = law_of(part.tube)
    if part.current_scale != 1.0:
        law = law.scaled(part.current_scale)
    if part.gas_ratio is not None:
        law = replace(law, grid=replace(law.grid, gas_ratio=part.gas_ratio))
    plate, grid, cathode = inner["plate"], inner["grid"], inner["cathode"]
    for line in tube_cards(f"t{number}", law, plate, inner.get("screen"), grid, cathode):
        writer.add(line)
    writer.deck.alter |= {
        space_of(part.ref): f"@bt{number}_i[m]",
        positive_grid_of(part.ref): f"@bt{number}g[m]",
        gas_of(part.ref): f"@gt{number}i[gain]",
    }
    if "screen" in inner:
        writer.deck.alter[screen_current_of(part.ref)] = f"@bt{number}s[m]"
    if writer.drive:
        for line in capacitance_cards(f"t{number}", part.tube, plate, grid, cathode, part.section):
            writer.add(writer.with_start(line))


def _own_model(writer: DeckWriter, number: int, part: Part, inner: dict[str, str]) -> None:
    """Write the user's own tube subcircuit, its pins on the sensed nodes."""
    element = part.element
    assert element is not None
    pin_node: dict[str, str] = {}
    for pin in part.pins:
        pin_node.setdefault(pin.net, inner[pin.name])
    locals_: dict[str, str] = {}

    def net(name: str) -> str:
        if name == GROUND:
            return "0"
        if name in pin_node:
            return pin_node[name]
        if name not in locals_:
            locals_[name] = writer.inner(f"y{number}_{len(locals_)}", name)
        return locals_[name]

    for index, card in enumerate(element.body):
        if card.letter == "V":
            writer.sources[card.ref.casefold()] = f"v{number}_{index}"
    for index, card in enumerate(element.body):
        _body_card(writer, f"{number}_{index}", card, net)


def _body_card(writer: DeckWriter, tag: str, card: FlatElement, net: object) -> None:
    assert callable(net)
    nodes = [net(name) for name in card.nodes]
    match card.letter:
        case "R":
            value = max(card.value or 0.0, MIN_RESISTANCE_OHM)
            writer.add(f"r{tag} {nodes[0]} {nodes[1]} {value:.12g}")
        case "C" if writer.drive:
            line = f"c{tag} {nodes[0]} {nodes[1]} {card.value or 0.0:.12g}"
            writer.add(writer.with_start(line))
        case "C":
            pass  # nothing at DC
        case "V" | "I":
            level = card.waveform.dc_value if card.waveform else 0.0
            writer.add(f"{card.letter.lower()}{tag} {nodes[0]} {nodes[1]} {level:.12g}")
        case "D":
            if card.name.casefold() not in writer.circuit.models:
                raise DeckError(f"{card.ref} names a model the netlist does not define")
            writer.add(f"d{tag} {nodes[0]} {nodes[1]} {writer.model_name(card.name, 'd')}")
        case "E" | "F" | "G" | "H" | "B":
            writer.behavioral(tag, card, net)
        case _:
            raise DeckError(f"{card.ref} inside a tube model is of a kind that is not read")
