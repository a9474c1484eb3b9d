"""From the flat netlist to the circuit.

Comes in: `FlatNetlist` and the library of tube types.  Goes out: a `Circuit`
whose parts have named pins.  A tube is an `X` card whose name (or `type=` note)
is on file, or whose subcircuit in the netlist has a tube's pins; those pins are
matched by their names, else by how the circuit hangs on them.

Calls of subcircuits that are no tube were expanded: `blocks.py` says what they are.
Types that came from the user's folder
get a note, since their limits are then not those on file.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import combinations
from pathlib import PurePath

from netcheck.circuit.blocks import unknown_block_findings, with_pots
from netcheck.circuit.bulbs import (
    join_bulbs,
    named_section,
    section_names,
    section_of,
    spelled_alike,
)
from netcheck.circuit.ideal_transformers import with_windings
from netcheck.circuit.model import Circuit, Coupling, Part, PartKind, Pin, natural_key
from netcheck.errors import ManyErrors, NetcheckError, NetlistError
from netcheck.findings import Finding
from netcheck.netlist.flat import FlatElement, FlatNetlist
from netcheck.tubes.library import Found, TubeLibrary
from netcheck.tubes.types import TubeType

PIN_NAMES: dict[str, tuple[str, ...]] = {
    "R": ("a", "b"),
    "C": ("a", "b"),
    "L": ("a", "b"),
    "V": ("plus", "minus"),
    "I": ("plus", "minus"),
    "D": ("anode", "cathode"),
    "Q": ("collector", "base", "emitter", "substrate"),
    "J": ("drain", "gate", "source"),
    "M": ("drain", "gate", "source", "body"),
    "E": ("plus", "minus", "control_plus", "control_minus"),
    "G": ("plus", "minus", "control_plus", "control_minus"),
    "F": ("plus", "minus"),
    "H": ("plus", "minus"),
    "B": ("plus", "minus"),
}
KINDS: dict[str, PartKind] = {
    "R": "resistor",
    "C": "capacitor",
    "L": "inductor",
    "V": "voltage_source",
    "I": "current_source",
    "D": "diode",
    "Q": "transistor",
    "J": "transistor",
    "M": "transistor",
    **dict.fromkeys("EFGHB", "controlled_source"),
}
ELECTRODE_WORDS: dict[str, str] = {
    **dict.fromkeys(("p", "pl", "plate", "a", "anode", "pp"), "plate"),
    **dict.fromkeys(("s", "sg", "g2", "screen", "s2"), "screen"),
    **dict.fromkeys(("g", "g1", "grid", "cg"), "grid"),
    **dict.fromkeys(("k", "c", "cathode", "cath", "f"), "cathode"),
    "plate_2": "plate_2",
}
HEATER_WORDS = frozenset({"h", "h1", "h2", "f", "f1", "f2", "heater", "heater1", "heater2"})
TUBE_PINS: tuple[tuple[str, ...], ...] = (
    ("plate", "cathode"),
    ("plate", "plate_2", "cathode"),
    ("plate", "grid", "cathode"),
    ("plate", "screen", "grid", "cathode"),
)
"""Electrodes a user's own tube model may have."""


def build_circuit(netlist: FlatNetlist, library: TubeLibrary) -> Circuit:
    """Build the circuit of a netlist; raises ManyErrors with all mistakes."""
    builder = _Builder(netlist, library)
    parts = builder.parts()
    couplings = builder.couplings()
    parts, joined = join_bulbs(spelled_alike(parts), builder.bulb_types)
    if builder.errors:
        raise builder.errors[0] if len(builder.errors) == 1 else ManyErrors(builder.errors)
    ordered = sorted(parts, key=lambda part: natural_key(part.ref))
    circuit = Circuit(
        netlist.title,
        {part.ref: part for part in ordered},
        tuple(couplings),
        {name.casefold(): model for name, model in netlist.models.items()},
        (*netlist.findings, *builder.findings, *joined),
        netlist.sources,
    )
    circuit = with_pots(with_windings(circuit))
    unknown = unknown_block_findings(circuit, netlist.calls)
    return replace(circuit, findings=(*circuit.findings, *unknown))


class _Builder:
    """Turns elements into parts and collects what is wrong with them."""

    def __init__(self, netlist: FlatNetlist, library: TubeLibrary) -> None:
        self.netlist = netlist
        self.library = library
        self.bulb_types: dict[str, str] = {}
        self.errors: list[NetcheckError] = []
        self.findings: list[Finding] = []

    def parts(self) -> list[Part]:
        """Return a part for every element except couplings."""
        parts: list[Part] = []
        for element in self.netlist.elements:
            if element.letter == "K":
                continue
            part = self._tube(element) if element.letter == "X" else self._plain(element)
            if part:
                parts.append(part)
        return parts

    def couplings(self) -> list[Coupling]:
        """Return the couplings, expanded to pairs."""
        inductors = {
            element.ref.casefold(): element.ref
            for element in self.netlist.elements
            if element.letter == "L"
        }
        pairs: list[Coupling] = []
        for element in self.netlist.elements:
            if element.letter != "K":
                continue
            missing = [ref for ref in element.controls if ref.casefold() not in inductors]
            if missing:
                self._error(
                    element, f"{element.ref} couples {missing[0]}, which is no inductor here"
                )
                continue
            refs = [inductors[ref.casefold()] for ref in element.controls]
            for first, second in combinations(refs, 2):
                pairs.append(Coupling(element.ref, first, second, element.value or 0.0))
        return pairs

    def _error(self, element: FlatElement, message: str, hint: str = "") -> None:
        source = self.netlist.sources.get(element.span.file)
        self.errors.append(NetlistError(message, span=element.span, source=source, hint=hint))

    def _plain(self, element: FlatElement) -> Part | None:
        kind = KINDS.get(element.letter)
        if kind is None:
            self._error(element, f"{element.ref} is of a kind netcheck does not know")
            return None
        names = PIN_NAMES[element.letter]
        pins = tuple(Pin(name, net) for name, net in zip(names, element.nodes, strict=False))
        value = element.value
        if element.waveform is not None and element.letter in "VI":
            value = element.waveform.dc_value
        return Part(element.ref, kind, pins, value, element.note, element)

    def _tube(self, element: FlatElement) -> Part | None:
        named = element.note.tube_type or element.name
        found = self.library.lookup(named)
        if found is None and element.note.tube_type:
            self._error(element, f"type={named} is not on file", self._suggestion(element, named))
            return None
        if found is None:
            found = self._within(element)
        if found is None and not element.body:
            self._error(
                element,
                f"{element.name} is neither a subcircuit of this netlist nor a tube type on file",
                self._suggestion(element, named),
            )
            return None
        if found and found.warning:
            self.findings.append(
                Finding("ambiguous-tube", "warning", found.warning, element.ref, element.span)
            )
        pinned = self._own_pins(element) if element.body else None
        if pinned is None:
            names = self._filed_pins(element, found)
            pinned = None if names is None else tuple(zip(names, element.nodes, strict=True))
        if pinned is None:
            return None
        part = Part(
            element.ref, "tube", tuple(Pin(*pin) for pin in pinned), None, element.note, element
        )
        if found is None:
            self._untyped(element)
        return self._typed(part, found.type) if found else part

    def _within(self, element: FlatElement) -> Found | None:
        """Return the type a part of the name stands for, if it has that many electrodes."""
        found = self.library.lookup_within(element.name)
        if found is None or found.type.with_nodes(len(element.nodes)) is None:
            return None
        return found

    def _untyped(self, element: FlatElement) -> None:
        """Ask for the type of a tube that only its own model is known of."""
        if element.note.plate_power_w is not None:
            return
        several = self.library.types_within(element.name)
        why = f" ({' or '.join(several)}?)" if len(several) > 1 else ""
        self.findings.append(
            Finding(
                "tube-without-type",
                "warning",
                f"{element.ref} is a tube with a model of its own, but no type on file is called "
                f"{element.name}{why}: it is solved, and no limit of it is known",
                element.ref,
                element.span,
                "add `;! type=` with the type whose published limits hold, or "
                "`;! plate_power=` with the limit; `netcheck tubes` lists the types",
            )
        )

    def _typed(self, part: Part, bulb: TubeType) -> Part:
        """Give a section its type, and say which of the bulb's sections it is."""
        meant = bulb.with_nodes(len(part.pins))
        tube = meant[0] if meant else bulb
        self.bulb_types[part.ref] = bulb.name
        section = section_of(part.ref, tube)
        if part.note.section:
            section = named_section(tube, part.note.section) or ""
            if not section and part.element:
                names = ", ".join(section_names(tube))
                message = f"a {tube.name} has no section '{part.note.section}'"
                self._error(part.element, message, f"its sections: {names}")
        return replace(part, tube=tube, section=section)

    def _filed_pins(self, element: FlatElement, found: Found | None) -> tuple[str, ...] | None:
        if found is None:
            self._error(
                element,
                f"the pins of subcircuit {element.name} cannot be told apart",
                "name them plate, screen, grid, cathode (or p g2 g k), or add a type= note",
            )
            return None
        meant = found.type.with_nodes(len(element.nodes))
        if meant is None:
            orders = [
                names for each in found.type.unlike_sections for names in each.electrode_choices
            ]
            takes = ", or ".join(f"{len(names)}: {' '.join(names)}" for names in orders)
            self._error(
                element,
                f"{element.ref} has {len(element.nodes)} nodes, but a {found.type.name} "
                f"section takes {takes}",
                "one X card is one section; heater and suppressor pins are left out",
            )
            return None
        return meant[1]

    def _own_pins(self, element: FlatElement) -> tuple[tuple[str, str], ...] | None:
        """Pins and nets of the user's own subcircuit, by name, else by how it is wired."""
        words = [pin.casefold().strip("_") for pin in element.pins]
        names = [ELECTRODE_WORDS.get(word, "") for word in words]
        if "" in names and self._heater_is_apart(element, words):
            kept = [
                (word, net)
                for word, net in zip(words, element.nodes, strict=True)
                if word not in HEATER_WORDS
            ]
            names = [ELECTRODE_WORDS.get(word, "") for word, _ in kept]
            nodes = tuple(net for _, net in kept)
        else:
            nodes = element.nodes
        if any(sorted(names) == sorted(wanted) for wanted in TUBE_PINS):
            return tuple(zip(names, nodes, strict=True))
        guessed = guess_pins(element, self.netlist.elements)
        return None if guessed is None else tuple(zip(guessed, element.nodes, strict=True))

    def _heater_is_apart(self, element: FlatElement, words: list[str]) -> bool:
        heated = {
            net
            for word, net in zip(words, element.nodes, strict=True)
            if word in HEATER_WORDS and word not in ELECTRODE_WORDS
        }
        used = {net for card in element.body for net in card.nodes}
        return bool(heated) and not heated & used

    def _suggestion(self, element: FlatElement, name: str) -> str:
        """Suggest a type with as many electrodes, and tell of includes that were skipped."""
        near = self.library.suggest(name)
        found = self.library.lookup(near) if near else None
        fits = found is not None and found.type.with_nodes(len(element.nodes)) is not None
        hint = f"did you mean {near}? " if fits else ""
        hint += "`netcheck tubes` lists the types on file"
        skipped = self.netlist.skipped_includes
        if skipped:
            hint += f"; an include was skipped that may hold it: {', '.join(skipped)}"
        return hint


def guess_pins(element: FlatElement, elements: Iterable[FlatElement]) -> tuple[str, ...] | None:
    """Guess the electrodes of a tube model from what hangs on its pins.

    The cathode is the pin the model's own sources return to; the plate is a pin
    a current source of the model feeds from it; a grid only controls.
    """
    sinks: dict[str, int] = {}
    drains: dict[str, int] = {}
    for card in element.body:
        if card.letter in "GB" and card.quantity != "v" and len(card.nodes) >= 2:
            drains[card.nodes[0]] = drains.get(card.nodes[0], 0) + 1
            sinks[card.nodes[1]] = sinks.get(card.nodes[1], 0) + 1
    nodes = element.nodes
    fed = [node for node in nodes if drains.get(node) and not sinks.get(node)]
    cathodes = [node for node in nodes if sinks.get(node)]
    if len(cathodes) != 1 or not fed:
        return None
    cathode = cathodes[0]
    grids = [node for node in nodes if node not in fed and node != cathode]
    table = {cathode: "cathode"}
    if len(nodes) == 3 and len(fed) == 1 and len(grids) == 1:
        table |= {fed[0]: "plate", grids[0]: "grid"}
    elif len(nodes) == 4 and len(fed) == 2 and len(grids) == 1:
        loaded = _through_winding(fed, elements)
        if loaded is None:
            return None
        other = fed[1] if loaded == fed[0] else fed[0]
        table |= {loaded: "plate", other: "screen", grids[0]: "grid"}
    else:
        return None
    return tuple(table[node] for node in nodes)


def _through_winding(nets: list[str], elements: Iterable[FlatElement]) -> str | None:
    """Return the one net of two that an inductor ends on."""
    wound = {node for element in elements if element.letter == "L" for node in element.nodes}
    ends = [net for net in nets if net in wound]
    return ends[0] if len(ends) == 1 else None


def own_tube_findings(circuit: Circuit, library: TubeLibrary) -> tuple[Finding, ...]:
    """Return a note for each type of the user's own; the path is left out of it."""
    first: dict[str, str] = {}
    for part in circuit.parts.values():
        if part.tube is not None:
            first.setdefault(part.tube.name, part.ref)
    return tuple(
        Finding(
            "own-tube-file",
            "note",
            f"limits and law of {name} are those of your own file {PurePath(file).name}",
            ref,
        )
        for name, ref in first.items()
        if (file := library.file_of(name))
    )
