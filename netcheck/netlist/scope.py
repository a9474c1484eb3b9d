"""Cards sorted into their subcircuits, and what names mean at each place of the hierarchy.

Comes in: cards in order.  Goes out: the top-level `Definition`, with those of the
subcircuits inside it, and for each use of one a `Scope`: which parameters it was given,
what its pins are tied to, under which prefix its parts and inner nets go.

A mistake in a subcircuit is kept with its definition and only counts where the
subcircuit is used; a mistake on the top level counts at once.  Parameters are worked out
when they are asked for, so their order in the file does not matter; a ring of them, or a
chain beyond the limit, is an error.

Ground is `0` (also written `gnd`).  Nets compare without case and keep the case in
which they were first written.  A pin of a subcircuit is the net it is tied to; any
other net inside is `REF.net`, unless `.global` made it one.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from netcheck.errors import NetcheckError, NetlistError
from netcheck.findings import Finding
from netcheck.netlist.cards import (
    Binary,
    Call,
    Card,
    Choice,
    Current,
    EndsCard,
    Expression,
    GlobalCard,
    ModelCard,
    Name,
    Number,
    ParamCard,
    PartCard,
    Setting,
    SubcktCard,
    Unary,
    Voltage,
    Word,
)
from netcheck.netlist.evaluate import (
    CONSTANTS,
    FUNCTIONS,
    ExpressionError,
    check_function,
    evaluate_constant,
)
from netcheck.netlist.gather import Broken
from netcheck.netlist.lines import ReadLimits, raised_by
from netcheck.netlist.mistakes import did_you_mean, listed
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
    broken_names: dict[str, NetcheckError] = field(default_factory=dict)
    refs: dict[str, Card] = field(default_factory=dict)

    def find(self, name: str) -> Definition | None:
        """Return the subcircuit of that name in sight of this one."""
        here: Definition | None = self
        while here is not None:
            if (found := here.inner.get(name.lower())) is not None:
                return found
            here = here.parent
        return None

    def mentions(self, name: str) -> bool:
        """Tell whether a card of this one, or of one inside it, names a parameter."""
        cards = [*self.parts, *(card for card, _ in self.params), *self.models.values()]
        word = re.compile(rf"(?<![\w.]){re.escape(name)}(?![\w.])", re.IGNORECASE)
        if any(word.search(card.line.text) for card in cards):
            return True
        return any(inner.mentions(name) for inner in self.inner.values())

    def all_inner(self) -> Iterator[Definition]:
        """Every subcircuit below this one."""
        for definition in self.inner.values():
            yield definition
            yield from definition.all_inner()


class StructureBuilder:
    """Walks the cards with the stack of open subcircuits."""

    def __init__(self, depth_limit: int, main: str = "") -> None:
        self.main = main
        self.top = Definition()
        self.here = self.top
        self.globals: set[str] = set()
        self.findings: list[Finding] = []
        self.skipped_lines: dict[str, list[Broken]] = {}
        self.depth_limit = depth_limit
        self.depth = 0

    def build(self, items: Sequence[Card | Broken]) -> Definition:
        """Sort all cards; returns the top level."""
        for item in items:
            if isinstance(item, Broken):
                self._broken(item)
            else:
                self._card(item)
        self._close_all()
        return self.top

    def take_steps(self, cards: Sequence[Card]) -> None:
        """Take the first value of a stepped parameter that nothing else on top sets."""
        for card in cards:
            content = card.content
            assert isinstance(content, ParamCard)
            name = content.settings[0].key.text
            if name.lower() in {known.key.text.lower() for _, known in self.top.params}:
                continue
            if not self.top.mentions(name):
                continue
            self.top.params.append((card, content.settings[0]))
            message = f"only `.step` gives `{name}`: its first value counts"
            self.findings.append(Finding("step-first-value", "note", message, span=card.line.whole))

    def _close_all(self) -> None:
        while self.here.parent is not None:
            card = self.here.card
            if card is not None:
                self.top.errors.append(
                    _structure_error(
                        card,
                        None,
                        f"`.subckt {self.here.name}` has no `.ends`",
                        "close it after its last card",
                    )
                )
            self.here = self.here.parent

    def _broken(self, item: Broken) -> None:
        words = item.line.text.split()
        name = words[1].lower() if len(words) > 1 else "?"
        library = item.included and self.here is self.top
        if library and words[0].lower() in {".model", ".subckt"}:
            self.here.broken_names.setdefault(name, item.error)
        if library:
            self._skipped(item)
        else:
            self.here.errors.append(item.error)
        self.here.broken.add(words[0].lower())
        if words[0].lower() == ".subckt":
            # Open it all the same, so that its `.ends` finds a partner.
            self.here.broken.add(name)
            definition = Definition(words[1] if len(words) > 1 else "?", None, self.here)
            self.here.inner.setdefault(name, definition)
            self.here = definition
            self.depth += 1

    def _skipped(self, item: Broken) -> None:
        """Note a line of a library that is no card; a part among parts is a mistake."""
        file = item.line.source.name
        self.skipped_lines.setdefault(file, []).append(item)

    def library_errors(self) -> list[NetcheckError]:
        """Note the unread lines of each library; those of a file with parts are mistakes."""
        errors: list[NetcheckError] = []
        with_parts = {card.line.source.name for card in self.top.parts}
        for file, items in self.skipped_lines.items():
            if file in with_parts:
                errors += [item.error for item in items]
                continue
            more = f"; {len(items) - 1} more lines of it too" if len(items) > 1 else ""
            message = f"a line of {file} was not read: {items[0].error.message}{more}"
            self.findings.append(
                Finding("library-line-skipped", "note", message, span=items[0].line.whole)
            )
        return errors

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
        if what == "model" and self._of_a_library(first, card):
            self._twice(card, word, f"the {what} `{word.text}`", where)
            return
        message = f"the {what} `{word.text}` is there twice, first on {where}"
        self.here.errors.append(
            _structure_error(card, word, message, "names are compared without case; rename one")
        )

    def _of_a_library(self, *cards: Card) -> bool:
        """Tell whether one of the cards stands in an included file."""
        return any(card.line.source.name != self.main for card in cards)

    def _twice(self, card: Card, word: Word, what: str, where: str) -> None:
        message = f"{what} is there twice: the one on {where} counts"
        self.findings.append(Finding("defined-twice", "note", message, span=card.span(word)))

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
            raise _structure_error(
                card,
                content.name,
                f"subcircuits nest deeper than {self.depth_limit}, the limit",
                "",
            )
        lower = content.name.text.lower()
        if lower in self.here.inner and (first := self.here.inner[lower].card) is not None:
            where = f"line {first.line.number} of {first.line.source.name}"
            what = f"the subcircuit `{content.name.text}`"
            if self._of_a_library(first, card):
                self._twice(card, content.name, what, where)
            else:
                message = f"{what} is there twice, first on {where}"
                self.here.errors.append(
                    _structure_error(card, content.name, message, "rename or remove one")
                )
        else:
            self.here.inner[lower] = definition
        names = [pin.text.lower() for pin in content.pins]
        if len(set(names)) < len(names):
            definition.errors.append(
                _structure_error(card, content.name, "a pin is named twice", "")
            )
        self.here = definition

    def _close(self, card: Card, content: EndsCard) -> None:
        if self.here.parent is None:
            if self._of_a_library(card):
                error = _structure_error(card, None, "`.ends` closes no `.subckt`", "")
                self._skipped(Broken(card.line, error, included=True))
            elif ".subckt" not in self.here.broken:
                self.top.errors.append(
                    _structure_error(
                        card, None, "`.ends` closes no `.subckt`", "remove one of them"
                    )
                )
            return
        name = content.name
        if name is not None and name.text.lower() != self.here.name.lower():
            self.here.errors.append(
                _structure_error(
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


def _structure_error(card: Card, word: Word | None, message: str, hint: str) -> NetlistError:
    span: Span = card.span(word)
    return NetlistError(message, span=span, source=card.line.source, hint=hint)


@dataclass(slots=True, eq=False)
class Scope:
    """One use of a definition."""

    definition: Definition
    parent: Scope | None
    limits: ReadLimits
    prefix: str = ""
    nets: Mapping[str, str] = field(default_factory=dict)
    given: Mapping[str, float] = field(default_factory=dict)
    skipped: tuple[str, ...] = ()
    _known: dict[str, float] = field(default_factory=dict)
    _asked: list[str] = field(default_factory=list)
    _written: dict[str, tuple[Card, Setting]] = field(init=False)

    def __post_init__(self) -> None:
        """List the parameters written here: defaults of the `.subckt`, then `.param`."""
        card, defaults = self.definition.card, self.definition.defaults
        self._written = {s.key.text.lower(): (card, s) for s in defaults} if card else {}
        self._written |= {s.key.text.lower(): (c, s) for c, s in self.definition.params}

    def lookup(self, name: str) -> float:
        """Return the value of a parameter, by lower-case name."""
        if name in self.given:
            return self.given[name]
        if name in self._known:
            return self._known[name]
        written = self._written.get(name)
        if written is None:
            if self.parent is not None:
                return self.parent.lookup(name)
            if name in CONSTANTS:
                return CONSTANTS[name]
            raise self._unknown(name)
        self._known[name] = self._work_out(name, *written)
        return self._known[name]

    def _unknown(self, name: str) -> ExpressionError:
        return ExpressionError(f"the parameter `{name}` is not defined", name)

    def _work_out(self, name: str, card: Card, setting: Setting) -> float:
        if name in self._asked:
            members = self._asked[self._asked.index(name) :]
            first = members.index(min(members))
            # Told from the same member whichever was asked for first.
            ring = " -> ".join([*members[first:], *members[:first], members[first]][:8])
            raise ExpressionError(f"parameters define each other in a ring: {ring}", name)
        if len(self._asked) >= self.limits.parameter_depth:
            raise ExpressionError(
                f"parameters lean on each other more than {self.limits.parameter_depth} deep, "
                "the limit",
                name,
            )
        if setting.expression is None:
            raise ExpressionError(f"the parameter `{name}` is text, not a number", name)
        self._asked.append(name)
        try:
            return self.number(setting.expression, card)
        finally:
            self._asked.pop()

    def number(self, expression: Expression, card: Card) -> float:
        """Evaluate a constant expression of `card`; raises `NetlistError` with the place."""
        try:
            return evaluate_constant(expression, self.lookup)
        except ExpressionError as error:
            raise self.error(card, error) from None

    def error(self, card: Card, error: ExpressionError) -> NetlistError:
        """Locate an expression error in its card."""
        span = card.span_of_name(error.name) if error.name else card.span()
        hint = did_you_mean(error.name, self.names()) if "not defined" in str(error) else ""
        if "no function" in str(error):
            known = f"known: {listed(FUNCTIONS, len(FUNCTIONS))}"
            hint = did_you_mean(error.name, FUNCTIONS) or known
        if str(error).endswith("the limit"):
            hint = raised_by("parameter_depth", self.limits.parameter_depth)
        if "not defined" in str(error) and not hint and self.skipped:
            hint = f"these includes were skipped: {listed(self.skipped)}"
        return NetlistError(str(error), span=span, source=card.line.source, hint=hint)

    def is_known(self, name: str) -> bool:
        """Tell whether a parameter of that name can be seen from here."""
        return name.lower() in {known.lower() for known in self.names()} | set(CONSTANTS)

    def names(self) -> list[str]:
        """The parameters that can be seen from here."""
        here = [*self.given, *self._written]
        return here + (self.parent.names() if self.parent else [])

    def number_of(self, name: str, card: Card) -> float:
        """Return the value of a bare parameter name in `card`."""
        try:
            return self.lookup(name.lower())
        except ExpressionError as error:
            raise self.error(card, error) from None

    def part(self, written: str) -> str:
        """Return the full name of a part of this definition, spelled as on its card."""
        card = self.definition.refs.get(written.lower())
        if card is not None and isinstance(card.content, PartCard):
            written = card.content.ref.text
        return self.prefix + written


_GROUND = frozenset({"0", "gnd"})


@dataclass(slots=True)
class Names:
    """The nets seen so far, and what expressions referred to."""

    globals: frozenset[str] = frozenset()
    spelled: dict[str, str] = field(default_factory=dict)
    asked_nets: list[tuple[str, str, Card]] = field(default_factory=list)
    asked_sources: list[tuple[str, str, Card]] = field(default_factory=list)

    def net(self, written: str, scope: Scope) -> str:
        """Return the net that `written` means in `scope`."""
        full = self.mapped(written, scope)
        return self.spelled.setdefault(full.lower(), full)

    def mapped(self, written: str, scope: Scope) -> str:
        """Return the full name of a net without entering it."""
        lower = written.lower()
        if lower in _GROUND:
            return "0"
        if lower in scope.nets:
            return scope.nets[lower]
        return written if lower in self.globals else scope.prefix + written


def resolve(expression: Expression, scope: Scope, names: Names, card: Card) -> Expression:
    """Return the expression with parameters as numbers and nets as full names.

    Raises `ExpressionError` for an unknown parameter or function.
    """
    match expression:
        case Number():
            return expression
        case Name(name):
            return Name("time") if name.lower() == "time" else Number(scope.lookup(name.lower()))
        case Voltage(net, reference):
            return Voltage(_net(net, scope, names, card), _net(reference, scope, names, card))
        case Current(source):
            full = scope.part(source)
            names.asked_sources.append((full, source, card))
            return Current(full)
        case Unary(operator, operand):
            return Unary(operator, resolve(operand, scope, names, card))
        case Binary(operator, left, right):
            return Binary(
                operator, resolve(left, scope, names, card), resolve(right, scope, names, card)
            )
        case Choice(condition, when_true, when_false):
            parts = (resolve(e, scope, names, card) for e in (condition, when_true, when_false))
            return Choice(*parts)
        case Call(function, arguments):
            inner = tuple(resolve(argument, scope, names, card) for argument in arguments)
            check_function(function.lower(), inner)
            return Call(function.lower(), inner)
    raise ExpressionError("an expression of an unknown kind")


def _net(written: str, scope: Scope, names: Names, card: Card) -> str:
    full = names.net(written, scope)
    names.asked_nets.append((full, written, card))
    return full
