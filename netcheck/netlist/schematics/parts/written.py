"""The field `Netlist` of a part: cards as a netlist has them, with pins for nets.

A sheet does not say what is in a transformer, nor what stands behind a connector.  The field
says it: `L 1 2 12 ;! turns=2800 dcr=230ohm | L 3 4 19.2m | K 0.9985`.  Each card begins with
its letter, pins are given by number or name, `K` joins the inductors of the part, and the
reference of the part is put in.  `none` sets the part aside.
"""

from __future__ import annotations

from netcheck.netlist.schematics.drawn import DrawnCard, as_word, one_line
from netcheck.netlist.schematics.parts.drawn_parts import DrawnPart
from netcheck.netlist.schematics.parts.tellings import Tellings

FIELD = "netlist"
SAMPLE = "`L 1 2 12 ;! turns=2800 dcr=230ohm | L 3 4 19.2m ;! turns=112 | K 0.9985`"
_NETS = {"Q": 3, "J": 3, "M": 4, "E": 4, "G": 4}
_LETTERS = frozenset("RCLVIDQJMBEGX")
_NOTHING = frozenset({"none", "-"})


def written_cards(part: DrawnPart, told: Tellings) -> list[DrawnCard]:
    """Return the cards that the field of a part says."""
    text = part.fields[FIELD].strip()
    if text.casefold() in _NOTHING:
        told.warn(
            "part-set-aside", part.place, f"{part.ref} is set aside, as its field says", part.ref
        )
        return []
    pieces = [one_line(piece) for piece in text.replace("\n", "|").split("|")]
    pieces = [piece for piece in pieces if piece]
    counts: dict[str, int] = {}
    for piece in pieces:
        letter = piece[0].upper()
        counts[letter] = counts.get(letter, 0) + 1
    numbers: dict[str, int] = {}
    cards: list[DrawnCard] = []
    coils: list[str] = []
    for piece in pieces:
        letter = piece[0].upper()
        numbers[letter] = numbers.get(letter, 0) + 1
        ref = f"{letter}{as_word(part.ref)}" + (f"_{numbers[letter]}" if counts[letter] > 1 else "")
        if letter == "K":
            cards.append(DrawnCard(" ".join([ref, *coils, *piece.split()[1:]]), part.place))
        elif card := _card(part, piece, ref, told):
            cards.append(DrawnCard(card, part.place))
            coils += [ref] if letter == "L" else []
    return cards


def _card(part: DrawnPart, piece: str, ref: str, told: Tellings) -> str:
    code, mark, note = piece.partition(";")
    letter, *words = code.split()
    if len(letter) != 1 or letter.upper() not in _LETTERS:
        told.error(
            part.place,
            f"the field `Netlist` of {part.ref} has `{letter[:20]}` where a card's letter is "
            "expected",
            f"write it like {SAMPLE}",
        )
        return ""
    count = len(words) - 1 if letter.upper() == "X" else _NETS.get(letter.upper(), 2)
    nets = [_net(part, word) for word in words[:count]]
    if len(nets) < count or None in nets:
        wrong = next((w for w, net in zip(words, nets, strict=False) if net is None), "")
        what = f"has no pin `{wrong[:20]}`" if wrong else "has too few pins in its field `Netlist`"
        told.error(part.place, f"{part.ref} {what}", f"write it like {SAMPLE}")
        return ""
    named = [net for net in nets if net is not None]
    return " ".join([ref, *named, *words[count:], *([f"{mark}{note}"] if mark else [])])


def _net(part: DrawnPart, word: str) -> str | None:
    net = part.net(word)
    if net is not None:
        return net
    folded = word.casefold()
    named = next((pin.net for pin in part.pins if pin.name.casefold() == folded), None)
    return "0" if named is None and word == "0" else named
