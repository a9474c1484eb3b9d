"""The hierarchy made flat.

Comes in: the top `Definition`.  Goes out: elements with hierarchical names.  A
subcircuit that is a tube stays one X element and brings its expanded body along; it
is known for a tube by its name, by `;! type=` on the card, or by pins named as
electrodes together with a current source inside.  Everything else is expanded, up to
the limits on parts and depth.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from netcheck.errors import NetcheckError, NetlistError
from netcheck.netlist.cards import Card, PartCard, PartNote, Word
from netcheck.netlist.elements import ElementMaker, mistake
from netcheck.netlist.flat import FlatElement
from netcheck.netlist.lines import ReadLimits, raised_by
from netcheck.netlist.mistakes import did_you_mean
from netcheck.netlist.models import ModelShelf
from netcheck.netlist.resolve import Names
from netcheck.netlist.scope import Scope
from netcheck.netlist.structure import Definition, looks_like_a_tube
from netcheck.netlist.values import FindingLog, ValueReader


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
            for card in self.top.models.values():
                self._guard(lambda card=card: self.models.enter(scope, card))  # type: ignore[misc]
            for card, setting in self.top.params:
                if setting.expression is not None:
                    name = setting.key.text.lower()
                    self._guard(lambda c=card, n=name: scope.number_of(n, c))  # type: ignore[misc]
        except TooLargeError as error:
            self.errors.append(error)
        return elements

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
            hint = did_you_mean(key.text, known)
            message = f"`{use.definition.name}` has no parameter `{key.text}`"
            self.log.add(
                "parameter-unused",
                "warning",
                f"{message}; {hint}" if hint else message,
                use.card.span(key),
                use.content.ref.text,
            )
