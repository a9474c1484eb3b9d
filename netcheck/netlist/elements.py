"""One card to one flat element: nets mapped, values evaluated, expressions resolved.

Comes in: a card and the scope it stands in.  Goes out: a `FlatElement`; what was read
otherwise than it looks, and values that are no error but odd, become findings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from netcheck.errors import NetcheckError, NetlistError
from netcheck.netlist.cards import (
    Card,
    Expression,
    Formula,
    Name,
    PartCard,
    PartNote,
    Setting,
    Value,
    Word,
)
from netcheck.netlist.evaluate import ExpressionError
from netcheck.netlist.flat import FlatElement
from netcheck.netlist.instance import CURRENT_WORDS, spare_word
from netcheck.netlist.mistakes import USAGE
from netcheck.netlist.scope import Names, Scope, resolve
from netcheck.netlist.values import ModelShelf, NoModelError, ValueReader, read_waveform

_EXPRESSION_KEYS = {
    "B": {"v": "v", "i": "i"},
    "E": {"value": "v", "vol": "v", "v": "v"},
    "G": {"value": "i", "cur": "i", "i": "i"},
}
_MODEL_AT = {"D": (2,), "Q": (3, 4), "J": (3,), "M": (4, 3)}
_VALUE_KEYS = {"R": {"r", "resistance"}, "C": {"c", "capacitance"}, "L": {"l", "inductance"}}


class ElementMaker:
    """Makes elements; holds what is common to the whole netlist."""

    def __init__(self, names: Names, values: ValueReader, models: ModelShelf) -> None:
        self.names = names
        self.values = values
        self.models = models

    def make(self, card: Card, content: PartCard, scope: Scope) -> FlatElement:
        """Return the element of any letter but an X that is expanded."""
        ref = scope.prefix + content.ref.text
        base = FlatElement(
            ref=ref,
            letter=content.letter,
            nodes=(),
            span=card.span(),
            note=_local_note(card.note, scope.prefix),
            comment=card.line.remark,
        )
        if content.letter in "RCL":
            return self._passive(base, card, content, scope)
        if content.letter == "K":
            return self._coupling(base, card, content, scope)
        if content.letter in "VI":
            return self._supply(base, card, content, scope)
        if content.letter in "BEG":
            return self._behavioral(base, card, content, scope)
        if content.letter in "FH":
            return self._steered(base, card, content, scope)
        if content.letter == "X":
            return self._use(base, card, content, scope)
        return self._device(base, card, content, scope)

    def nets(self, words: Sequence[Word], scope: Scope) -> tuple[str, ...]:
        """Map the words of a card to nets."""
        return tuple(self.names.net(word.text, scope) for word in words)

    def parameters(
        self, card: Card, settings: Sequence[Setting], scope: Scope, *, strict: bool
    ) -> Mapping[str, float]:
        """Evaluate `key=value` words; text is left out, unless `strict`."""
        found: dict[str, float] = {}
        for setting in settings:
            expression = setting.expression
            if expression is None:
                continue
            is_word = isinstance(expression, Name) and not scope.is_known(expression.name)
            if is_word and not strict and setting.key.text.lower() not in CURRENT_WORDS:
                continue  # a maker's name or the like
            found[setting.key.text.lower()] = scope.number(expression, card)
        return found

    def _passive(
        self, base: FlatElement, card: Card, content: PartCard, scope: Scope
    ) -> FlatElement:
        own = [s for s in content.settings if s.key.text.lower() in _VALUE_KEYS[base.letter]]
        rest = [s for s in content.settings if s not in own]
        if content.values:
            given: Value = content.values[0]
        elif own and own[0].expression is not None:
            given = Formula(own[0].expression)
        else:
            message = f"`{content.ref.text}` needs two nets and a value, but has two words"
            raise mistake(card, None, message, _usage(base.letter))
        value, text = self.values.read(card, given, base.letter.lower(), scope, base.ref)
        self.values.check_part(card, given, base.letter, value, base.ref)
        return replace(
            base,
            nodes=self.nets(content.words, scope),
            value=value,
            value_text=text,
            parameters=self.parameters(card, rest, scope, strict=False),
        )

    def _coupling(
        self, base: FlatElement, card: Card, content: PartCard, scope: Scope
    ) -> FlatElement:
        words = list(content.words)
        given: Value | None = content.values[0] if content.values else None
        for setting in content.settings:
            if setting.key.text.lower() == "k" and setting.expression is not None:
                given = Formula(setting.expression)
        if given is None and words:
            given = words.pop()
        if given is None or len(words) < 2:
            raise mistake(
                card, None, f"`{content.ref.text}` couples at least two inductors", _usage("K")
            )
        seen = {word.text.lower() for word in words}
        if len(seen) < len(words):
            raise mistake(card, None, f"`{content.ref.text}` names an inductor twice", _usage("K"))
        value, text = self.values.read(card, given, "", scope, base.ref)
        if abs(value) > 1:
            raise mistake(
                card,
                given,
                f"a coupling of {value:g} is not possible",
                "it lies between -1 and 1, such as 0.998",
            )
        controls = tuple(scope.part(word.text) for word in words)
        rest = [setting for setting in content.settings if setting.key.text.lower() != "k"]
        return replace(
            base,
            controls=controls,
            value=value,
            value_text=text,
            parameters=self.parameters(card, rest, scope, strict=False),
        )

    def _supply(
        self, base: FlatElement, card: Card, content: PartCard, scope: Scope
    ) -> FlatElement:
        form, text, rest = read_waveform(card, content, self.values, scope)
        self.values.check_level(card, form.dc_value, base.ref, base.letter)
        return replace(
            base,
            nodes=self.nets(content.words, scope),
            value=form.dc_value,
            value_text=text,
            waveform=form,
            parameters=self.parameters(card, rest, scope, strict=False),
        )

    def _behavioral(
        self, base: FlatElement, card: Card, content: PartCard, scope: Scope
    ) -> FlatElement:
        nodes = self.nets(content.words, scope)
        if content.values:
            value, text = self.values.read(card, content.values[0], "", scope, base.ref)
            self.values.check_level(card, value, base.ref)
            words = self.parameters(card, content.settings, scope, strict=False)
            return replace(base, nodes=nodes, value=value, value_text=text, parameters=words)
        keys = _EXPRESSION_KEYS[base.letter]
        own = [s for s in content.settings if s.key.text.lower() in keys]
        if len(own) != 1 or own[0].expression is None:
            raise mistake(card, None, f"`{content.ref.text}` has no formula", _usage(base.letter))
        rest = [s for s in content.settings if s not in own]
        return replace(
            base,
            nodes=nodes,
            expression=self.expression(own[0].expression, card, scope),
            quantity=keys[own[0].key.text.lower()],
            parameters=self.parameters(card, rest, scope, strict=False),
        )

    def expression(self, expression: Expression, card: Card, scope: Scope) -> Expression:
        """Put in parameters and map nets."""
        try:
            return resolve(expression, scope, self.names, card)
        except ExpressionError as error:
            raise scope.error(card, error) from None

    def _steered(
        self, base: FlatElement, card: Card, content: PartCard, scope: Scope
    ) -> FlatElement:
        *nets, source = content.words
        value, text = self.values.read(card, content.values[0], "", scope, base.ref)
        self.values.check_level(card, value, base.ref)
        return replace(
            base,
            nodes=self.nets(nets, scope),
            controls=(scope.part(source.text),),
            value=value,
            value_text=text,
            parameters=self.parameters(card, content.settings, scope, strict=False),
        )

    def _use(self, base: FlatElement, card: Card, content: PartCard, scope: Scope) -> FlatElement:
        return replace(
            base,
            nodes=self.nets(content.words[:-1], scope),
            name=content.words[-1].text,
            parameters=self.parameters(card, content.settings, scope, strict=False),
        )

    def _device(
        self, base: FlatElement, card: Card, content: PartCard, scope: Scope
    ) -> FlatElement:
        words = content.words
        places = [at for at in _MODEL_AT[base.letter] if at < len(words)]
        if not places:
            raise mistake(
                card, None, f"`{content.ref.text}` has too few words", _usage(base.letter)
            )
        at = next((at for at in places if self.models.find(words[at].text, scope)), places[0])
        for word in words[at + 1 :]:
            spare_word(base, card, word, self.values.log)
        element = replace(
            base,
            nodes=self.nets(words[:at], scope),
            parameters=self.parameters(card, content.settings, scope, strict=False),
        )
        try:
            return replace(element, name=self.models.use(card, words[at], scope))
        except NoModelError as error:
            if base.letter != "D":
                raise
            element = replace(element, name=words[at].text)
            self.models.missing.append((element, error))
            return element


def _local_note(note: PartNote, prefix: str) -> PartNote:
    """Names in a note of an inner part (bulb, pot) are as local as its nets."""
    if not prefix:
        return note
    return replace(
        note,
        envelope=prefix + note.envelope if note.envelope else "",
        pot=prefix + note.pot if note.pot else "",
    )


def _usage(letter: str) -> str:
    return f"it is written `{USAGE[letter]}`"


def mistake(card: Card, word: Value | None, message: str, hint: str) -> NetcheckError:
    """Return an error at a word of a card."""
    return NetlistError(message, span=card.span(word), source=card.line.source, hint=hint)
