"""Values of cards: read, checked for sense, and remarked upon.

A value is a number with a suffix, an expression in braces or quotes, or the bare name
of a parameter.  What is physically impossible (negative resistance, 1e300 ohm) is an
error; what is odd but has a meaning (0 ohm is a wire) is a finding.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import cast

from netcheck.errors import NetcheckError, NetlistError
from netcheck.findings import Finding, Level
from netcheck.netlist.cards import Card, Formula, Value
from netcheck.netlist.mistakes import did_you_mean
from netcheck.netlist.scope import Scope
from netcheck.source import Span
from netcheck.units import Kind, parse_spice_value

LARGEST = 1e15
"""Above this no value of a part, source or gain makes sense."""
SMALLEST_OHM = 1e-15
_WHAT = {"R": "resistance", "C": "capacitance", "L": "inductance"}
_ARTICLE = {"R": "a", "C": "a", "L": "an"}
LARGEST_SOURCE = {"V": 1e5, "I": 1e3}
"""A source of more volts or amperes than this is a slip: tubes live below 5 kV."""


@dataclass(slots=True)
class FindingLog:
    """Findings in order, each place and rule once however often it is expanded."""

    findings: list[Finding] = field(default_factory=list)
    seen: set[tuple[str, Span]] = field(default_factory=set)

    def add(self, rule: str, level: Level, message: str, span: Span, part: str = "") -> None:
        """Note a finding."""
        if (rule, span) not in self.seen:
            self.seen.add((rule, span))
            self.findings.append(Finding(rule, level, message, part, span))


@dataclass(slots=True)
class ValueReader:
    """Reads values of cards into SI numbers."""

    log: FindingLog

    def read(
        self, card: Card, given: Value, kind: str, scope: Scope, ref: str
    ) -> tuple[float, str]:
        """Return the value and its text as written."""
        if isinstance(given, Formula):
            return scope.number(given.expression, card), _formula_text(card)
        text = given.text
        if text[0].isdigit() or text[0] in "+-.":
            try:
                read = parse_spice_value(text, cast(Kind, kind))
            except NetcheckError as error:
                raise _error(card, given, error.message, error.hint) from None
            for ruling in read.rulings:
                self.log.add(
                    ruling.rule, ruling.level, f"{ref}: {ruling.message}", card.span(given), ref
                )
            return read.value, text
        if scope.is_known(text):
            return scope.number_of(text, card), text
        hint = did_you_mean(text, scope.names())
        if text.lower() in {"nan", "inf", "infinity"}:
            hint = "a value has to be a finite number"
        hint = hint or "a value is a number, `{...}`, or the name of a .param"
        raise _error(card, given, f"`{text}` is not a value", hint)

    def rulings_of_expressions(self, card: Card, ref: str) -> None:
        """Note how numbers inside expressions were read."""
        for ruling, start, end in card.rulings:
            span = card.line.span(start, end)
            self.log.add(ruling.rule, ruling.level, f"{ref}: {ruling.message}", span, ref)

    def check_part(self, card: Card, given: Value, letter: str, value: float, ref: str) -> None:
        """Refuse impossible values of R, C and L; note a zero."""
        what = _WHAT[letter]
        if value < 0:
            raise _error(card, given, f"`{ref}` has a negative {what}", "check the sign")
        too_small = letter == "R" and 0 < value < SMALLEST_OHM
        if value > LARGEST or too_small:
            raise _error(
                card,
                given,
                f"`{ref}` has an absurd {what} of {value:g}",
                "check the exponent and the suffix",
            )
        if value == 0:
            meaning = "an open circuit" if letter == "C" else "a wire"
            self.log.add(
                "zero-value",
                "warning",
                f"{ref} has {_ARTICLE[letter]} {what} of 0: it is {meaning}",
                card.span(given),
                ref,
            )

    def check_level(self, card: Card, value: float, ref: str, letter: str = "") -> None:
        """Refuse absurd voltages, currents and gains."""
        if abs(value) > LARGEST_SOURCE.get(letter, LARGEST):
            raise _error(
                card,
                None,
                f"`{ref}` has an absurd value of {value:g}",
                "check the exponent and the suffix",
            )


def _formula_text(card: Card) -> str:
    text = card.line.text
    for opening, closing in ("{}", "''"):
        start, end = text.find(opening), text.rfind(closing)
        if 0 <= start < end:
            return text[start : end + 1]
    return text.partition("=")[2].split(" ")[0]


def _error(card: Card, word: Value | None, message: str, hint: str) -> NetlistError:
    return NetlistError(message, span=card.span(word), source=card.line.source, hint=hint)
