"""References from card to card, checked.

Comes in: all elements of the flat netlist.  Goes out: an error for every reference to
nothing.  K cards name inductors, F and H and `I(...)` name voltage sources, `V(...)` names
a net: what they refer to has to be there.  A name whose own card could not be read is not
complained about again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from netcheck.errors import NetcheckError, NetlistError
from netcheck.netlist.expand import Expander
from netcheck.netlist.flat import FlatElement
from netcheck.netlist.mistakes import did_you_mean, listed
from netcheck.source import SourceText, Span

_TARGET = {"K": ("L", "inductor"), "F": ("V", "voltage source"), "H": ("V", "voltage source")}


def everything(elements: Sequence[FlatElement]) -> Iterator[FlatElement]:
    """Yield elements with those inside tubes."""
    for element in elements:
        yield element
        yield from element.body


def check_references(
    elements: Sequence[FlatElement], expander: Expander, sources: dict[str, SourceText]
) -> list[NetcheckError]:
    """Return an error for every reference to nothing."""
    every = list(everything(elements))
    by_letter: dict[str, dict[str, str]] = {"L": {}, "V": {}}
    for element in every:
        if element.letter in by_letter:
            by_letter[element.letter][element.ref.lower()] = element.ref
    errors: list[NetcheckError] = []

    def complain(message: str, name: str, known: Sequence[str], span: Span) -> None:
        hint = did_you_mean(name, known)
        if not hint and expander.skipped:
            hint = f"these includes were skipped: {listed(expander.skipped)}"
        errors.append(NetlistError(message, span=span, source=sources.get(span.file), hint=hint))

    for element in every:
        letter, what = _TARGET.get(element.letter, ("", ""))
        for control in element.controls:
            if control.lower() not in by_letter[letter] and control.lower() not in expander.failed:
                complain(
                    f"`{element.ref}` refers to the {what} `{control}`, which is not there",
                    control,
                    list(by_letter[letter].values()),
                    element.span,
                )
    for full, written, card in expander.names.asked_sources:
        if full.lower() not in by_letter["V"] and full.lower() not in expander.failed:
            complain(
                f"there is no voltage source `{full}` for the current to be read in",
                full,
                list(by_letter["V"].values()),
                card.span_of_name(written),
            )
    nets = {net.lower(): net for element in every for net in element.nodes} | {"0": "0"}
    for full, written, card in expander.names.asked_nets:
        # With a card missing, a net may be missing for that reason.
        if full.lower() not in nets and not expander.failed:
            complain(
                f"no part is connected to the net `{full}`",
                full,
                list(nets.values()),
                card.span_of_name(written),
            )
    return errors
