"""Spans of the translated netlist back to the schematic.

The reader of netlists sees the cards of a translation; what it says about line 12 of them
is said about the part that is drawn there.  Comes in: what it gave or raised.  Goes out: the
same with the places of the schematic.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

from netcheck.errors import ManyErrors, NetcheckError
from netcheck.findings import Finding
from netcheck.netlist.flat import FlatElement, FlatNetlist
from netcheck.netlist.schematics.drawn import DrawnPlace, Translation
from netcheck.source import SourceText, Span

_LINES = re.compile(r"\b(on )?lines? (\d+(?:, \d+)*)( and more)?(?: of (\S+))?")


class Relocation:
    """Knows what is drawn where for the cards of one translation."""

    def __init__(self, name: str, translation: Translation) -> None:
        self.name = name
        self.places = [card.place for card in translation.cards]
        self.sources: Mapping[str, SourceText] = translation.sources

    def span(self, span: Span | None) -> Span | None:
        """Return the place of the schematic, for a span of the translated netlist."""
        if span is None or span.file != self.name or span.drawn:
            return span
        place = self._place(span.line)
        return place.span if place else Span(self.name, 1, 1, 1, 2, "the sheet")

    def words(self, text: str) -> str:
        """Return a message in which lines of the translated netlist go by what is drawn."""
        return _LINES.sub(self._drawn, text)

    def finding(self, finding: Finding) -> Finding:
        """Return a finding with its place on the sheet."""
        message, hint = finding.message, finding.hint
        if finding.span and finding.span.file == self.name:
            message, hint = self.words(message), self.words(hint)
        return replace(finding, message=message, hint=hint, span=self.span(finding.span))

    def error(self, error: NetcheckError) -> NetcheckError:
        """Return a mistake with its place on the sheet; several come back as several."""
        if isinstance(error, ManyErrors):
            return ManyErrors([self.error(one) for one in error.errors])
        if error.span and error.span.file == self.name and not error.span.drawn:
            error.message, error.hint = self.words(error.message), self.words(error.hint)
            error.args = (error.message,)
            error.source = None
        error.span = self.span(error.span)
        return error

    def netlist(self, netlist: FlatNetlist) -> FlatNetlist:
        """Return a netlist whose parts know where they are drawn."""
        models = {
            name: replace(model, span=self.span(model.span) or model.span)
            for name, model in netlist.models.items()
        }
        return replace(
            netlist,
            elements=tuple(self._element(element) for element in netlist.elements),
            models=models,
            sources={**netlist.sources, **self.sources},
            calls=tuple(
                replace(call, span=self.span(call.span) or call.span) for call in netlist.calls
            ),
            findings=tuple(self.finding(finding) for finding in netlist.findings),
        )

    def _element(self, element: FlatElement) -> FlatElement:
        body = tuple(self._element(inner) for inner in element.body)
        return replace(element, span=self.span(element.span) or element.span, body=body)

    def _place(self, line: int) -> DrawnPlace | None:
        number = line - 2  # the title is line 1
        return self.places[number] if 0 <= number < len(self.places) else None

    def _drawn(self, match: re.Match[str]) -> str:
        _, numbers, more, file = match.groups()
        if file and file != self.name:
            return match.group()
        places = [self._place(int(number)) for number in numbers.split(", ")]
        names = [place.words for place in places if place]
        return ", ".join(dict.fromkeys(names)) + (more or "") if names else match.group()
