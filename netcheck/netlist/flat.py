"""The flat netlist: what the reader hands on to the circuit builder.

Every subcircuit that is not a tube has been expanded; names are hierarchical
(`X1.R3`), parameters are evaluated to SI numbers, expressions hold no
parameters any more.  A tube written as an `X` card stays one element; if the
file has a `.subckt` for it, its expanded body comes along in `body`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from netcheck.findings import Finding
from netcheck.netlist.cards import Expression, PartNote
from netcheck.source import SourceText, Span


@dataclass(frozen=True, slots=True)
class Waveform:
    """What a V or I card says about its source.

    `dc_value` is the DC value in volts or amperes.  `alternating` is true for a
    source with an AC, SIN, PULSE, PWL, ... specification; `amplitude` and
    `frequency_hz` are filled for SIN.
    """

    dc_value: float = 0.0
    alternating: bool = False
    amplitude: float = 0.0
    frequency_hz: float = 0.0


@dataclass(frozen=True, slots=True)
class FlatElement:
    """One element of the expanded netlist.

    letter: upper-case SPICE letter, one of R C L K V I D E F G H B X Q J M.
    nodes: net names after expansion; ground is always "0"; letter case is that
        of the first time the net was written (nets compare without case).
    name: model name of D/Q/J/M, subcircuit or tube type of X, else "".
    value: ohm, farad, henry, coupling factor; for E F G H with a plain gain the
        gain; None where an expression or a waveform stands instead.
    expression: of a behavioural source (B, or E/G with VALUE or an expression).
    quantity: "v" or "i" for a behavioural source: what the expression gives.
    controls: names of inductors (K), of the controlling source (F, H).
    parameters: key=value words of the card, evaluated (X, D instance values).
    inside: ref of the part that this one is a property of (`Rser=`), "" for a part.
    pins: names of the electrodes of `body` in node order, as its law or its `.subckt`
        tells them.
    body: expanded elements of the user's own tube subcircuit; their nodes are
        already mapped (formal pins to `nodes`, inner nets to `REF.inner`).
    """

    ref: str
    letter: str
    nodes: tuple[str, ...]
    span: Span
    value: float | None = None
    value_text: str = ""
    name: str = ""
    expression: Expression | None = None
    quantity: str = ""
    controls: tuple[str, ...] = ()
    waveform: Waveform | None = None
    parameters: Mapping[str, float] = field(default_factory=dict)
    note: PartNote = field(default_factory=PartNote)
    pins: tuple[str, ...] = ()
    body: tuple[FlatElement, ...] = ()
    comment: str = ""
    inside: str = ""


@dataclass(frozen=True, slots=True)
class DeviceModel:
    """A `.model` card: `kind` as written in lower case ("d", "npn", ...)."""

    name: str
    kind: str
    parameters: Mapping[str, float]
    span: Span


@dataclass(frozen=True, slots=True)
class ExpandedCall:
    """An X card that was expanded: its full ref, the subcircuit's name, its place."""

    ref: str
    name: str
    span: Span


@dataclass(frozen=True, slots=True)
class FlatNetlist:
    """The whole netlist, expanded; the end of the reader's work.

    models: by lower-case name; those inside a subcircuit go by `ref.name`.
    skipped_includes: file names of includes that were not followed, for messages
        about names that stay unknown.
    calls: X cards that were expanded, outer ones before those inside them.
    """

    title: str
    elements: tuple[FlatElement, ...]
    models: Mapping[str, DeviceModel]
    sources: Mapping[str, SourceText]
    findings: tuple[Finding, ...] = ()
    skipped_includes: tuple[str, ...] = ()
    calls: tuple[ExpandedCall, ...] = ()
