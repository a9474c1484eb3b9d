"""Sources, diodes, transistors and subcircuits as drawn, to cards.

The fields `Sim.Type`, `Sim.Params`, `Sim.Pins`, `Sim.Name` are read where they are given:
which pin is which, what kind of source, which model.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from netcheck.errors import NetcheckError
from netcheck.netlist.schematics.drawn import DrawnCard, as_word, one_line
from netcheck.netlist.schematics.parts.drawn_parts import DrawnPart
from netcheck.netlist.schematics.parts.electrodes import electrode_order
from netcheck.netlist.schematics.parts.notes import notes_of
from netcheck.netlist.schematics.parts.tellings import Tellings
from netcheck.source import printable
from netcheck.units import parse_quantity

_PARAMETER = re.compile(r"([A-Za-z]\w*)\s*=\s*(\"[^\"]*\"|\S+)")
_WAVES: dict[str, tuple[str, ...]] = {
    "SIN": ("dc", "ampl", "f", "td", "theta", "phase"),
    "PULSE": ("y1", "y2", "td", "tr", "tf", "tw", "per"),
    "EXP": ("y1", "y2", "td1", "tau1", "td2", "tau2"),
}
_UNITS = {"V": "V", "I": "A"}
_POLES: dict[str, tuple[tuple[str, ...], ...]] = {
    "V": (("+", "p", "plus"), ("-", "n", "minus")),
    "I": (("+", "p", "plus"), ("-", "n", "minus")),
    "D": (("a", "anode"), ("k", "c", "cathode")),
    "Q": (("c",), ("b",), ("e",)),
    "J": (("d",), ("g",), ("s",)),
    "M": (("d",), ("g",), ("s",)),
}
_NUMBERS = {"V": ("1", "2"), "I": ("1", "2"), "D": ("2", "1")}
"""Pins without a name: of a diode the first is the cathode, in the stock libraries."""

_OF_THE_SUPPLY = frozenset({"~", "", "ac", "ac1", "ac2", "~1", "~2"})
_OF_A_BRIDGE: tuple[tuple[int | str, int | str], ...] = ((0, "+"), (1, "+"), ("-", 0), ("-", 1))
"""Anode and cathode of each diode: a pole, or a number of a supply pin."""


def source_card(part: DrawnPart, letter: str, told: Tellings) -> list[DrawnCard]:
    """Return the card of a voltage or current source."""
    nets = _nets(part, letter, told)
    if nets is None:
        return []
    parameters = _parameters(part)
    kind = part.fields.get("sim.type", "").strip().upper()
    if not kind and part.symbol.upper() in {"VSIN", "ISIN"}:
        kind = "SIN"
    if kind in _WAVES:
        values = [parameters.get(name, "0") for name in _WAVES[kind]]
        words = f"{kind}({' '.join(values)})"
    elif kind == "PWL":
        words = f"PWL({parameters.get('pwl', '0 0')})"
    elif part.fields.get("spice_primitive", "").strip():
        words = part.fields.get("spice_model", "").strip() or _plain_level(part, letter, told)
    else:
        words = parameters.get("dc", "") or _plain_level(part, letter, told)
    if not words:
        return []
    if "ac" in parameters:
        words += f" AC {parameters['ac']}"
    notes, odd = notes_of(part, "V")
    told.odd_fields(part, odd)
    card = f"{_ref(part, letter)} {' '.join(nets)} {one_line(words)}"
    return [DrawnCard(f"{card} ;! {' '.join(notes)}" if notes else card, part.place)]


def _plain_level(part: DrawnPart, letter: str, told: Tellings) -> str:
    text = re.sub(r"(?i)(?<=\d)\s*v\s*dc$|(?<=v)dc$", "V", part.value.strip())
    try:
        return f"{parse_quantity(text, _UNITS[letter]):.12g}"
    except NetcheckError:
        told.error(
            part.place,
            f"`{printable(text)[:40]}` is not the value of a source",
            "write it like 300V, or give it Sim.Params such as dc=300",
        )
        return ""


def device_card(part: DrawnPart, letter: str, told: Tellings) -> list[DrawnCard]:
    """Return the card of a diode or transistor, and its model where its fields hold one."""
    nets = _nets(part, letter, told)
    if nets is None:
        return []
    if letter == "M":
        nets.append(nets[-1])
    name = part.fields.get("sim.name", "") or part.value or part.symbol
    cards: list[DrawnCard] = []
    parameters = part.fields.get("sim.params", "").strip()
    if parameters and not part.fields.get("sim.library", "").strip():
        name = f"{as_word(part.ref)}_model"
        kind = part.fields.get("sim.device", letter).strip().upper()
        cards.append(DrawnCard(f".model {name} {kind}({one_line(parameters)})", part.place))
    card = f"{_ref(part, letter)} {' '.join(nets)} {as_word(name)}"
    return [DrawnCard(card, part.place), *cards]


def bridge_cards(part: DrawnPart, told: Tellings) -> list[DrawnCard]:
    """Return the four diodes of a bridge, from its pins `+`, `-` and two for the supply."""
    poles = {pin.name: pin.net for pin in part.pins}
    supply = [pin.net for pin in part.pins if pin.name.casefold() in _OF_THE_SUPPLY]
    if "+" not in poles or "-" not in poles or len(supply) != len(_OF_A_BRIDGE) // 2:
        told.error(
            part.place,
            f"the pins of the bridge {part.ref} cannot be told",
            "a field `Netlist` says its diodes, anode first: `D 3 1 1N4007 | D 4 1 1N4007 | ...`",
        )
        return []
    name = as_word(part.fields.get("sim.name", "") or "rectifier")
    ref, cards = as_word(part.ref), []
    for number, (anode, cathode) in enumerate(_OF_A_BRIDGE, 1):
        nets = [supply[pole] if isinstance(pole, int) else poles[pole] for pole in (anode, cathode)]
        cards.append(DrawnCard(f"D{ref}_{number} {' '.join(nets)} {name}", part.place))
    return cards


def model_name(part: DrawnPart) -> str:
    """Return the name of the subcircuit that a part's fields or its value give."""
    fields = part.fields
    return (fields.get("sim.name") or fields.get("spice_model") or part.value).strip()


def subcircuit_card(
    part: DrawnPart, models: Mapping[str, tuple[str, ...]], told: Tellings
) -> list[DrawnCard]:
    """Return the card that calls a subcircuit of the user's own."""
    name = model_name(part)
    pins = {pin.number: pin.net for pin in part.pins}
    said = _said_pins(part)
    formal = models.get(name.casefold(), ())
    by_formal = {model.casefold(): number for number, model in said.items()}
    if formal and all(pin.casefold() in by_formal for pin in formal):
        numbers = [by_formal[pin.casefold()] for pin in formal]
    elif said:
        numbers = list(said)
    elif sequence := part.fields.get("spice_node_sequence", ""):
        numbers = re.split(r"[\s,]+", sequence.strip())
    else:
        order = electrode_order([pin.name for pin in part.pins])
        numbers = [part.pins[place].number for place in order] if order else list(pins)
    missing = [number for number in numbers if number not in pins]
    if missing:
        told.error(part.place, f"{part.ref} has no pin `{printable(missing[0])[:20]}`")
        return []
    nets = [pins[number] for number in numbers]
    extra = one_line(part.fields.get("sim.params", "")) if formal else ""
    card = f"{_ref(part, 'X')} {' '.join(nets)} {as_word(name)} {extra}".rstrip()
    return [DrawnCard(card, part.place)]


def _ref(part: DrawnPart, letter: str) -> str:
    ref = as_word(part.ref)
    return ref if ref[0].upper() == letter else f"{letter}{ref}"


def _said_pins(part: DrawnPart) -> dict[str, str]:
    """Return what `Sim.Pins` says: the pin of the model by the number of the symbol's."""
    words = part.fields.get("sim.pins", "").split()
    pairs = (word.partition("=") for word in words)
    return {number: model for number, equals, model in pairs if equals}


def _nets(part: DrawnPart, letter: str, told: Tellings) -> list[str] | None:
    by_name: dict[str, str] = {}
    by_number = {pin.number: pin.net for pin in part.pins}
    for pin in part.pins:
        by_name.setdefault(pin.name.casefold(), pin.net)
    said = {model.casefold(): by_number.get(number) for number, model in _said_pins(part).items()}
    found: list[str] = []
    for place, names in enumerate(_POLES[letter]):
        known = (*(said.get(name) for name in names), *(by_name.get(name) for name in names))
        numbers = _NUMBERS.get(letter, ())
        fallback = by_number.get(numbers[place]) if place < len(numbers) else None
        net = next((one for one in known if one is not None), fallback)
        if net is None:
            told.error(
                part.place,
                f"which pin of {part.ref} is `{names[0].upper()}` cannot be told",
                "a field Sim.Pins says it, such as `1=C 2=B 3=E`",
            )
            return None
        found.append(net)
    return found


def _parameters(part: DrawnPart) -> dict[str, str]:
    text = part.fields.get("sim.params", "")
    return {key.casefold(): value.strip('"') for key, value in _PARAMETER.findall(text)}
