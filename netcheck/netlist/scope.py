"""What names mean at one place of the hierarchy.

A `Scope` is one use of a definition: which parameters it was given, what its pins are
tied to, under which prefix its parts and inner nets go.  Parameters are worked out
when they are asked for, so their order in the file does not matter; a ring of them,
or a chain beyond the limit, is an error.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from netcheck.errors import NetlistError
from netcheck.netlist.cards import Card, Expression, PartCard, Setting
from netcheck.netlist.evaluate import CONSTANTS, FUNCTIONS, ExpressionError, evaluate_constant
from netcheck.netlist.lines import ReadLimits, raised_by
from netcheck.netlist.mistakes import did_you_mean, listed
from netcheck.netlist.structure import Definition


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
