"""Expressions as values: numbers, names, calls, and references to the circuit."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Number:
    """A number in SI units."""

    value: float


@dataclass(frozen=True, slots=True)
class Name:
    """A parameter; none is left after expansion (except `time`)."""

    name: str


@dataclass(frozen=True, slots=True)
class Voltage:
    """V(net) or V(net, reference)."""

    net: str
    reference: str = "0"


@dataclass(frozen=True, slots=True)
class Current:
    """I(source): current through a voltage source."""

    source: str


@dataclass(frozen=True, slots=True)
class Unary:
    """A sign or a negation before an operand."""

    operator: str
    operand: Expression


@dataclass(frozen=True, slots=True)
class Binary:
    """Two operands and what stands between them."""

    operator: str
    left: Expression
    right: Expression


@dataclass(frozen=True, slots=True)
class Choice:
    """condition ? when_true : when_false, or IF(condition, a, b)."""

    condition: Expression
    when_true: Expression
    when_false: Expression


@dataclass(frozen=True, slots=True)
class Call:
    """A function, in lower case, and its arguments."""

    function: str
    arguments: tuple[Expression, ...]


Expression = Number | Name | Voltage | Current | Unary | Binary | Choice | Call
