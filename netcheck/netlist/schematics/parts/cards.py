"""Drawn parts to cards of a netlist.

Comes in: every part of a schematic, its pins on named nets.  Goes out: cards, and what is to
be said about them.  A part that cannot be placed is a mistake that names it; one that carries
no current of its own (a connector, a test point) is set aside with a finding.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable

from netcheck.netlist.notes import NoteKey
from netcheck.netlist.schematics.drawn import DrawnCard, as_word, one_line
from netcheck.netlist.schematics.parts.devices import (
    bridge_cards,
    device_card,
    model_name,
    source_card,
    subcircuit_card,
)
from netcheck.netlist.schematics.parts.drawn_parts import DrawnPart
from netcheck.netlist.schematics.parts.kinds import kind_by_reference, kind_by_symbol
from netcheck.netlist.schematics.parts.notes import notes_of
from netcheck.netlist.schematics.parts.tellings import Tellings
from netcheck.netlist.schematics.parts.tubes import is_drawn_as_tube, tube_cards, tube_type
from netcheck.netlist.schematics.parts.value_texts import PASSIVES, read_value_text
from netcheck.netlist.schematics.parts.written import FIELD, SAMPLE, written_cards
from netcheck.netlist.sockets import SocketOf
from netcheck.source import printable
from netcheck.units import parse_quantity

FUSE_DROP_V = 0.15
"""Volts across a small fuse at its rated current; from memory, 0.1 to 0.3 V."""
POT_TRAVEL = 0.5
_ENDS_OF_TRAVEL = 1e-3
_LAMP = re.compile(r"([\d.]+)\s*V\s*[/,@ ]*\s*([\d.]+\s*m?A)", re.IGNORECASE)
_CURRENT = re.compile(r"(\d+(?:\.\d+)?\s*m?A)\b", re.IGNORECASE)


class PartCards:
    """Translates the parts of one schematic."""

    def __init__(
        self,
        is_tube: Callable[[str], bool],
        socket_of: SocketOf,
        told: Tellings,
        own_models: Callable[[], dict[str, tuple[str, ...]]],
    ) -> None:
        self.is_tube = is_tube
        self.socket_of = socket_of
        self.told = told
        self.own_models = own_models

    def of(self, parts: Iterable[DrawnPart]) -> list[DrawnCard]:
        """Return the cards of all parts, in their order."""
        return [card for part in parts for card in self._of(part)]

    def _of(self, part: DrawnPart) -> list[DrawnCard]:
        if part.fields.get(FIELD, "").strip():
            return written_cards(part, self.told)
        kind = kind_by_symbol(part)
        if kind == "X" and model_name(part).casefold() in self.own_models():
            return subcircuit_card(part, self.own_models(), self.told)
        if kind in {"", "X", "connector"} and (type_name := tube_type(part, self.is_tube)):
            return tube_cards(part, type_name, self.socket_of, self.told)
        if not kind and is_drawn_as_tube(part):
            return self._unknown_tube(part)
        kind = kind or kind_by_reference(part)
        match kind:
            case "R" | "C" | "L":
                return self._passive(part, kind)
            case "V" | "I":
                return source_card(part, kind, self.told)
            case "bridge":
                return bridge_cards(part, self.told)
            case "D" | "Q" | "J" | "M":
                return device_card(part, kind, self.told)
            case "X":
                return subcircuit_card(part, self.own_models(), self.told)
            case "pot":
                return self._pot(part)
            case "fusible" | "bulb":
                return self._fuse_or_lamp(part, kind)
            case "speaker":
                return self._passive(part, "R", NoteKey.SPEAKER)
            case "link" | "switch":
                return self._switch(part, kind)
            case "transformer":
                return self._transformer(part)
            case "connector" | "nothing":
                return self._set_aside(part, kind)
        return self._unknown(part)

    def _unknown_tube(self, part: DrawnPart) -> list[DrawnCard]:
        shown = printable(part.value)[:40]
        self.told.error(
            part.place,
            f"{part.ref} is a tube `{shown}`, which is not on file",
            "`netcheck tubes` lists the types; a field `Type` may name a type on file",
        )
        return []

    def _unknown(self, part: DrawnPart) -> list[DrawnCard]:
        shown = printable(part.library or part.value)[:60]
        self.told.error(
            part.place,
            f"what {part.ref} (`{shown}`) is cannot be told",
            f"give it a field `Netlist` with its cards, pins for nets, such as {SAMPLE}; "
            "`none` sets it aside",
        )
        return []

    def _set_aside(self, part: DrawnPart, kind: str) -> list[DrawnCard]:
        if kind == "connector":
            self.told.note(
                "part-set-aside",
                part.place,
                f"the connector {part.ref} is set aside: what is plugged in is not drawn; a field "
                f"`Netlist` such as `V {_two_pins(part)} 0 ;! input` says it",
                part.ref,
            )
        return []

    def _passive(self, part: DrawnPart, letter: str, *flags: str) -> list[DrawnCard]:
        nets = self._ends(part)
        value = self._value(part, letter)
        if nets is None or value is None:
            return []
        text, ratings = value
        notes, odd = notes_of(part, letter)
        self.told.odd_fields(part, odd)
        if letter == "C" and _is_polarized(part):
            flags = (*flags, NoteKey.POLARIZED)
        return [_plain(part, letter, nets, text, _joined(ratings, notes, flags))]

    def _ends(self, part: DrawnPart) -> list[str] | None:
        nets = list(dict.fromkeys((pin.number, pin.net) for pin in part.pins))
        if len(nets) == 2:
            return [net for _, net in sorted(nets, key=lambda row: (len(row[0]), row[0]))]
        self.told.error(
            part.place,
            f"{part.ref} has {len(nets)} pins, where two were expected",
            f"a field `Netlist` says what is in it, such as {SAMPLE}",
        )
        return None

    def _value(self, part: DrawnPart, letter: str) -> tuple[str, list[str]] | None:
        text = _given_value(part, letter)
        if text.startswith("{") and text.endswith("}"):
            return text, []
        read = read_value_text(text, letter)
        if read.value is None:
            shown = printable(text)[:60] or "nothing"
            self.told.error(
                part.place,
                f"`{shown}` is not the value of a {PASSIVES[letter]}",
                "write it like 4k7, 470R/2W or 22u 450V",
            )
            return None
        if read.assumed:
            self.told.warn("value-assumed", part.place, read.assumed, part.ref)
        if read.left:
            self.told.note(
                "text-set-aside",
                part.place,
                f"`{' '.join(read.left)}` in the value `{one_line(text)}` says nothing that is "
                "used",
                part.ref,
            )
        return f"{read.value:.12g}", list(read.notes)

    def _pot(self, part: DrawnPart) -> list[DrawnCard]:
        by_number = {pin.number: pin.net for pin in part.pins}
        if len(by_number) == 2:
            return self._passive(part, "R")
        value = self._value(part, "R")
        if value is None:
            return []
        if not {"1", "2", "3"} <= by_number.keys():
            self.told.error(part.place, f"the pot {part.ref} has no pins 1, 2 (wiper) and 3")
            return []
        share = self._travel(part)
        text, ratings = value
        ref, cards = as_word(part.ref), []
        halves = (("upper", "1", share), ("lower", "3", 1.0 - share))
        for side, end, part_of_it in halves:
            nets = [by_number[end], by_number["2"]]
            ohm = f"{float(text) * part_of_it:.12g}"
            pair = [NoteKey.POT.written(ref), NoteKey.SIDE.written(side)]
            notes = _joined(ratings, pair, ())
            card = f"R{ref}_{side} {' '.join(nets)} {ohm} ;! {notes}"
            cards.append(DrawnCard(card, part.place))
        return cards

    def _travel(self, part: DrawnPart) -> float:
        """Return the share of a pot between its pin 1 and its wiper."""
        given = part.fields.get("position", "")
        try:
            share = float(given.rstrip("% ")) / (100.0 if given.rstrip().endswith("%") else 1.0)
        except ValueError:
            share = -1.0
        if not 0 <= share <= 1:
            self.told.warn(
                "value-assumed",
                part.place,
                f"where {part.ref} stands is not on the sheet: it is taken at half of its travel; "
                "a field `Position` from 0 to 1 says it",
                part.ref,
            )
            share = POT_TRAVEL
        return min(max(share, _ENDS_OF_TRAVEL), 1 - _ENDS_OF_TRAVEL)

    def _fuse_or_lamp(self, part: DrawnPart, kind: str) -> list[DrawnCard]:
        nets = self._ends(part)
        if nets is None:
            return []
        text = one_line(part.value)
        if kind == "fusible" and (match := _CURRENT.search(text)):
            ampere = parse_quantity(match.group(1), "A")
            if ampere > 0:
                self.told.note(
                    "value-assumed",
                    part.place,
                    f"the resistance of the fuse {part.ref} is not on the sheet: it is taken to "
                    f"drop {FUSE_DROP_V} V at its rated current",
                    part.ref,
                )
                note = NoteKey.FUSE.written(f"{ampere:.6g}A")
                return [_plain(part, "R", nets, f"{FUSE_DROP_V / ampere:.6g}", note)]
        if kind == "bulb" and (match := _LAMP.search(text)):
            ampere = parse_quantity(match.group(2), "A")
            if ampere > 0:
                ohm = f"{float(match.group(1)) / ampere:.6g}"
                return [_plain(part, "R", nets, ohm, NoteKey.LAMP)]
        what, sample = f"fuse {part.ref}", "500mA"
        if kind == "bulb":
            what, sample = f"lamp {part.ref}", "6.3V 150mA"
        self.told.error(
            part.place,
            f"`{printable(text)[:40]}` says no rating of the {what}",
            f"write it like {sample}",
        )
        return []

    def _switch(self, part: DrawnPart, kind: str) -> list[DrawnCard]:
        given = part.fields.get("closed", "").strip()
        numbers = list(dict.fromkeys(pin.number for pin in part.pins))
        if given.casefold() in {"no", "none", "open"}:
            pairs: list[tuple[str, str]] = []
        elif given and given.casefold() not in {"yes", "closed"}:
            pairs = [tuple(one.split("-", 1)) for one in given.split() if "-" in one]  # type: ignore[misc]
        elif len(numbers) == 2:
            pairs = [(numbers[0], numbers[1])]
            if not given and kind == "switch":
                self.told.warn(
                    "value-assumed",
                    part.place,
                    f"whether {part.ref} is closed is not on the sheet: it is taken as closed; a "
                    "field `Closed` with yes or no says it",
                    part.ref,
                )
        else:
            self.told.error(
                part.place,
                f"which way the switch {part.ref} stands is not on the sheet",
                "a field `Closed` says which pins are joined, such as `1-2 4-5`, or `none`",
            )
            return []
        cards: list[DrawnCard] = []
        for number, (first, second) in enumerate(pairs, 1):
            nets = [part.net(first), part.net(second)]
            if None in nets:
                self.told.error(part.place, f"{part.ref} has no pins {first} and {second}")
                return []
            end = f"_{number}" if len(pairs) > 1 else ""
            words = [net for net in nets if net is not None]
            card = f"V{as_word(part.ref)}{end} {' '.join(words)} 0"
            cards.append(DrawnCard(card, part.place))
        return cards

    def _transformer(self, part: DrawnPart) -> list[DrawnCard]:
        self.told.error(
            part.place,
            f"the inductances and the ratio of the transformer {part.ref} are not on the sheet",
            f"a field `Netlist` says them, pins for nets, such as {SAMPLE}; `none` sets it aside",
        )
        return []


def _given_value(part: DrawnPart, letter: str) -> str:
    """Return the value of a part: its text, or what its simulation fields say instead."""
    if part.fields.get("spice_primitive", "").strip().upper() == letter and (
        model := part.fields.get("spice_model", "").strip()
    ):
        return model
    for name in ("sim.params", "spice_model"):
        for word in part.fields.get(name, "").split():
            key, equals, value = word.partition("=")
            value = value.strip('"')
            if equals and key.casefold() == letter.casefold() and not value.startswith("${"):
                return value
    return part.value.strip()


def _two_pins(part: DrawnPart) -> str:
    """Return the pins of a connector that a source may stand at: tip and sleeve of a jack."""
    numbers = sorted({pin.number for pin in part.pins}, key=lambda one: (len(one), one))
    return "T S" if {"T", "S"} <= set(numbers) else " ".join([*numbers, "1", "2"][:2])


def _is_polarized(part: DrawnPart) -> bool:
    return part.symbol.casefold().startswith(("cp", "c_polarized", "c_pol"))


def _plain(part: DrawnPart, letter: str, nets: list[str], value: str, notes: str) -> DrawnCard:
    ref = as_word(part.ref)
    ref = ref if ref[0].upper() == letter else f"{letter}{ref}"
    card = " ".join([ref, *nets, value])
    return DrawnCard(f"{card} ;! {notes}" if notes else card, part.place)


def _joined(ratings: Iterable[str], notes: Iterable[str], flags: Iterable[str]) -> str:
    """Join notes; a field of its own counts before a rating in the value."""
    written = " ".join(notes)
    given = set(re.findall(r"(\w+)\s*=", written))
    kept = [one for one in ratings if one.partition("=")[0] not in given]
    more = [flag for flag in flags if not re.search(rf"\b{flag}\b", written)]
    return " ".join(filter(None, [*kept, written, *more]))
