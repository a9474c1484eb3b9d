"""Values of cards, of waveforms and of `.model` cards: read, checked and remarked upon.

Comes in: a word or a waveform of a card and the scope it stands in.  Goes out: a number
in SI units, a `Waveform` or a `DeviceModel`.

A value is a number with a suffix, an expression in braces or quotes, or the bare name
of a parameter.  What is physically impossible (negative resistance, 1e300 ohm) is an
error; what is odd but has a meaning (0 ohm is a wire) is a finding.

Of a V or I card (`10`, `DC 10`, `AC 1`, `SIN(0 1 1k)` and mixtures) only what netcheck
needs is kept: the DC value, whether the source alternates, and amplitude and frequency
of a sine.  Where no DC value is given, it is the value the waveform begins with, which is
what an operating point sees; of a supply that is switched on in time it is the value it
ends at.

A model is found by name from any depth.  Vendors put words among its parameters
(`mfg=...`); whatever is not a number, an expression or the name of a parameter is left
out.  A model inside a subcircuit goes by `REF.name`, since two uses may give it
different parameters.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import cast

from netcheck.errors import NetcheckError, NetlistError
from netcheck.findings import Finding, Level
from netcheck.netlist.cards import (
    Card,
    Formula,
    ModelCard,
    Name,
    PartCard,
    Setting,
    Value,
    Wave,
    Word,
)
from netcheck.netlist.flat import DeviceModel, FlatElement, Waveform
from netcheck.netlist.mistakes import did_you_mean, listed, tube_card_hint
from netcheck.netlist.parse import parse_expression
from netcheck.netlist.scope import Scope
from netcheck.source import Span
from netcheck.units import Kind, format_quantity, parse_spice_value

LARGEST = 1e15
"""Above this no value of a part, source or gain makes sense."""
SMALLEST_OHM = 1e-15
LARGE_BARE_F = 1e-3
"""From here on a capacitance without a suffix is questioned."""
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
                raise _value_error(card, given, error.message, error.hint) from None
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
        raise _value_error(card, given, f"`{text}` is not a value", hint)

    def rulings_of_expressions(self, card: Card, ref: str) -> None:
        """Note how numbers inside expressions were read."""
        for ruling, start, end in card.rulings:
            span = card.line.span(start, end)
            self.log.add(ruling.rule, ruling.level, f"{ref}: {ruling.message}", span, ref)

    def check_part(self, card: Card, given: Value, letter: str, value: float, ref: str) -> None:
        """Refuse impossible values of R, C and L; note a zero."""
        what = _WHAT[letter]
        if value < 0:
            raise _value_error(card, given, f"`{ref}` has a negative {what}", "check the sign")
        too_small = letter == "R" and 0 < value < SMALLEST_OHM
        if value > LARGEST or too_small:
            raise _value_error(
                card,
                given,
                f"`{ref}` has an absurd {what} of {value:g}",
                "check the exponent and the suffix",
            )
        if letter == "C" and value >= LARGE_BARE_F and _is_bare(given):
            self.log.add(
                "capacitor-without-suffix",
                "warning",
                f"{ref}: a capacitor of `{_written(given)}` without a suffix is "
                f"{format_quantity(value, 'F')}: are microfarads meant "
                f"(`{_written(given)}u`)?",
                card.span(given),
                ref,
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
            raise _value_error(
                card,
                None,
                f"`{ref}` has an absurd value of {value:g}",
                "check the exponent and the suffix",
            )


def _written(given: Value) -> str:
    return given.text if isinstance(given, Word) else ""


def _is_bare(given: Value) -> bool:
    """Say whether a value is digits only: old drawings leave the u of microfarads out."""
    return bool(re.fullmatch(r"[\d.]+", _written(given)))


def _formula_text(card: Card) -> str:
    text = card.line.text
    for opening, closing in ("{}", "''"):
        start, end = text.find(opening), text.rfind(closing)
        if 0 <= start < end:
            return text[start : end + 1]
    return text.partition("=")[2].split(" ")[0]


def _value_error(card: Card, word: Value | None, message: str, hint: str) -> NetlistError:
    return NetlistError(message, span=card.span(word), source=card.line.source, hint=hint)


_KINDS = frozenset({"sin", "sine", "pulse", "pwl", "exp", "sffm", "am"})
_FIRST_IS_TIME = frozenset({"pwl"})
_FILES = frozenset({"wavefile", "file"})


class _WaveReader:
    """Goes through the words of one card."""

    def __init__(self, card: Card, content: PartCard, values: ValueReader, scope: Scope) -> None:
        self.card, self.values, self.scope = card, values, scope
        self.kind = content.letter.lower()
        self.ref = scope.prefix + content.ref.text
        self.queue: list[Value] = list(content.values)
        self.dc: float | None = None
        self.alternating = False
        self.amplitude = self.frequency = 0.0
        self.begins = 0.0

    def number(self, value: Value) -> float:
        return self.values.read(self.card, value, self.kind, self.scope, self.ref)[0]

    def words(self) -> None:
        while self.queue:
            item = self.queue.pop(0)
            word = item.text.lower() if isinstance(item, Word) else ""
            if word == "dc" and self.queue:
                self.dc = self.number(self.queue.pop(0))
            elif word == "ac":
                self.alternating = True
                for _ in range(2):
                    if self.queue and _is_number(self.queue[0]):
                        self.number(self.queue.pop(0))
            elif word in _KINDS:
                self.wave(Wave(word, tuple(self.queue)))
                self.queue = []
            elif word not in {"dc", "="}:
                self.dc = self.number(item)

    def wave(self, wave: Wave) -> None:
        numbers = [self.number(value) for value in wave.values]
        self.alternating = True
        first = 1 if wave.kind in _FIRST_IS_TIME else 0
        if len(numbers) > first:
            self.begins = numbers[first]
        if self.kind == "v" and (final := _final_level(wave.kind, numbers)) is not None:
            self.begins, self.alternating = final, False
            message = f"{self.ref} is switched on in time: its final {final:g} V count as its DC"
            self.values.log.add("soft-start", "note", message, self.card.span(), self.ref)
        if wave.kind in {"sin", "sine"}:
            self.amplitude, self.frequency = ([*numbers[1:3], 0.0, 0.0])[:2]

    def setting(self, setting: Setting) -> bool:
        """Take `dc=`, `ac=` and file names; tell whether it was one of them."""
        key = setting.key.text.lower()
        if key in _FILES:
            message = f"{self.ref}: the waveform file was not read"
            self.values.log.add("file-not-read", "note", message, self.card.span(), self.ref)
            self.alternating = True
            return True
        if key not in {"dc", "ac"} or setting.expression is None:
            return False
        value = self.number(Formula(setting.expression))
        if key == "dc":
            self.dc = value
        else:
            self.alternating = True
        return True


SUPPLY_V = 10.0
"""A step that ends at less than this may be a signal; heaters and B+ end higher."""
STAYS_S = 0.1
"""A pulse that is up for longer is no signal of audio frequency."""


def _final_level(kind: str, numbers: list[float]) -> float | None:
    """Return the volts a supply ends at that is switched on by a PULSE or PWL, else None.

    A PULSE counts if it is up for long; a PWL if it only ever rises in size, from zero.
    """
    if kind == "pulse" and len(numbers) >= 2:
        low, high = numbers[:2]
        width = numbers[5] if len(numbers) > 5 else STAYS_S
        stays = width >= STAYS_S
    elif kind == "pwl" and len(numbers) >= 4:
        levels = numbers[1::2]
        low, high = levels[0], levels[-1]
        stays = all(abs(a) <= abs(b) and a * b >= 0 for a, b in pairwise(levels))
    else:
        return None
    return high if stays and low == 0 and abs(high) >= SUPPLY_V else None


def _is_number(value: Value) -> bool:
    return isinstance(value, Formula) or value.text[0] in "+-.0123456789"


def read_waveform(
    card: Card, content: PartCard, values: ValueReader, scope: Scope
) -> tuple[Waveform, str, Sequence[Setting]]:
    """Return the waveform, its text as written, and the settings that are left."""
    reader = _WaveReader(card, content, values, scope)
    reader.words()
    for wave in content.waves:
        reader.wave(wave)
    rest = [setting for setting in content.settings if not reader.setting(setting)]
    level = reader.begins if reader.dc is None else reader.dc
    form = Waveform(level, reader.alternating, reader.amplitude, reader.frequency)
    text = card.line.text[content.words[-1].end :]
    return form, " ".join(text.split()), rest


class NoModelError(NetlistError):
    """A device names a model that is nowhere."""


_MODEL_KINDS = {"D": "D(is=..)", "Q": "NPN(bf=..)", "J": "NJF(vto=..)", "M": "NMOS(vto=..)"}
_GENERIC = {"is": 7e-9, "n": 1.8, "rs": 0.035}
"""A silicon rectifier of 1 A: 0.8 V at 0.2 A (from memory)."""
_RECTIFIERS = re.compile(
    r"1n(400[1-7]|540[0-8]|4148|4448|914|4936|4937)\w*|uf(400[1-7]|540[0-8])\w*|by[vwx]?\d+\w*"
    r"|mur\d+\w*|fr[123]0\d\w*|her\d+\w*|ba[vxy]\d+\w*|d(iode)?|rect(ifier)?|si(licon)?",
    re.IGNORECASE,
)
"""Names of plain silicon diodes, for which a generic rectifier may stand in."""


class ModelShelf:
    """Models met so far, by lower-case full name; `missing` are diodes without one."""

    def __init__(self) -> None:
        self.models: dict[str, DeviceModel] = {}
        self.missing: list[tuple[FlatElement, NoModelError]] = []

    def stand_in(self, element: FlatElement) -> bool:
        """Enter a generic rectifier under the model's name; tell whether that was allowed."""
        if not _RECTIFIERS.fullmatch(element.name):
            return False
        self.models.setdefault(
            element.name.lower(), DeviceModel(element.name, "d", _GENERIC, element.span)
        )
        return True

    def find(self, name: str, scope: Scope) -> tuple[Scope, Card] | None:
        """Return the nearest model of that name and the scope it stands in."""
        here: Scope | None = scope
        while here is not None:
            if (card := here.definition.models.get(name.lower())) is not None:
                return here, card
            here = here.parent
        return None

    def use(self, card: Card, word: Word, scope: Scope) -> str:
        """Return the full name of the model that a device names."""
        found = self.find(word.text, scope)
        if found is None:
            if (why := _broken_model(word.text, scope)) is not None:
                raise why
            hint = did_you_mean(word.text, self._names(scope))
            if not hint and scope.skipped:
                hint = f"these includes were skipped: {listed(scope.skipped)}"
            hint = hint or tube_card_hint(card.line)
            kind = _MODEL_KINDS[card.line.text.split()[0][0].upper()]
            raise NoModelError(
                f"there is no .model `{word.text}`",
                span=card.span(word),
                source=card.line.source,
                hint=hint or f"add its .model card to the netlist: `.model {word.text} {kind}`",
            )
        return self.enter(*found)

    def enter(self, scope: Scope, card: Card) -> str:
        """Read a model once; returns its full name."""
        content = card.content
        assert isinstance(content, ModelCard)
        name = scope.prefix + content.name.text
        if name.lower() not in self.models:
            values: dict[str, float] = {}
            for key, text in content.values:
                if (value := _model_parameter(text, card, scope)) is not None:
                    values[key.text.lower()] = value
            self.models[name.lower()] = DeviceModel(
                name, content.kind.text.lower(), values, card.span()
            )
        return name

    def _names(self, scope: Scope) -> list[str]:
        here: Scope | None = scope
        names: list[str] = []
        while here is not None:
            names += here.definition.models
            here = here.parent
        return names


def _broken_model(name: str, scope: Scope) -> NetcheckError | None:
    here: Scope | None = scope
    while here is not None:
        if (error := here.definition.broken_names.get(name.lower())) is not None:
            return error
        here = here.parent
    return None


def _model_parameter(word: Word, card: Card, scope: Scope) -> float | None:
    text = word.text
    if text[0] in "{'":
        expression = parse_expression(text[1:-1], card.line, word.start + 1, scope.limits)
        if isinstance(expression, Name) and not scope.is_known(expression.name):
            return None
        return scope.number(expression, card)
    if text[0].isdigit() or text[0] in "+-.":
        try:
            return parse_spice_value(text).value
        except NetcheckError:
            return None
    return scope.number_of(text, card) if scope.is_known(text) else None
