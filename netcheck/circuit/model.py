"""The circuit: parts with named pins on nets, ready for graph and solver.

Comes in: the flat netlist and the tube types on file (`build.py` does that).
Goes out: frozen `Part` and `Circuit` values.  A fault never changes a circuit in
place; `changes.py` returns a new one.  Pins are in SPICE order: a resistor has
`a b`, a diode `anode cathode`, a source `plus minus`, a triode `plate grid
cathode`, a pentode `plate screen grid cathode`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Literal

from netcheck.findings import Finding
from netcheck.netlist.cards import PartNote
from netcheck.netlist.flat import DeviceModel, FlatElement
from netcheck.source import SourceText, Span
from netcheck.tubes.types import TubeType

GROUND = "0"

PartKind = Literal[
    "resistor",
    "capacitor",
    "inductor",
    "voltage_source",
    "current_source",
    "diode",
    "tube",
    "controlled_source",
    "transistor",
]


ELECTROLYTIC_F = 0.9e-6
"""From a microfarad up a capacitor is taken for an electrolytic (common practice)."""


@dataclass(frozen=True, slots=True)
class Pin:
    """One pin of a part and the net it is on."""

    name: str
    net: str


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the circuit.

    value: ohm, farad, henry, or the DC volts or amperes of a source.
    tube: limits and law on file for a tube; None for a tube that is only the
        user's own subcircuit (it is solved and listed as not judged).
    element: the card the part came from, which the deck writer needs for
        behavioural sources, diodes, transistors and own tube models.
    added: true for a part a fault has put in (a leak, a short).
    current_scale: factor on a tube's emission; 0 is a cold tube.
    gas_ratio: a tube's ion current over its space current; None as on file.
    grid_emission_a: constant current out of a tube's grid [A].
    section: name of the section of its bulb, where the netlist tells.
    """

    ref: str
    kind: PartKind
    pins: tuple[Pin, ...]
    value: float | None
    note: PartNote
    element: FlatElement | None = None
    tube: TubeType | None = None
    added: bool = False
    current_scale: float = 1.0
    gas_ratio: float | None = None
    grid_emission_a: float = 0.0
    section: str = ""

    @property
    def span(self) -> Span | None:
        """Where the part was written; None for a part a fault has added."""
        return self.element.span if self.element else None

    @property
    def nets(self) -> tuple[str, ...]:
        """The nets of the pins, in pin order."""
        return tuple(pin.net for pin in self.pins)

    def net(self, pin: str) -> str:
        """Return the net on pin `pin`; KeyError where there is no such pin."""
        for candidate in self.pins:
            if candidate.name == pin:
                return candidate.net
        raise KeyError(f"{self.ref} has no pin {pin}")

    def has_pin(self, pin: str) -> bool:
        """Say whether the part has a pin of this name."""
        return any(candidate.name == pin for candidate in self.pins)

    @property
    def looks_electrolytic(self) -> bool:
        """Whether it is taken for an electrolytic: a microfarad or more, and no dielectric
        noted (common practice)."""
        large = self.kind == "capacitor" and (self.value or 0.0) >= ELECTROLYTIC_F
        return large and not self.note.dielectric

    def other_net(self, net: str) -> str:
        """Return the far net of a two-pin part."""
        first, second = self.nets
        return second if first == net else first


@dataclass(frozen=True, slots=True)
class Coupling:
    """Magnetic coupling of two windings (`factor` from -1 to 1)."""

    ref: str
    first: str
    second: str
    factor: float


@lru_cache(maxsize=4096)
def natural_key(ref: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that puts R2 before R10 and ignores letter case."""
    return tuple(
        (0, int(piece), "") if piece.isdigit() else (1, 0, piece.casefold())
        for piece in re.split(r"(\d+)", ref)
        if piece
    )


@dataclass(frozen=True)
class Circuit:
    """A flat circuit.  `parts` is ordered by `natural_key` of the ref."""

    title: str
    parts: Mapping[str, Part]
    couplings: tuple[Coupling, ...] = ()
    models: Mapping[str, DeviceModel] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    sources: Mapping[str, SourceText] = field(default_factory=dict)

    def __iter__(self) -> Iterator[Part]:
        return iter(self.parts.values())

    def __getitem__(self, ref: str) -> Part:
        return self.parts[ref]

    def of_kind(self, *kinds: PartKind) -> tuple[Part, ...]:
        """Return the parts of these kinds, in order."""
        return tuple(part for part in self if part.kind in kinds)

    @cached_property
    def tubes(self) -> tuple[Part, ...]:
        """All tube sections, in order."""
        return self.of_kind("tube")

    @cached_property
    def bulbs(self) -> tuple[tuple[Part, ...], ...]:
        """Sections by bulb, in order: those of one `envelope=` note; any other tube is alone."""
        table: dict[tuple[str, str], list[Part]] = {}
        for tube in self.tubes:
            bulb = ("envelope", tube.note.envelope) if tube.note.envelope else ("ref", tube.ref)
            table.setdefault(bulb, []).append(tube)
        return tuple(map(tuple, table.values()))

    def bulb_of(self, ref: str) -> tuple[Part, ...]:
        """Return the sections in one bulb with this tube, itself among them."""
        return next(bulb for bulb in self.bulbs if any(tube.ref == ref for tube in bulb))

    @cached_property
    def nets(self) -> tuple[str, ...]:
        """All net names, ground first, then in natural order."""
        names = {pin.net for part in self for pin in part.pins} - {GROUND}
        return (GROUND, *sorted(names, key=natural_key))

    @cached_property
    def parts_on(self) -> Mapping[str, tuple[Part, ...]]:
        """Parts by the net they touch, in order."""
        table: dict[str, list[Part]] = {}
        for part in self:
            for net in dict.fromkeys(part.nets):
                table.setdefault(net, []).append(part)
        return {net: tuple(parts) for net, parts in table.items()}

    def coupled_with(self, inductor: str) -> Mapping[str, float]:
        """Return the windings coupled with `inductor` and the factors."""
        table: dict[str, float] = {}
        for coupling in self.couplings:
            if coupling.first == inductor:
                table[coupling.second] = coupling.factor
            elif coupling.second == inductor:
                table[coupling.first] = coupling.factor
        return table

    def with_parts(
        self,
        *parts: Part,
        without: tuple[str, ...] = (),
        couplings: tuple[Coupling, ...] | None = None,
    ) -> Circuit:
        """Return a copy with `parts` put in or replaced, and some left out."""
        table = dict(self.parts)
        for ref in without:
            table.pop(ref, None)
        known = all(part.ref in table for part in parts)
        table.update((part.ref, part) for part in parts)
        ordered = (
            table if known else dict(sorted(table.items(), key=lambda item: natural_key(item[0])))
        )
        return replace(
            self,
            parts=ordered,
            couplings=self.couplings if couplings is None else couplings,
        )
