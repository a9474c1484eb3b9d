"""Tubes as drawn to cards: one a section, its pins by the base of the type.

Pins are told by their names where the symbol has names that say an electrode, else by their
numbers and the base in the tube's data file; where both tell and disagree, the sheet counts
and a finding says so.  The sections of one bulb share the envelope.  Heater pins are set
aside, since no heater is solved.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping

from netcheck.netlist.notes import NoteKey
from netcheck.netlist.schematics.drawn import DrawnCard, DrawnPlace, as_word
from netcheck.netlist.schematics.parts.drawn_parts import DrawnPart, DrawnPin
from netcheck.netlist.schematics.parts.electrodes import electrode_of
from netcheck.netlist.schematics.parts.notes import notes_of
from netcheck.netlist.schematics.parts.tellings import Tellings
from netcheck.netlist.sockets import Socket, SocketOf, SocketSection

FEWEST_PINS = 2
_TYPE_FIELDS = ("type", "sim.name", "spice_model")
_WORDS = re.compile(r"[^\s/,;()]+")
_TUBE_LIKE = re.compile(r"\d{0,2}[A-Z]{1,4}\d{1,4}[A-Z]{0,4}", re.IGNORECASE)
_HEATER = re.compile(r"(?:h|f|heat|fil|ct|mid|hct|fct)[a-z]*\W?\d?$", re.IGNORECASE)
_SHELVES = frozenset({"valve", "tube", "tubes", "valves"})


def words_of(text: str) -> list[str]:
    """Return the words of a value that may name a type: `ECC83 / 12AX7` has two."""
    return [match.group() for match in _WORDS.finditer(text)]


def tube_type(part: DrawnPart, is_tube: Callable[[str], bool]) -> str:
    """Return the type on file that a part's fields, value or symbol name, else nothing."""
    if len(part.pins) < FEWEST_PINS:
        return ""
    texts = [part.fields.get(name, "") for name in _TYPE_FIELDS] + [part.value]
    for text in texts:
        for word in words_of(text):
            if is_tube(word):
                return word
    if not any(_TUBE_LIKE.fullmatch(word) for word in words_of(part.value)):
        for word in (part.symbol, *part.symbol.split("_"), *part.symbol.split("-")):
            if is_tube(word):
                return word
    return part.symbol if part.value == part.symbol and is_tube(part.symbol) else ""


def is_drawn_as_tube(part: DrawnPart) -> bool:
    """Say whether a symbol is a tube's, known or not."""
    if part.shelf.casefold() in _SHELVES:
        return True
    electrodes = {electrode_of(pin.name) for pin in part.pins}
    names = {pin.name.casefold() for pin in part.pins}
    return {"plate", "grid", "cathode"} <= electrodes and not names & {"b", "e", "d", "s"}


def tube_cards(
    part: DrawnPart, type_name: str, socket_of: SocketOf, told: Tellings
) -> list[DrawnCard]:
    """Return the cards of a tube on file."""
    socket = socket_of(type_name)
    if socket is None:
        return _by_names_alone(part, type_name, told)
    found = _sections(part, socket, told)
    if not found:
        told.error(
            part.place,
            f"the pins of {part.ref} cannot be told: they are neither those of the base of the "
            f"{socket.type_name} nor named after electrodes",
            "give the symbol the pin numbers of the base, or the names P, G, K and so on",
        )
        return []
    notes, odd = notes_of(part, "X")
    told.odd_fields(part, odd)
    cards = [
        _card(part, type_name, section, letter, nets, place, notes, len(socket.sections) > 1)
        for section, letter, nets, place in found
    ]
    _say_what_is_left(part, socket, found, told)
    return cards


Found = tuple[SocketSection, str, list[str], DrawnPlace]


def _sections(part: DrawnPart, socket: Socket, told: Tellings) -> list[Found]:
    units = sorted({pin.unit for pin in part.pins})
    by_unit = [_section_of_unit(part, socket, unit, told) for unit in units]
    found = [one for one in by_unit if one is not None]
    if found:
        return _without_twice(found)
    by_number = {pin.number: pin.net for pin in part.pins}
    several = len(socket.sections) > 1
    return [
        (section, "AB"[place : place + 1] if several else "", nets, part.place)
        for place, section in enumerate(socket.sections)
        if (nets := _nets_by_number(section, by_number)) is not None
    ]


def _without_twice(found: list[Found]) -> list[Found]:
    """Give a section that two units claim to the first, and the other one what is free."""
    taken: set[str] = set()
    kept: list[Found] = []
    for section, letter, nets, place in found:
        kept.append((section, letter, nets, place))
        taken.add(section.name)
    return kept


def _section_of_unit(part: DrawnPart, socket: Socket, unit: int, told: Tellings) -> Found | None:
    pins = [pin for pin in part.pins if pin.unit in {unit, 0}]
    named = _by_name(pins)
    numbered = {pin.number: pin.net for pin in pins}
    match = next(
        (one for one in socket.sections if _nets_by_number(one, numbered) is not None), None
    )
    letter = chr(ord("A") + unit - 1) if unit and len(socket.sections) > 1 else ""
    place = part.units.get(unit, part.place)
    if match is not None and unit:
        nets = _nets_by_number(match, numbered) or []
        own = [named.get(electrode) for electrode in match.pins]
        if all(own) and own != nets:
            told.warn(
                "pin-names-disagree",
                part.place,
                f"the names and the numbers of the pins of {part.ref} disagree about the base of "
                f"a {socket.type_name}: the names count",
                part.ref,
            )
            nets = [net for net in own if net is not None]
        return match, letter, nets, place
    if unit == 0 and len(socket.sections) > 1 and match is not None:
        return None  # all sections in one symbol: told by the numbers
    if match is not None:
        return match, letter, _nets_by_number(match, numbered) or [], place
    electrodes = sum(1 for pin in pins if electrode_of(pin.name))
    for section in sorted(socket.sections, key=lambda one: -len(one.pins)):
        own = [named.get(electrode) for electrode in section.pins]
        if all(own) and electrodes <= len(own):
            return section, letter, [net for net in own if net is not None], place
    return None


def _by_name(pins: Iterable[DrawnPin]) -> dict[str, str]:
    named: dict[str, str] = {}
    for pin in pins:
        electrode = electrode_of(pin.name)
        if electrode == "plate" and "plate" in named and named["plate"] != pin.net:
            electrode = "plate_2"
        if electrode:
            named.setdefault(electrode, pin.net)
    return named


def _nets_by_number(section: SocketSection, nets: Mapping[str, str]) -> list[str] | None:
    found = [nets.get(str(pin)) for pin in section.pins.values()]
    return [net for net in found if net is not None] if all(found) else None


def _card(
    part: DrawnPart,
    type_name: str,
    section: SocketSection,
    letter: str,
    nets: list[str],
    place: DrawnPlace,
    notes: list[str],
    is_twin: bool,
) -> DrawnCard:
    ref = as_word(part.ref)
    ref = ref if ref[0].upper() == "X" else f"X{ref}"
    own = list(notes)
    given = {note.partition("=")[0] for note in own}
    if is_twin and NoteKey.ENVELOPE not in given:
        own.append(NoteKey.ENVELOPE.written(as_word(part.ref)))
    if is_twin and section.name and NoteKey.SECTION not in given:
        own.append(NoteKey.SECTION.written(as_word(section.name)))
    card = " ".join([f"{ref}{letter}", *nets, as_word(type_name)])
    return DrawnCard(f"{card} ;! {' '.join(own)}" if own else card, place)


def _by_names_alone(part: DrawnPart, type_name: str, told: Tellings) -> list[DrawnCard]:
    named = _by_name(part.pins)
    nets = [named[key] for key in ("plate", "screen", "grid", "cathode") if key in named]
    if "plate" not in named or "cathode" not in named:
        told.error(part.place, f"the pins of {part.ref} are not named after electrodes")
        return []
    socket = SocketSection("", {})
    return [_card(part, type_name, socket, "", nets, part.place, [], False)]


def _say_what_is_left(part: DrawnPart, socket: Socket, found: list[Found], told: Tellings) -> None:
    """Name sections that are not drawn, and pins that no section has."""
    drawn = {section.name for section, *_ in found}
    missing = [section.name for section in socket.sections if section.name not in drawn]
    if missing and len(found) < len(socket.sections):
        told.note(
            "section-not-drawn",
            part.place,
            f"{part.ref} is a {socket.type_name} with {len(socket.sections)} sections, and "
            f"section {', '.join(missing)} is not drawn: it is taken as unused",
            part.ref,
        )
    used = {net for _, _, nets, _ in found for net in nets}
    left = [pin for pin in part.pins if pin.net not in used and not pin.is_free]
    heaters = {pin.number for pin in left if _is_heater(pin, socket)}
    others = {pin.number for pin in left} - heaters
    if heaters:
        message = f"pin {_listed(heaters)} of {part.ref} is set aside: no heater is solved"
        told.note("pin-set-aside", part.place, message, part.ref)
    if others:
        message = (
            f"pin {_listed(others)} of {part.ref} is none of the electrodes that are solved; "
            "a suppressor is taken as if it were on the cathode"
        )
        told.warn("pin-set-aside", part.place, message, part.ref)


def _is_heater(pin: DrawnPin, socket: Socket) -> bool:
    number = int(pin.number) if pin.number.isdecimal() and len(pin.number) < 4 else 0
    return number in socket.heater_pins or bool(_HEATER.match(pin.name))


def _listed(numbers: set[str]) -> str:
    return ", ".join(sorted(numbers, key=lambda number: (len(number), number)))
