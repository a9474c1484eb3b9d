"""The hierarchy made flat, and its references checked.

Comes in: the top `Definition`.  Goes out: elements with hierarchical names, nets mapped,
values evaluated and expressions free of parameters.  What was read otherwise than it
looks, and values that are no error but odd, become findings.

A subcircuit that is a tube stays one X element and brings its expanded body along; it
is known for a tube by its name, by `;! type=` on the card, or by pins named as
electrodes together with a current source inside.  Everything else is expanded, up to
the limits on parts and depth.

K cards name inductors, F and H and `I(...)` name voltage sources, `V(...)` names a net:
what they refer to has to be there.  A name whose own card could not be read is not
complained about again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

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
from netcheck.netlist.lines import ReadLimits, raised_by
from netcheck.netlist.mistakes import USAGE, did_you_mean, listed
from netcheck.netlist.scope import Definition, Names, Scope, looks_like_a_tube, resolve
from netcheck.netlist.values import FindingLog, ModelShelf, NoModelError, ValueReader, read_waveform
from netcheck.source import SourceText, Span

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
            if not strict and isinstance(expression, Name) and not scope.is_known(expression.name):
                continue
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
        return replace(base, controls=controls, value=value, value_text=text)

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
            return replace(base, nodes=nodes, value=value, value_text=text)
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


class TooLargeError(NetlistError):
    """The expansion was stopped by a limit."""


@dataclass(slots=True)
class _Use:
    """An X card about to be expanded."""

    card: Card
    content: PartCard
    definition: Definition
    scope: Scope
    nodes: tuple[str, ...]


class Expander:
    """Expands one netlist."""

    def __init__(
        self,
        top: Definition,
        names: Names,
        is_tube: Callable[[str], bool],
        limits: ReadLimits,
        skipped: tuple[str, ...],
    ) -> None:
        self.top, self.is_tube, self.limits, self.skipped = top, is_tube, limits, skipped
        self.names = names
        self.log = FindingLog()
        self.values = ValueReader(self.log)
        self.models = ModelShelf()
        self.maker = ElementMaker(names, self.values, self.models)
        self.errors: list[NetcheckError] = []
        self.failed: set[str] = set()
        self.count = 0
        self.inside_tubes = 0
        self.used: set[Definition] = set()

    def run(self) -> list[FlatElement]:
        """Expand everything; mistakes are collected in `errors`."""
        scope = Scope(self.top, None, self.limits, skipped=self.skipped)
        elements: list[FlatElement] = []
        try:
            self._fill(scope, elements, [])
            self._stand_in(elements)
            for card in self.top.models.values():
                self._guard(lambda card=card: self.models.enter(scope, card))  # type: ignore[misc]
            for card, setting in self.top.params:
                if setting.expression is not None:
                    name = setting.key.text.lower()
                    self._guard(lambda c=card, n=name: scope.number_of(n, c))  # type: ignore[misc]
        except TooLargeError as error:
            self.errors.append(error)
        return elements

    def _stand_in(self, elements: list[FlatElement]) -> None:
        """Give a rectifier without a model a generic one; a diode beside a tube is refused."""
        at_tubes = {net for element in elements if element.letter == "X" for net in element.nodes}
        at_tubes.discard("0")
        for element, error in self.models.missing:
            if at_tubes & set(element.nodes) or not self.models.stand_in(element):
                self.failed.add(element.ref.lower())
                self.errors.append(error)
                continue
            self.log.add(
                "generic-model",
                "warning",
                f"{element.ref}: there is no .model `{element.name}`: a generic silicon "
                "rectifier stands in, since no tube is on its nets",
                element.span,
                element.ref,
            )

    def _guard(self, action: Callable[[], object]) -> None:
        try:
            action()
        except TooLargeError:
            raise
        except NetcheckError as error:
            # A ring of parameters is one mistake, seen from each of its members.
            if error.message not in {known.message for known in self.errors}:
                self.errors.append(error)

    def _fill(self, scope: Scope, out: list[FlatElement], path: list[Definition]) -> None:
        definition = scope.definition
        if definition not in self.used:
            self.used.add(definition)
            self.errors += definition.errors
            for card in {id(card): card for card, _ in definition.params}.values():
                self.values.rulings_of_expressions(card, ".param")
            if definition.card is not None:
                self.values.rulings_of_expressions(definition.card, definition.name)
        self.failed |= {(scope.prefix + ref).lower() for ref in definition.broken}
        for card in definition.parts:
            self._count(card)
            content = card.content
            assert isinstance(content, PartCard)
            try:
                self._part(card, content, scope, out, path)
            except TooLargeError:
                raise
            except NetcheckError as error:
                self.failed.add((scope.prefix + content.ref.text).lower())
                self.errors.append(error)

    def _count(self, card: Card) -> None:
        self.count += 1
        if self.count > self.limits.parts:
            raise TooLargeError(
                f"the netlist expands to more than {self.limits.parts} parts, the limit",
                span=card.span(),
                source=card.line.source,
                hint="subcircuits that use each other multiply quickly; "
                + raised_by("parts", self.limits.parts),
            )

    def _part(
        self,
        card: Card,
        content: PartCard,
        scope: Scope,
        out: list[FlatElement],
        path: list[Definition],
    ) -> None:
        self.values.rulings_of_expressions(card, scope.prefix + content.ref.text)
        if content.letter != "X":
            out.append(self.maker.make(card, content, scope))
            return
        if len(content.words) < 2:
            raise mistake(
                card,
                None,
                f"`{content.ref.text}` needs nets and then a name",
                "it is written `X1 net net ... name`",
            )
        name = content.words[-1]
        definition = scope.definition.find(name.text)
        if definition is None:
            out.append(self.maker.make(card, content, scope))
            return
        nodes = self.maker.nets(content.words[:-1], scope)
        use = _Use(card, content, definition, scope, nodes)
        if self._stays_whole(name.text, card.note, definition):
            element = self.maker.make(card, content, scope)
            body: list[FlatElement] = []
            self.inside_tubes += 1
            try:
                self._expand(use, body, path)
            finally:
                self.inside_tubes -= 1
            pins = definition.pin_names
            out.append(replace(element, pins=pins, body=tuple(body)))
            return
        if card.note != PartNote():
            message = f"the note of {content.ref.text} is not used: `{name.text}` is expanded"
            self.log.add("note-unused", "warning", message, card.span(), content.ref.text)
        self._expand(use, out, path)

    def _stays_whole(self, name: str, note: PartNote, definition: Definition) -> bool:
        if self.inside_tubes:  # a model made of smaller ones is one tube
            return False
        return bool(note.tube_type) or self.is_tube(name) or looks_like_a_tube(definition)

    def _expand(self, use: _Use, out: list[FlatElement], path: list[Definition]) -> None:
        definition, name = use.definition, use.content.words[-1]
        if definition in path:
            ring = " -> ".join(d.name for d in [*path[path.index(definition) :], definition][:8])
            raise mistake(
                use.card,
                name,
                f"subcircuits use each other in a ring: {ring}",
                "a subcircuit cannot contain itself",
            )
        if len(path) >= self.limits.subcircuit_depth:
            raise mistake(
                use.card,
                name,
                f"subcircuits nest deeper than {self.limits.subcircuit_depth}, the limit",
                raised_by("subcircuit_depth", self.limits.subcircuit_depth),
            )
        if len(definition.pins) != len(use.nodes):
            if definition.card is None:
                parent = definition.parent
                if parent and (why := parent.broken_names.get(definition.name.lower())):
                    raise why
                return
            raise mistake(
                use.card,
                name,
                f"`{name.text}` has {len(definition.pins)} pins, but "
                f"{len(use.nodes)} nets are given",
                f"its pins: {' '.join(pin.text for pin in definition.pins)}",
            )
        self._fill(self._inner_scope(use), out, [*path, definition])

    def _inner_scope(self, use: _Use) -> Scope:
        given = dict(self.maker.parameters(use.card, use.content.settings, use.scope, strict=True))
        self._check_keys(use, given)
        lexical: Scope | None = use.scope
        while lexical is not None and lexical.definition is not use.definition.parent:
            lexical = lexical.parent
        pins = (pin.text.lower() for pin in use.definition.pins)
        return Scope(
            use.definition,
            lexical,
            self.limits,
            prefix=f"{use.scope.prefix}{use.content.ref.text}.",
            nets=dict(zip(pins, use.nodes, strict=True)),
            given=given,
            skipped=self.skipped,
        )

    def _check_keys(self, use: _Use, given: dict[str, float]) -> None:
        known = {setting.key.text.lower() for setting in use.definition.defaults}
        known |= {setting.key.text.lower() for _, setting in use.definition.params}
        for setting in use.content.settings:
            key: Word = setting.key
            if key.text.lower() in known or key.text.lower() not in given:
                continue
            if use.definition.mentions(key.text):
                continue
            hint = did_you_mean(key.text, known)
            message = f"`{use.definition.name}` has no parameter `{key.text}`"
            self.log.add(
                "parameter-unused",
                "warning",
                f"{message}; {hint}" if hint else message,
                use.card.span(key),
                use.content.ref.text,
            )


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
