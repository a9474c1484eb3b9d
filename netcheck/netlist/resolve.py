"""Names of nets and sources across the hierarchy, and expressions made free of names.

Ground is `0` (also written `gnd`).  Nets compare without case and keep the case in
which they were first written.  A pin of a subcircuit is the net it is tied to; any
other net inside is `REF.net`, unless `.global` made it one.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from netcheck.netlist.cards import (
    Binary,
    Call,
    Card,
    Choice,
    Current,
    Expression,
    Name,
    Number,
    Unary,
    Voltage,
)
from netcheck.netlist.evaluate import ExpressionError, check_function
from netcheck.netlist.scope import Scope

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
