"""Expressions of the user's models, written as ngspice 39 reads them.

Comes in: an expression whose parameters are numbers, and two functions that name
the deck's vectors.  Goes out: the text after `v=` or `i=` of a B source.  Only
functions of a whitelist are written, each with the meaning stated in
`netcheck.netlist.evaluate`, since ngspice means something else by several of them:
its `pwr` keeps the sign, its `pow` and `^` take the absolute value of the base, its
`pwl` extrapolates, and `limit`, `table`, `if` and `pwrs` are missing (measured on
39.3 with a deck of one source per function).

Newton iterations visit absurd voltages, so logarithms, roots and powers get a floor,
and `exp` goes on as its tangent beyond an argument of 200: value and slope stay
continuous, where a bare clamp would leave a kink that stops a transient.
`ln(1+exp(x))`, the heart of tube models, becomes max(x,0)+ln(1+exp(-|x|)).
"""

from __future__ import annotations

from collections.abc import Callable

from netcheck.errors import NetcheckError
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
from netcheck.netlist.evaluate import (
    CONSTANTS,
    EXP_LIMIT,
    SINH_LIMIT,
    SMALLEST,
    ExpressionError,
    check_function,
    evaluate_constant,
    is_constant,
    softplus_argument,
    whole_exponent,
)

LONGEST = 20_000
"""Longest text handed to ngspice [characters]: guards write some arguments twice."""

_SAME_IN_NGSPICE = {
    "abs": "abs", "sin": "sin", "cos": "cos", "tan": "tan", "atan": "atan", "arctan": "atan",
    "tanh": "tanh", "sgn": "sgn", "u": "u", "uramp": "uramp",
    "floor": "floor", "ceil": "ceil",
}  # fmt: skip
_LOGIC = {"&": "&&", "&&": "&&", "|": "||", "||": "||"}


def to_ngspice(
    expression: Expression,
    voltage: Callable[[str, str], str],
    current: Callable[[str], str],
) -> str:
    """Write `expression` for a B source of ngspice 39.

    `voltage(net, reference)` and `current(source)` return the text that stands for
    them in the deck, for instance `v(n1,n2)` and `i(v1)`.
    """
    try:
        return _Writer(voltage, current).text(expression)
    except ExpressionError as error:
        raise NetcheckError(f"an expression cannot be translated: {error}") from None


def _number(value: float) -> str:
    return f"({value!r})" if value < 0 else repr(value)


class _Writer:
    """Writes every part in parentheses, so that no precedence is left to chance."""

    def __init__(self, voltage: Callable[[str, str], str], current: Callable[[str], str]) -> None:
        self.voltage = voltage
        self.current = current

    def text(self, expression: Expression) -> str:
        written = self._text(expression)
        if len(written) > LONGEST:
            raise ExpressionError(f"its text grows beyond {LONGEST} characters")
        return written

    def _text(self, expression: Expression) -> str:
        match expression:
            case Number(value):
                return _number(value)
            case Name(name):
                return self._name(name.lower())
            case Voltage(net, reference):
                return self.voltage(net, reference)
            case Current(source):
                return self.current(source)
            case Unary(operator, operand):
                return self._unary(operator, self.text(operand))
            case Binary(operator, left, right):
                return self._binary(operator, left, right)
            case Choice(condition, when_true, when_false):
                return self._choice(condition, when_true, when_false)
            case Call(function, arguments):
                return self._call(function.lower(), arguments)

    def _name(self, name: str) -> str:
        if name == "time":
            return "time"
        if name in CONSTANTS:
            return _number(CONSTANTS[name])
        raise ExpressionError(f"the parameter `{name}` has no value", name)

    def _unary(self, operator: str, operand: str) -> str:
        if operator in "!~":
            return f"(({operand}<=0.5)?(1.0):(0.0))"
        return f"(-{operand})" if operator == "-" else operand

    def _binary(self, operator: str, left: Expression, right: Expression) -> str:
        if operator in {"^", "**"}:
            return self._power(left, right)
        a, b = self.text(left), self.text(right)
        if operator in _LOGIC:
            return f"((({a}>0.5){_LOGIC[operator]}({b}>0.5))?(1.0):(0.0))"
        if operator in {"<", ">", "<=", ">=", "==", "!="}:
            return f"(({a}{operator}{b})?(1.0):(0.0))"
        return f"({a}{operator}{b})"

    def _choice(self, condition: Expression, when_true: Expression, when_false: Expression) -> str:
        test, a, b = self.text(condition), self.text(when_true), self.text(when_false)
        return f"(({test}>0.5)?({a}):({b}))"

    def _power(self, base: Expression, exponent: Expression) -> str:
        x = self.text(base)
        whole = whole_exponent(exponent)
        if whole is None:
            return f"pow(max({x},{SMALLEST!r}),{self.text(exponent)})"
        if whole < 0:
            return f"(1.0/{_whole_power(x, -whole)})"
        return _whole_power(x, whole)

    def _call(self, name: str, arguments: tuple[Expression, ...]) -> str:
        check_function(name, arguments)
        if name in {"ln", "log"} and (inner := softplus_argument(arguments[0])) is not None:
            x = self.text(inner)
            return f"(max({x},0.0)+ln(1.0+exp(-abs({x}))))"
        if name == "pow":
            return self._power(arguments[0], arguments[1])
        if name == "if":
            return self._choice(arguments[0], arguments[1], arguments[2])
        if name == "table":
            return self._table(arguments)
        if name == "pwrs":
            return self._signed_power(arguments[0], arguments[1])
        texts = [self.text(argument) for argument in arguments]
        if name in {"min", "max"}:
            return _nested(name, texts)
        if name in _SAME_IN_NGSPICE:
            return f"{_SAME_IN_NGSPICE[name]}({texts[0]})"
        return _guarded(name, texts)

    def _signed_power(self, base: Expression, exponent: Expression) -> str:
        x, y = self.text(base), self.text(exponent)
        if is_constant(exponent) and evaluate_constant(exponent, CONSTANTS.__getitem__) >= 1:
            return f"pwr({x},{y})"
        # Below 1 the slope at zero has no bound and ngspice stops there.
        return f"(sgn({x})*pow(max(abs({x}),{SMALLEST!r}),{y}))"

    def _table(self, arguments: tuple[Expression, ...]) -> str:
        if not all(is_constant(argument) for argument in arguments[1:]):
            raise ExpressionError("the pairs of `table` have to be constants", "table")
        pairs = [evaluate_constant(argument, CONSTANTS.__getitem__) for argument in arguments[1:]]
        x = self.text(arguments[0])
        if len(pairs) == 2:
            return _number(pairs[1])
        held = f"max(min({x},{pairs[-2]!r}),{pairs[0]!r})"
        return f"pwl({held},{','.join(repr(value) for value in pairs)})"


def _whole_power(x: str, whole: int) -> str:
    if whole == 0:
        return "1.0"
    if whole == 1:
        return x
    # ngspice takes |x| under `pow` and keeps the sign under `pwr`.
    return f"pwr({x},{whole})" if whole % 2 else f"pow({x},{whole})"


def _nested(name: str, texts: list[str]) -> str:
    """Two arguments at a time: ngspice takes no more."""
    written = texts[0]
    for text in texts[1:]:
        written = f"{name}({written},{text})"
    return written


def _guarded(name: str, texts: list[str]) -> str:
    x = texts[0]
    if name == "stp":
        return f"(({x}>0.0)?(1.0):(0.0))"
    if name == "int":
        return f"(sgn({x})*floor(abs({x})))"
    if name == "nint":
        return f"floor({x}+0.5)"
    if name == "sqrt":
        return f"sqrt(max({x},0.0))"
    if name in {"ln", "log", "log10"}:
        return f"{'log10' if name == 'log10' else 'ln'}(max({x},{SMALLEST!r}))"
    if name == "exp":
        return f"(exp(min({x},{EXP_LIMIT!r}))*(1.0+max({x}-{EXP_LIMIT!r},0.0)))"
    if name in {"asin", "acos"}:
        return f"{name}(max(min({x},1.0),-1.0))"
    if name in {"sinh", "cosh"}:
        return f"{name}(max(min({x},{SINH_LIMIT!r}),-{SINH_LIMIT!r}))"
    if name == "pwr":
        return f"pow(max(abs({x}),{SMALLEST!r}),{texts[1]})"
    if name == "limit":
        low, high = texts[1], texts[2]
        return f"min(max({x},min({low},{high})),max({low},{high}))"
    raise ExpressionError(f"there is no function `{name}`", name)
