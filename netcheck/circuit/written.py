"""A circuit as a netlist that reads back as the same circuit.

Comes in: a built `Circuit`.  Goes out: its text, flat: parameters are numbers, subcircuits
are their parts, includes are gone.  A part of a subcircuit keeps its name with its letter in
front (`R3` of the call `X1` is `RX1.R3`); a tube with a model of the user's own gets its
subcircuit.  What was assumed or set aside stands above the cards as comments.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from itertools import combinations

from netcheck.circuit.model import Circuit, Coupling, Part, natural_key
from netcheck.findings import FINDING_KINDS
from netcheck.netlist.flat import DeviceModel, FlatElement, Waveform
from netcheck.netlist.notes import note_text
from netcheck.netlist.written import Renamed, expression_text
from netcheck.source import printable

_LETTERS = {
    "resistor": "R", "capacitor": "C", "inductor": "L", "voltage_source": "V",
    "current_source": "I", "tube": "X",
}  # fmt: skip
_NO_WORD = re.compile(r"[^\w.+-]+")
_NOT_SAID = frozenset({"card-set-aside", "include-skipped", "after-end"})


def netlist_text(circuit: Circuit, source: str) -> str:
    """Return the netlist; `source` names the file it comes from."""
    writer = _Writer(circuit)
    cards = [line for part in circuit for line in writer.part(part)]
    lines = [
        _title(circuit),
        f"* Written by `netcheck convert` from {printable(source)}.",
        *_assumed(circuit),
        *cards,
        *writer.couplings(),
        *writer.models(),
        *writer.subcircuits.values(),
        ".end",
    ]
    return "\n".join(lines) + "\n"


def _title(circuit: Circuit) -> str:
    title = printable(circuit.title).strip()
    return title or "netlist"


def _assumed(circuit: Circuit) -> Iterator[str]:
    """Yield a comment for each thing the reader took in its own way."""
    for finding in circuit.findings:
        kind = FINDING_KINDS.get(finding.rule)
        if kind is None or kind.basis != "text" or finding.rule in _NOT_SAID:
            continue
        where = finding.span.drawn if finding.span and finding.span.drawn else finding.part
        lead = f"{where}: " if where else ""
        yield f"* {finding.level}: {lead}{printable(finding.message)} [{finding.rule}]"


class _Writer:
    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.subcircuits: dict[str, str] = {}

    def part(self, part: Part) -> Iterator[str]:
        """Yield the lines of one part: where it is drawn, and its card."""
        if part.span is not None and part.span.drawn not in {"", part.ref}:
            yield f"* {printable(part.span.drawn)}"
        note = note_text(part.note)
        card = self._card(part)
        yield f"{card} ;! {note}" if note else card

    def _card(self, part: Part) -> str:
        element = part.element
        nets = " ".join(part.nets)
        if part.kind == "tube" and element is not None:
            name = self._own_model(part, element) if element.body else element.name
            return f"{part.ref} {nets} {name}"
        letter = _LETTERS.get(part.kind) or (element.letter if element else "")
        ref = card_name(part.ref, letter)
        if letter in "VI" and element is not None and element.waveform is not None:
            return f"{ref} {nets} {_wave_text(element.waveform)}"
        if letter in "RCLVI" or element is None:
            return f"{ref} {nets} {part.value or 0.0:.12g}"
        return f"{ref} {nets} {_rest_of(element)}"

    def couplings(self) -> Iterator[str]:
        """Yield couplings, those of one card together where it can say them."""
        by_ref: dict[str, list[Coupling]] = {}
        for coupling in self.circuit.couplings:
            by_ref.setdefault(coupling.ref, []).append(coupling)
        for ref, pairs in by_ref.items():
            refs = list(dict.fromkeys(one for pair in pairs for one in (pair.first, pair.second)))
            said = {frozenset((pair.first, pair.second)) for pair in pairs}
            whole = said == {frozenset(pair) for pair in combinations(refs, 2)}
            name = card_name(_NO_WORD.sub("_", ref), "K")  # of an ideal transformer: a phrase
            if whole and len({pair.factor for pair in pairs}) == 1:
                yield _coupling(name, refs, pairs[0].factor)
                continue
            for number, pair in enumerate(pairs, 1):
                yield _coupling(f"{name}_{number}", [pair.first, pair.second], pair.factor)

    def models(self) -> Iterator[str]:
        """Yield the models that devices use."""
        used = {
            element.name.casefold()
            for part in self.circuit
            if part.element is not None
            for element in (part.element, *part.element.body)
            if element.letter in "DQJM"
        }
        for name, model in self.circuit.models.items():
            if name in used:
                yield _model_text(name, model)

    def _own_model(self, part: Part, element: FlatElement) -> str:
        """Return the name of a tube's own subcircuit, which is written once."""
        formal = {pin.net: pin.name for pin in reversed(part.pins)}
        inside = f"{element.ref}."

        def net(name: str) -> str:
            if name == "0":
                return name
            return formal.get(name) or f"in_{name.removeprefix(inside)}"

        lines = [_inner_card(card, inside, net) for card in element.body]
        pins = " ".join(pin.name for pin in part.pins)
        name, number = element.name, 2
        while True:
            text = "\n".join([f".subckt {name} {pins}", *lines, ".ends"])
            if self.subcircuits.setdefault(name.casefold(), text) == text:
                return name
            name, number = f"{element.name}_{number}", number + 1


def card_name(ref: str, letter: str) -> str:
    """Return a ref as the first word of a card: one of a subcircuit gets its letter."""
    return ref if ref[:1].upper() == letter and "." not in ref else f"{letter}{ref}"


def _coupling(name: str, refs: list[str], factor: float) -> str:
    names = sorted((card_name(ref, "L") for ref in refs), key=natural_key)
    return f"{name} {' '.join(names)} {factor:.12g}"


def _wave_text(wave: Waveform) -> str:
    if not wave.alternating:
        return f"{wave.dc_value:.12g}"
    if wave.amplitude or wave.frequency_hz:
        level = f"{wave.dc_value:.12g}"
        return f"DC {level} SIN({level} {wave.amplitude:.12g} {wave.frequency_hz:.12g})"
    return f"{wave.dc_value:.12g} AC 1"


def _same(name: str) -> str:
    return name


def _source_name(name: str) -> str:
    return card_name(name, "V")


def _rest_of(element: FlatElement) -> str:
    """Return what stands behind the nets of a device or a controlled source."""
    if element.expression is not None:
        text = expression_text(element.expression, _same, _source_name)
        key = "VALUE=" if element.letter in "EG" else f"{element.quantity or 'v'}="
        return f"{key}{{{text}}}"
    if element.letter in "FH":
        return f"{_source_name(element.controls[0])} {element.value or 0.0:.12g}"
    if element.letter in "EG":
        return f"{element.value or 0.0:.12g}"
    settings = [f"{key}={value:.12g}" for key, value in element.parameters.items()]
    return " ".join([element.name, *settings])


def _inner_card(card: FlatElement, inside: str, net: Renamed) -> str:

    def source(name: str) -> str:
        return card_name(name.removeprefix(inside), "V")

    ref = card_name(card.ref.removeprefix(inside), card.letter)
    nets = " ".join(net(node) for node in card.nodes)
    if card.letter == "K":
        coils = " ".join(card_name(one.removeprefix(inside), "L") for one in card.controls)
        return f"{ref} {coils} {card.value or 0.0:.12g}"
    if card.expression is not None:
        text = expression_text(card.expression, net, source)
        key = "VALUE=" if card.letter in "EG" else f"{card.quantity or 'v'}="
        return f"{ref} {nets} {key}{{{text}}}"
    if card.letter in "FH":
        return f"{ref} {nets} {source(card.controls[0])} {card.value or 0.0:.12g}"
    if card.letter in "VI" and card.waveform is not None:
        return f"{ref} {nets} {_wave_text(card.waveform)}"
    if card.letter in "DQJM":
        return f"{ref} {nets} {_rest_of(card)}"
    return f"{ref} {nets} {card.value or 0.0:.12g}"


def _model_text(name: str, model: DeviceModel) -> str:
    settings = " ".join(f"{key}={value:.12g}" for key, value in _sorted(model.parameters))
    return f".model {name} {model.kind}({settings})"


def _sorted(parameters: Mapping[str, float]) -> list[tuple[str, float]]:
    return sorted(parameters.items())
