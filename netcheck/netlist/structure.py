"""Cards sorted into the subcircuits they stand in.

Comes in: cards in order.  Goes out: the top-level `Definition`, with those of the
subcircuits inside it.  A mistake in a subcircuit is kept with its definition and only
counts where the subcircuit is used; a mistake on the top level counts at once.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from netcheck.errors import NetcheckError, NetlistError
from netcheck.findings import Finding
from netcheck.netlist.cards import (
    Card,
    EndsCard,
    GlobalCard,
    ModelCard,
    ParamCard,
    PartCard,
    Setting,
    SubcktCard,
    Word,
)
from netcheck.netlist.gather import Broken
from netcheck.source import Span

ELECTRODES = {
    "plate": frozenset({"p", "pl", "pp", "a", "plate", "anode"}),
    "grid": frozenset({"g", "g1", "cg", "grid", "grid1"}),
    "cathode": frozenset({"k", "c", "cathode", "cath"}),
    "screen": frozenset({"g2", "s", "s2", "sg", "screen", "grid2"}),
    "other": frozenset({"g3", "supp", "suppressor", "h", "f", "h1", "h2", "f1", "f2", "heater"}),
}
"""Pin names by which a subcircuit is known for a tube."""
_ALL_ELECTRODES = frozenset().union(*ELECTRODES.values())


@dataclass(slots=True, eq=False)
class Definition:
    """A subcircuit, or the whole netlist where `card` is None."""

    name: str = ""
    card: Card | None = None
    parent: Definition | None = None
    pins: tuple[Word, ...] = ()
    pin_names: tuple[str, ...] = ()
    defaults: tuple[Setting, ...] = ()
    parts: list[Card] = field(default_factory=list)
    params: list[tuple[Card, Setting]] = field(default_factory=list)
    models: dict[str, Card] = field(default_factory=dict)
    inner: dict[str, Definition] = field(default_factory=dict)
    errors: list[NetcheckError] = field(default_factory=list)
    broken: set[str] = field(default_factory=set)
    refs: dict[str, Card] = field(default_factory=dict)

    def find(self, name: str) -> Definition | None:
        """Return the subcircuit of that name in sight of this one."""
        here: Definition | None = self
        while here is not None:
            if (found := here.inner.get(name.lower())) is not None:
                return found
            here = here.parent
        return None

    def all_inner(self) -> Iterator[Definition]:
        """Every subcircuit below this one."""
        for definition in self.inner.values():
            yield definition
            yield from definition.all_inner()


class StructureBuilder:
    """Walks the cards with the stack of open subcircuits."""

    def __init__(self, depth_limit: int) -> None:
        self.top = Definition()
        self.here = self.top
        self.globals: set[str] = set()
        self.findings: list[Finding] = []
        self.depth_limit = depth_limit
        self.depth = 0

    def build(self, items: Sequence[Card | Broken]) -> Definition:
        """Sort all cards; returns the top level."""
        for item in items:
            if isinstance(item, Broken):
                self._broken(item)
            else:
                self._card(item)
        while self.here.parent is not None:
            card = self.here.card
            if card is not None:
                self.top.errors.append(
                    _error(
                        card,
                        None,
                        f"`.subckt {self.here.name}` has no `.ends`",
                        "close it after its last card",
                    )
                )
            self.here = self.here.parent
        return self.top

    def _broken(self, item: Broken) -> None:
        self.here.errors.append(item.error)
        self.here.broken.add(item.line.text.split()[0].lower())
        if item.line.text.split()[0].lower() == ".subckt":
            # Open it all the same, so that its `.ends` finds a partner.
            words = item.line.text.split()
            name = words[1] if len(words) > 1 else "?"
            self.here.broken.add(name.lower())
            definition = Definition(name, None, self.here)
            self.here.inner.setdefault(name.lower(), definition)
            self.here = definition
            self.depth += 1

    def _card(self, card: Card) -> None:
        content = card.content
        if isinstance(content, PartCard):
            self._part(card, content)
        elif isinstance(content, ParamCard):
            self._params(card, content)
        elif isinstance(content, ModelCard):
            self._once(self.here.models, card, content.name, "model")
        elif isinstance(content, SubcktCard):
            self._open(card, content)
        elif isinstance(content, EndsCard):
            self._close(card, content)
        elif isinstance(content, GlobalCard):
            self.globals |= {net.text.lower() for net in content.nets}
        if not isinstance(content, PartCard) and card.line.notes:
            self.findings.append(
                Finding(
                    "note-unused",
                    "warning",
                    "this part note belongs to no part",
                    span=card.line.whole,
                )
            )

    def _params(self, card: Card, content: ParamCard) -> None:
        for setting in content.settings:
            name = setting.key.text
            if name.lower() in {known.key.text.lower() for _, known in self.here.params}:
                message = f"the parameter `{name}` is set twice: the last one counts"
                self.findings.append(
                    Finding("parameter-twice", "warning", message, span=card.span(setting.key))
                )
            self.here.params.append((card, setting))

    def _part(self, card: Card, content: PartCard) -> None:
        before = len(self.here.refs)
        self._once(self.here.refs, card, content.ref, "part")
        if len(self.here.refs) > before:
            self.here.parts.append(card)

    def _once(self, table: dict[str, Card], card: Card, word: Word, what: str) -> None:
        """Enter a name that may stand once only."""
        first = table.get(word.text.lower())
        if first is None:
            table[word.text.lower()] = card
            return
        place = first.line.whole
        where = f"line {place.line}"
        if place.file != card.line.source.name:
            where += f" of {place.file}"
        message = f"the {what} `{word.text}` is there twice, first on {where}"
        self.here.errors.append(
            _error(card, word, message, "names are compared without case; rename one")
        )

    def _open(self, card: Card, content: SubcktCard) -> None:
        self.depth += 1
        definition = Definition(
            content.name.text,
            card,
            self.here,
            content.pins,
            pin_names(card, content),
            content.settings,
        )
        if self.depth > self.depth_limit:
            raise _error(
                card,
                content.name,
                f"subcircuits nest deeper than {self.depth_limit}, the limit",
                "",
            )
        lower = content.name.text.lower()
        if lower in self.here.inner and (first := self.here.inner[lower].card) is not None:
            message = (
                f"the subcircuit `{content.name.text}` is there twice, "
                f"first on line {first.line.number} of {first.line.source.name}"
            )
            self.here.errors.append(_error(card, content.name, message, "rename or remove one"))
        else:
            self.here.inner[lower] = definition
        names = [pin.text.lower() for pin in content.pins]
        if len(set(names)) < len(names):
            definition.errors.append(_error(card, content.name, "a pin is named twice", ""))
        self.here = definition

    def _close(self, card: Card, content: EndsCard) -> None:
        if self.here.parent is None:
            if ".subckt" not in self.here.broken:
                self.top.errors.append(
                    _error(card, None, "`.ends` closes no `.subckt`", "remove one of them")
                )
            return
        name = content.name
        if name is not None and name.text.lower() != self.here.name.lower():
            self.here.errors.append(
                _error(
                    card,
                    name,
                    f"`.ends {name.text}` closes `.subckt {self.here.name}`",
                    f"write `.ends {self.here.name}`",
                )
            )
        self.here = self.here.parent
        self.depth -= 1


def pin_names(card: Card, content: SubcktCard) -> tuple[str, ...]:
    """Return the names of the pins, from a comment where the pins are numbers.

    `.subckt T 1 2 3 ; A G C` and a comment `* A G C` on the next line both tell.
    """
    written = tuple(pin.text for pin in content.pins)
    if all(name.lower() in _ALL_ELECTRODES for name in written):
        return written
    for comment in (card.line.remark, card.line.following):
        words = tuple(re.findall(r"[A-Za-z][A-Za-z0-9]*", comment))
        if len(words) == len(written) and all(w.lower() in _ALL_ELECTRODES for w in words):
            return words
    return written


def looks_like_a_tube(definition: Definition) -> bool:
    """Tell whether a subcircuit is a tube model: electrodes for pins, a current source in it."""
    names = {name.lower() for name in definition.pin_names}
    if not names <= _ALL_ELECTRODES:
        return False
    if not all(names & ELECTRODES[electrode] for electrode in ("plate", "grid", "cathode")):
        return False
    return any(_is_current_source(card.content) for card in definition.parts)


def _is_current_source(content: object) -> bool:
    if not isinstance(content, PartCard):
        return False
    if content.letter == "B":
        return any(setting.key.text.lower() == "i" for setting in content.settings)
    return content.letter == "G"


def _error(card: Card, word: Word | None, message: str, hint: str) -> NetlistError:
    span: Span = card.span(word)
    return NetlistError(message, span=span, source=card.line.source, hint=hint)
