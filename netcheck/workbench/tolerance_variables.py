"""What spreads from one built unit to the next, and how far.

Comes in: the circuit, its roles and the mains band.  Goes out: one `Variable` for
the mains, for each resistor, winding and pot, and for each tube, with the source of
its figure, and sentences on what was taken for granted.

Parts spread evenly within their marked tolerance (a maker may have picked out the
middle of a batch), mains evenly within their band; the even spread is our choice and
the harder one.  A tube's currents spread about its data sheet by some 15 %, cut off
at 35 % (worked out from published accounts of +-30 to 34 % tube to tube and of
batches of 25 whose best is twice their worst); its screen current spreads more than
its plate current: +-45 against +-22 % where a sheet prints both (6AC7, 2.2 +-1.0 mA
and 10.25 +-2.25 mA).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from netcheck.circuit.model import Circuit, Part
from netcheck.judge.toleranced import Variable
from netcheck.ratings.mains import MainsBand
from netcheck.roles.base import Roles
from netcheck.solve.draws import Knob

RESISTOR = 0.10
"""Of a resistor without tol= in its note: E12, the common series of the era (IEC 60063)."""
POT = 0.20
"""Of a pot's track (common practice)."""
WIRE = 0.10
"""Of a winding's resistance (common practice)."""
EMISSION_SIGMA, EMISSION_MOST = 0.15, 0.35
SCREEN_MOST = math.sqrt(0.45**2 - 0.22**2)
"""Of a screen current beyond what it shares with the plate current: 6AC7 as quoted
in the docstring, taken as independent."""
SCREEN_SIGMA = SCREEN_MOST * EMISSION_SIGMA / EMISSION_MOST
"""Cut off at as many sigmas as the emission."""

MARKED = "tol= in the note"
ASSUMED = {
    "resistor": f"+-{RESISTOR:.0%}, series E12 of IEC 60063: assumed, no tol= in the note",
    "pot": f"+-{POT:.0%} of the track: common practice, assumed",
    "wire": f"+-{WIRE:.0%} of the wire: common practice, assumed",
}
TUBE_SOURCE = (
    "sigma 15 %, cut off at 35 %: worked out from published accounts of tube to tube spread "
    "(+-30 to 34 %; a batch of 25 of twice from least to most)"
)
SCREEN_SOURCE = "screen +-45 % where the plate is +-22 % (handbook sheet of the 6AC7)"


def knob_of(variable: Variable, part: str) -> Knob:
    """Return what is turned of a part where a variable spreads."""
    return Knob(part, "value" if variable.kind == "mains" else variable.kind)


def variables_of(
    circuit: Circuit, roles: Roles, band: MainsBand | None
) -> tuple[tuple[Variable, ...], tuple[str, ...]]:
    """Return what spreads, and what was assumed."""
    found: list[Variable] = []
    assumed: list[str] = []
    if band is not None:
        sources, remark = _on_mains(circuit, roles)
        assumed += remark
        if sources:
            low, high = band.low_ratio, band.high_ratio
            found.append(Variable("mains", "mains", sources, low, high, 0.0, band.source))
    found += _pots(circuit)
    found += _parts(circuit)
    found += _tubes(circuit)
    return tuple(found), (*assumed, *_remarks(circuit, found, band))


def _on_mains(circuit: Circuit, roles: Roles) -> tuple[tuple[str, ...], list[str]]:
    """Return the sources that move with the mains; all DC sources where none is marked."""
    sources = [part for part in circuit.of_kind("voltage_source") if part.value]
    marked = tuple(part.ref for part in sources if part.note.follows_mains)
    if marked:
        return marked, []
    guessed = tuple(
        part.ref
        for part in sources
        if not part.note.is_input and part.ref != roles.input_source and not part.added
    )
    if not guessed:
        return (), ["no source moves with the mains: their spread is not in these figures"]
    named = ", ".join(guessed)
    return guessed, [f"no source is marked follows_mains: {named} taken to move with the mains"]


def _pots(circuit: Circuit) -> Iterator[Variable]:
    halves: dict[str, list[str]] = {}
    for part in circuit.of_kind("resistor"):
        if part.note.pot and part.value:
            halves.setdefault(part.note.pot, []).append(part.ref)
    for name, refs in halves.items():
        marks = [circuit[ref].note.tolerance for ref in refs if circuit[ref].note.tolerance]
        most = max((mark for mark in marks if mark), default=POT)
        source = MARKED if marks else ASSUMED["pot"]
        yield Variable(name, "value", tuple(refs), 1.0 - most, 1.0 + most, 0.0, source)


def _parts(circuit: Circuit) -> Iterator[Variable]:
    """Give resistors and windings; capacitors carry no direct current."""
    for part in circuit:
        if part.added or part.note.is_speaker:
            continue
        if part.kind == "resistor" and part.value and not part.note.pot:
            yield _even(part, "value", RESISTOR, "resistor")
        elif part.kind == "inductor" and part.note.dcr_ohm:
            yield _even(part, "wire", WIRE, "wire")


def _even(part: Part, kind: str, usual: float, word: str) -> Variable:
    marked = part.note.tolerance if kind == "value" else None
    most = usual if marked is None else min(marked, 0.99)
    source = ASSUMED[word] if marked is None else MARKED
    if kind == "wire":
        return Variable(
            f"wire of {part.ref}", "wire", (part.ref,), 1.0 - most, 1.0 + most, 0.0, source
        )
    return Variable(part.ref, "value", (part.ref,), 1.0 - most, 1.0 + most, 0.0, source)


def is_spread(part: Part) -> bool:
    """Say whether a tube follows the law on file, whose currents can be scaled."""
    own = part.element is not None and bool(part.element.body)
    return part.tube is not None and part.has_pin("grid") and not own


def _tubes(circuit: Circuit) -> Iterator[Variable]:
    for tube in circuit.tubes:
        if not is_spread(tube):
            continue
        low, high = 1.0 - EMISSION_MOST, 1.0 + EMISSION_MOST
        name = f"{tube.ref} current"
        yield Variable(name, "emission", (tube.ref,), low, high, EMISSION_SIGMA, TUBE_SOURCE)
        if tube.has_pin("screen"):
            low, high = 1.0 - SCREEN_MOST, 1.0 + SCREEN_MOST
            name = f"{tube.ref} screen current"
            yield Variable(name, "screen", (tube.ref,), low, high, SCREEN_SIGMA, SCREEN_SOURCE)


def _remarks(circuit: Circuit, found: Sequence[Variable], band: MainsBand | None) -> Iterator[str]:
    unmarked = [one for one in found if one.source == ASSUMED["resistor"]]
    if unmarked:
        yield (
            f"{len(unmarked)} resistors without tol= in the note spread by +-{RESISTOR:.0%} "
            "(series E12 of IEC 60063)"
        )
    if any(one.source == ASSUMED["wire"] for one in found):
        yield f"the wire of windings spreads by +-{WIRE:.0%} (common practice)"
    if pots := [one.name for one in found if len(one.parts) > 1 and one.kind == "value"]:
        yield (
            f"{', '.join(pots)}: stays where it is drawn; a unit whose bias is set to a measured "
            "current spreads less than these figures"
        )
    yield "mains and parts spread evenly between their ends, tubes normally, all independently"
    if band is not None:
        yield "heaters follow the mains too; it moves the current of a sound tube little: left out"
    own = [tube.ref for tube in circuit.tubes if tube.has_pin("grid") and not is_spread(tube)]
    if own:
        yield f"{', '.join(own)}: own model, its currents are not spread"
    yield "a limit of another system is still scaled by 1.1 under drive and in faults"
