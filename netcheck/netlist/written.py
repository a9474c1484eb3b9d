"""Expressions back to text, as the reader takes them.

Every operation stands in brackets of its own, so that no precedence has to be known.
"""

from __future__ import annotations

from collections.abc import Callable

from netcheck.netlist.cards import (
    Binary,
    Call,
    Choice,
    Current,
    Expression,
    Name,
    Number,
    Unary,
    Voltage,
)

Renamed = Callable[[str], str]


def expression_text(expression: Expression, net: Renamed, source: Renamed) -> str:
    """Return the text of an expression; `net` and `source` give nets and sources their names."""

    def text(part: Expression) -> str:
        match part:
            case Number(value):
                return repr(value) if value >= 0 else f"({value!r})"
            case Name(name):
                return name
            case Voltage(first, "0"):
                return f"V({net(first)})"
            case Voltage(first, second):
                return f"V({net(first)},{net(second)})"
            case Current(name):
                return f"I({source(name)})"
            case Unary(operator, operand):
                return f"({operator}{text(operand)})"
            case Binary(operator, left, right):
                return f"({text(left)}{operator}{text(right)})"
            case Choice(condition, when_true, when_false):
                return f"({text(condition)}?{text(when_true)}:{text(when_false)})"
            case Call(function, arguments):
                return f"{function}({','.join(map(text, arguments))})"

    return text(expression)
