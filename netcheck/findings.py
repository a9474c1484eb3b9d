"""Findings: what was noticed about a netlist or circuit without stopping.

A finding has a stable rule name, the part it concerns, the place it was
written, a level and one sentence.  Levels are those of SARIF.

`FINDING_KINDS` is the register of every rule: what it is called, why it matters,
and where that is known from.  A test holds it to what the program can give.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from netcheck.source import Span

Level = Literal["error", "warning", "note"]
Basis = Literal["text", "wiring", "solved"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing noticed; `hint` says what to do about it, where that is not plain."""

    rule: str
    level: Level
    message: str
    part: str = ""
    span: Span | None = None
    hint: str = ""


@dataclass(frozen=True, slots=True)
class FindingKind:
    """One rule.

    level: the gravest it is given with.  basis: what it is found from: the text of the
    netlist, the wiring alone, or the solved circuit.  why: why it matters and what to do.
    """

    code: str
    level: Level
    basis: Basis
    title: str
    why: str
    source: str = "common practice"


_READING = "how this reader takes netlists"
_SPICE = "SPICE value suffixes, as ngspice reads them"

_KINDS = (
    # What the text says.
    FindingKind("after-end", "note", "text", "Cards after .end", "They are not read.", _READING),
    FindingKind(
        "ambiguous-tube", "warning", "text", "A tube name that fits several ratings",
        "The lower limit counts; write the full type.", "the tube's data file",
    ),
    FindingKind(
        "capacitor-without-suffix", "warning", "text", "A capacitor of millifarads and more",
        "Without a suffix it is farads in SPICE; write u for microfarads.", _SPICE,
    ),
    FindingKind(
        "card-set-aside", "note", "text", "A card of no use here",
        "Analysis cards of other tools are read and set aside.", _READING,
    ),
    FindingKind(
        "control-set-aside", "warning", "text", "A block of commands",
        "Nothing of it is run and nothing it sets is known: values as the cards give them count.",
        _READING,
    ),
    FindingKind(
        "defined-twice", "note", "text", "A name that a library defines twice",
        "The first definition counts, wherever the second stands.", _READING,
    ),
    FindingKind(
        "file-not-read", "note", "text", "A waveform from a file",
        "The file is not read; the source counts as alternating.", _READING,
    ),
    FindingKind(
        "generic-model", "warning", "text", "A diode whose model is nowhere",
        "A generic silicon rectifier stands in; add the .model card for the real one.",
        "silicon rectifier of 1 A, from memory",
    ),
    FindingKind(
        "ground-joined", "warning", "text", "A second ground by another name",
        "It is net 0 as well: nothing on the sheet stands between the two.", _READING,
    ),
    FindingKind(
        "include-moved", "note", "text", "An include by a path of another machine",
        "The file of that name beside the netlist was read in its place.", _READING,
    ),
    FindingKind(
        "include-skipped", "note", "text", "An include outside the netlist's folder",
        "It is not read; copy the file beside the netlist.", _READING,
    ),
    FindingKind(
        "instance-word", "warning", "text", "A key=value word that is not known",
        "It is set aside; write it as a part of its own if it changes a current.", _READING,
    ),
    FindingKind(
        "interrupted", "error", "solved", "An audit that was interrupted",
        "The ranking is of what was finished; run it again for the rest.", _READING,
    ),
    FindingKind(
        "out-of-budget", "error", "solved", "An audit that ran out of its time",
        "The ranking is of what was solved by then, the likeliest first.", _READING,
    ),
    FindingKind(
        "joined-envelope", "note", "text", "Sections taken for one bulb",
        "No note says which sections share a bulb; `envelope=` does.", _READING,
    ),
    FindingKind(
        "library-line-skipped", "note", "text", "A line of a library that cannot be read",
        "It changes nothing as long as nothing that is used stands on it.", _READING,
    ),
    FindingKind(
        "note-without-mark", "warning", "text", "A comment that reads as a part note",
        "Only a comment that begins with `;!` is a note; this one says nothing to netcheck.",
        _READING,
    ),
    FindingKind(
        "part-set-aside", "warning", "text", "A part of a schematic that is not solved",
        "A connector carries what is plugged in, which no sheet shows; a field says what is meant.",
        _READING,
    ),
    FindingKind(
        "pin-names-disagree", "warning", "text", "Pins whose names and numbers disagree",
        "The names on the sheet count; compare the symbol with the base of the tube.", _READING,
    ),
    FindingKind(
        "pin-set-aside", "warning", "text", "A pin of a tube's symbol that is not used",
        "Heaters are not solved; a suppressor is taken as if it were on the cathode.", _READING,
    ),
    FindingKind(
        "section-not-drawn", "note", "text", "A section of a twin tube that is not on the sheet",
        "It is taken as unused; draw it, or ground its grid and leave its plate open.", _READING,
    ),
    FindingKind(
        "soft-start", "note", "text", "A supply that is switched on in time",
        "Its final value counts as its DC volts.", _READING,
    ),
    FindingKind(
        "step-first-value", "note", "text", "A parameter that only .step gives",
        "The first value of the list counts.", _READING,
    ),
    FindingKind(
        "note-alone", "note", "text", "A part note on a line of its own",
        "A note belongs at the end of its card.", _READING,
    ),
    FindingKind(
        "note-unused", "warning", "text", "A part note that says nothing that is used",
        "Notes count on part cards only.", _READING,
    ),
    FindingKind(
        "parameter-twice", "warning", "text", "A parameter that is given twice",
        "The later value counts; keep one of them.", _READING,
    ),
    FindingKind(
        "parameter-unused", "warning", "text", "A parameter the subcircuit does not have",
        "It is probably misspelled: the subcircuit keeps its own value.", _READING,
    ),
    FindingKind(
        "own-tube-file", "note", "text", "A tube type from your own folder",
        "Its limits and law are yours, not those that come with the program.", _READING,
    ),
    FindingKind(
        "text-set-aside", "note", "text", "Words in a value that are not used",
        "A value is a number and its ratings; what else stands there says nothing.", _READING,
    ),
    FindingKind(
        "tube-without-type", "warning", "text", "A tube that no published limits are known for",
        "Its own model is solved; `type=` names the type whose limits hold.", _READING,
    ),
    FindingKind(
        "unknown-block", "warning", "text", "A subcircuit whose purpose is not known",
        "It is solved as written and not judged; a tube needs `type=` if it is one.", _READING,
    ),
    FindingKind(
        "supply-assumed", "warning", "text", "A supply that only has a name",
        "An ideal source of the volts in its name stands in; draw the supply, or its resistance.",
        _READING,
    ),
    FindingKind(
        "title-is-a-card", "warning", "text", "The title reads as a card",
        "The first line is always the title; a part written there is lost.", _READING,
    ),
    FindingKind(
        "unused-subcircuit-mistake", "note", "text", "A mistake in an unused subcircuit",
        "It changes nothing as long as nobody uses it.", _READING,
    ),
    FindingKind(
        "value-assumed", "warning", "text", "A value that a schematic leaves open",
        "The message says what was taken; a field of the part, or its value, says what is meant.",
        _READING,
    ),
    FindingKind(
        "value-bare-m", "warning", "text", "A bare M",
        "It is milli in SPICE; write meg for megohms.", _SPICE,
    ),
    FindingKind(
        "value-engineer-style", "note", "text", "A value written like 4k7",
        "Read as engineers mean it; other simulators read 4k.", _SPICE,
    ),
    FindingKind(
        "value-farad", "warning", "text", "A bare F",
        "It is femto in SPICE; write the value without F.", _SPICE,
    ),
    FindingKind(
        "value-mfd", "warning", "text", "MFD",
        "Read as microfarad; other simulators read milli.", _SPICE,
    ),
    FindingKind(
        "value-micro-sign", "note", "text", "A micro sign",
        "Read as u; some simulators do not read it.", _SPICE,
    ),
    FindingKind("value-mil", "warning", "text", "The suffix mil", "It is 25.4e-6.", _SPICE),
    FindingKind(
        "value-millifarad", "warning", "text", "A capacitor in millifarad",
        "M is milli in SPICE; write u for microfarad.", _SPICE,
    ),
    FindingKind(
        "value-mmf", "warning", "text", "MMF", "Read as picofarad; write p.", _SPICE,
    ),
    FindingKind(
        "value-ohm-sign", "note", "text", "An ohm sign",
        "Read as nothing; some simulators do not read it.", _SPICE,
    ),
    FindingKind(
        "zero-value", "warning", "text", "A part of value zero",
        "It is a wire or an open; write what is meant.", _READING,
    ),
    FindingKind(
        "wire-without-junction", "warning", "text", "Wires that touch without a junction",
        "They are taken as joined; draw the junction, or move the wire away.", _READING,
    ),
    # What the wiring alone says.
    FindingKind(
        "cathode-open", "warning", "wiring", "A cathode with no DC path",
        "No current can leave the tube: a cathode resistor is missing or miswired.",
    ),
    FindingKind(
        "dangling-net", "warning", "wiring", "A net with a single pin",
        "A wire that ends nowhere, or a net name written in two ways.",
    ),
    FindingKind(
        "grid-resistance", "warning", "wiring", "A grid circuit above its published resistance",
        "Grid current of a gassy or hot tube lifts its grid through this resistance, and the "
        "tube runs away; the limit depends on the kind of bias.", "the tube's data sheet",
    ),
    FindingKind(
        "ideal-current-load", "warning", "wiring", "An ideal current source that feeds a plate",
        "It gives its current at any voltage; a real one stops at the volts of its supply.",
        "Kirchhoff's laws",
    ),
    FindingKind(
        "ideal-transformer", "warning", "wiring", "An ideal transformer with direct current",
        "Controlled sources carry DC across, which no transformer does.", "transformer law",
    ),
    FindingKind(
        "no-bleeder", "note", "wiring", "A reservoir that nothing discharges",
        "With cold or missing tubes it stays charged for days; a resistor across it makes "
        "the chassis safe to work on.",
    ),
    FindingKind(
        "no-dc-path", "warning", "wiring", "Nets with no DC path to ground",
        "Nothing fixes their voltage; a grid needs a leak.",
    ),
    FindingKind(
        "no-load", "warning", "wiring", "A transformer without a load",
        "Its volts rise under drive until something flashes over.",
    ),
    FindingKind(
        "output-unloaded", "warning", "wiring", "An output stage whose load is left out",
        "It is judged at idle only: without its transformer no drive can be solved.",
    ),
    FindingKind(
        "pin-order", "warning", "wiring", "Pins that contradict the circuit",
        "Compare the order on the card with that of the type.",
    ),
    FindingKind(
        "primary-unfed", "warning", "wiring", "A plate winding that no supply feeds",
        "The far end of the primary has to be on B+.",
    ),
    FindingKind(
        "rectifier-fed", "error", "wiring", "B+ that comes only from an alternating source",
        "An operating point finds no B+ there; put a DC source in its place.", _READING,
    ),
    FindingKind(
        "unfed-electrode", "warning", "wiring", "A plate or screen that no supply feeds",
        "A screen that hangs free takes the tube's current away; a plate without B+ lets "
        "the screen carry all of it.",
    ),
    FindingKind(
        "winding-reactance", "warning", "wiring", "Windings with next to no inductance",
        "Values that give a ratio of turns only short the tube's load: write henries.",
        "reactance of an inductor",
    ),
    # What the solved circuit says.
    FindingKind(
        "bias-range-strong", "warning", "solved", "A bias control that cannot tame a strong tube",
        "At its coldest end a tube of 125 % current is still over its limit: change the "
        "resistors beside the pot.",
        "spread of samples as quoted in the register of faults",
    ),
    FindingKind(
        "bias-range-weak", "note", "solved", "A bias control that cannot reach a weak tube's idle",
        "At its hottest end a tube of 80 % current stays below the idle current of a typical one.",
        "spread of samples as quoted in the register of faults",
    ),
    FindingKind(
        "capacitor-derating", "note", "solved", "A capacitor near its rated volts",
        "Long life asks for a margin.", "see ratings/parts.py",
    ),
    FindingKind(
        "capacitor-overvoltage", "warning", "solved", "A capacitor beyond its rated volts",
        "It leaks, then shorts; what it blocks or feeds follows.", "rating in its note",
    ),
    FindingKind(
        "coupling-without-dc", "note", "solved", "A coupling capacitor with no DC to block",
        "Both its sides are at the same DC volts: it may be on the wrong net.",
    ),
    FindingKind(
        "electrolytic-backwards", "warning", "solved", "A polarized capacitor the wrong way round",
        "It leaks, heats and bursts.",
    ),
    FindingKind(
        "feedback-polarity", "warning", "solved", "Feedback that adds instead of taking away",
        "Gain rises with the loop closed; the amplifier may oscillate and destroy tubes and "
        "speaker. Swap the ends of one winding.",
        "return difference of a loop: H. Bode, Network Analysis, 1945 (from memory)",
    ),
    FindingKind(
        "heater-cathode-voltage", "warning", "solved", "Heater and cathode too far apart",
        "The insulation leaks, hums, and breaks down; lift the heater supply.",
        "the tube's data sheet",
    ),
    FindingKind(
        "overdrive-overload", "warning", "solved", "Over a limit only in overdrive",
        "Beyond full drive a part of the healthy circuit is over its limit.",
    ),
    FindingKind(
        "resistor-derating", "note", "solved", "A resistor near its rated power",
        "Long life asks for a margin.", "see ratings/parts.py",
    ),
    FindingKind(
        "resistor-overload", "warning", "solved", "A resistor beyond its rated power",
        "It drifts, chars its board and opens; use a larger one.", "rating in its note",
    ),
    FindingKind(
        "unstable-idle", "error", "solved", "An idle the circuit leaves by itself",
        "It motorboats, oscillates or latches without a signal: readings at idle are not those "
        "of this state. Look at decoupling, feedback and stoppers.",
        "poles of the circuit linearised about its operating point",
    ),
    FindingKind(
        "wiper-not-fail-safe", "warning", "solved", "A bias pot whose open wiper overloads a tube",
        "Wipers do lift: tie the wiper to the cold end, or hold the grids by one more resistor.",
        "open is 53 % of variable resistor failures: FMD-91, from memory",
    ),
)  # fmt: skip

FINDING_KINDS: Mapping[str, FindingKind] = {kind.code: kind for kind in _KINDS}
