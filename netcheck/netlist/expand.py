"""The hierarchy made flat.

Comes in: the top `Definition`.  Goes out: elements with hierarchical names, nets mapped,
values evaluated and expressions free of parameters.  What was read otherwise than it
looks, and values that are no error but odd, become findings.

A subcircuit that is a tube stays one X element and brings its expanded body along; it
is known for a tube by what it does at its pins (`anatomy.py`), by its name, by `;! type=`
on the card, or by pins named as electrodes together with a current source inside.  The
outermost name counts, two sections in one subcircuit become two elements, and what only
hangs on heater pins stands beside them.  Everything else is expanded, up to the limits on
parts and depth.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from netcheck.errors import NetcheckError, NetlistError
from netcheck.netlist.anatomy import Anatomy, sections_of
from netcheck.netlist.cards import Card, PartCard, PartNote, Word
from netcheck.netlist.elements import ElementMaker, mistake
from netcheck.netlist.flat import ExpandedCall, FlatElement
from netcheck.netlist.instance import with_instance_words
from netcheck.netlist.lines import ReadLimits, raised_by
from netcheck.netlist.mistakes import did_you_mean
from netcheck.netlist.scope import Definition, Names, Scope, looks_like_a_tube
from netcheck.netlist.values import FindingLog, ModelShelf, ValueReader

MODEL_PARTS = 400
"""A subcircuit that expands to more parts than this is no tube."""


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
        self.anatomies: dict[Definition, Anatomy] = {}
        self.tubes_met = 0
        self.calls: list[ExpandedCall] = []

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
            out += with_instance_words(self.maker.make(card, content, scope), self.log)
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
            out += with_instance_words(self.maker.make(card, content, scope), self.log)
            return
        nodes = self.maker.nets(content.words[:-1], scope)
        use = _Use(card, content, definition, scope, nodes)
        if self.inside_tubes:  # a model made of smaller ones is one tube
            self._inside(use, out, path)
            return
        anatomy = self._anatomy(use, path)
        if anatomy or self._is_named_a_tube(use):
            self._whole(use, anatomy, out, path)
            return
        if card.note != PartNote():
            message = f"the note of {content.ref.text} is not used: `{name.text}` is expanded"
            self.log.add("note-unused", "warning", message, card.span(), content.ref.text)
        ref = scope.prefix + content.ref.text
        self.calls.append(ExpandedCall(ref, definition.name, card.span()))
        self._expand(use, out, path)

    def _is_named_a_tube(self, use: _Use) -> bool:
        name = use.content.words[-1].text
        return (
            bool(use.card.note.tube_type) or self.is_tube(name) or looks_like_a_tube(use.definition)
        )

    def _inside(self, use: _Use, out: list[FlatElement], path: list[Definition]) -> None:
        """Expand what stands inside a tube, and count the tubes it is made of."""
        before = self.tubes_met
        self._expand(use, out, path)
        if self._anatomy(use, path) or self._is_named_a_tube(use):
            self.tubes_met = before + 1

    def _whole(
        self, use: _Use, anatomy: Anatomy, out: list[FlatElement], path: list[Definition]
    ) -> None:
        """Keep a tube as one element a section, with the cards of its law."""
        element = self.maker.make(use.card, use.content, use.scope)
        body: list[FlatElement] = []
        self.inside_tubes += 1
        try:
            self._expand(use, body, path)
        finally:
            self.inside_tubes -= 1
        if not anatomy:
            out.append(replace(element, pins=use.definition.pin_names, body=tuple(body)))
            return
        left = set(range(len(body)))
        for number, section in enumerate(anatomy):
            pins = [(at, name) for at, name in enumerate(section.electrodes) if name]
            left -= set(section.cards)
            out.append(
                replace(
                    element,
                    ref=self._section_ref(use, element.ref, number, len(anatomy)),
                    nodes=tuple(element.nodes[at] for at, _ in pins),
                    pins=tuple(name for _, name in pins),
                    body=tuple(body[place] for place in section.cards),
                )
            )
        out += [body[place] for place in sorted(left)]

    def _section_ref(self, use: _Use, ref: str, number: int, of: int) -> str:
        """Return the ref of a section: `X2A` and `X2B`, as the halves of a tube are called."""
        if of == 1:
            return ref
        letter = chr(ord("A") + number)
        taken = (use.content.ref.text + letter).lower() in use.scope.definition.refs
        return f"{ref}.{letter}" if taken else ref + letter

    def _anatomy(self, use: _Use, path: list[Definition]) -> Anatomy:
        """Return the tube sections of a definition, from an expansion on nets of its own."""
        definition = use.definition
        if definition not in self.anatomies:
            self.anatomies[definition] = ()  # for one that contains itself
            self.anatomies[definition] = self._looked_into(use, path)
        return self.anatomies[definition]

    def _looked_into(self, use: _Use, path: list[Definition]) -> Anatomy:
        limits = replace(self.limits, parts=min(self.limits.parts, MODEL_PARTS))
        other = Expander(self.top, Names(self.names.globals), self.is_tube, limits, self.skipped)
        other.anatomies = self.anatomies
        other.inside_tubes = 1
        pins = tuple(f"pin {number}" for number in range(len(use.nodes)))
        body: list[FlatElement] = []
        try:
            other._expand(replace(use, nodes=pins), body, path)
        except NetcheckError:
            return ()
        if other.errors:
            return ()
        found = sections_of(body, pins)
        return found if len(found) >= other.tubes_met else ()

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
