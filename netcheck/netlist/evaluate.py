"""What an expression is worth, given volts, amperes and parameters.

Comes in: an `Expression` and the values of what it refers to.  Goes out: a float.
The same table of functions serves parameters (`evaluate_constant`, strict: a
division by zero is the user's mistake) and behavioral sources (`evaluate`, guarded:
never raises for an absurd voltage, since a solver visits absurd voltages).

Rulings on what dialects read differently.  `log` and `ln` are natural, `log10` is
decimal.  `pwr(x,y)` is |x|^y and `pwrs(x,y)` keeps the sign of x.  `pow`, `^` and
`**` are one power: with a constant whole exponent the ordinary one, and otherwise a
negative base counts as zero, so that (x)^1.5 of a cut-off tube is no current.
`limit(x,a,b)` takes its bounds in either order; `u(0)` is one half, `stp(0)` is 0;
`int` cuts off towards zero, `nint` rounds a half up; `table` clamps
at its ends; logic reads a value above one half as true.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise

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

EXP_LIMIT = 200.0
"""Above this argument `exp` goes on as a straight line: e^200 is 7e86, and ngspice 39
holds its own `exp` at 1e99 (measured)."""
SMALLEST = 1e-30
"""Floor of the argument of logarithms and of the base of powers."""
LARGEST = 1e300
SINH_LIMIT = 200.0
NOT_ZERO = 1e-32
CONSTANTS = {"pi": math.pi, "temper": 27.0, "temp": 27.0}


class ExpressionError(ValueError):
    """An expression that has no value; `name` is the word to point at."""

    def __init__(self, message: str, name: str = "") -> None:
        super().__init__(message)
        self.name = name


def bounded_exp(x: float) -> float:
    """Return e^x, continued beyond EXP_LIMIT by its tangent."""
    return math.exp(min(x, EXP_LIMIT)) * (1.0 + max(x - EXP_LIMIT, 0.0))


def magnitude_power(x: float, y: float) -> float:
    """Return |x|^y, with the base kept off zero."""
    base = max(abs(x), SMALLEST)
    exponent = y * math.log(base)
    if exponent > math.log(LARGEST):
        return LARGEST
    return base**y if exponent > -700 else 0.0


def power(x: float, y: float, whole: int | None) -> float:
    """Return x^y; `whole` is y where y is a constant whole number."""
    if whole is not None:
        size = magnitude_power(x, abs(whole)) if x else float(whole == 0)
        signed = -size if x < 0 and whole % 2 else size
        return signed if whole >= 0 else divide(1.0, signed)
    return magnitude_power(x, y) if x > 0 else magnitude_power(0.0, y)


def divide(a: float, b: float) -> float:
    """Return a/b with the divisor kept off zero as ngspice 39 keeps it, by 1e-32."""
    return a / (b + math.copysign(NOT_ZERO, b))


def limit(x: float, a: float, b: float) -> float:
    """Return x held between a and b, given in either order."""
    return min(max(x, min(a, b)), max(a, b))


def table(x: float, *pairs: float) -> float:
    """Interpolate between the pairs x1, y1, x2, y2, ..., clamped at the ends."""
    xs, ys = pairs[0::2], pairs[1::2]
    if x <= xs[0]:
        return ys[0]
    for left, right, y_left, y_right in zip(xs, xs[1:], ys, ys[1:], strict=False):
        if x <= right:
            return y_left + (y_right - y_left) * (x - left) / (right - left)
    return ys[-1]


def step(x: float) -> float:
    """Return 0, one half or 1."""
    return 0.5 if x == 0 else float(x > 0)


def sign(x: float) -> float:
    """Return -1, 0 or 1."""
    return float((x > 0) - (x < 0))


def _between(x: float, low: float, high: float) -> float:
    return min(max(x, low), high)


Function = Callable[..., float]

# name: (least arguments, most arguments, function); -1 is any number.
FUNCTIONS: Mapping[str, tuple[int, int, Function]] = {
    "abs": (1, 1, abs),
    "sqrt": (1, 1, lambda x: math.sqrt(max(x, 0.0))),
    "exp": (1, 1, bounded_exp),
    "ln": (1, 1, lambda x: math.log(max(x, SMALLEST))),
    "log": (1, 1, lambda x: math.log(max(x, SMALLEST))),
    "log10": (1, 1, lambda x: math.log10(max(x, SMALLEST))),
    "sin": (1, 1, math.sin),
    "cos": (1, 1, math.cos),
    "tan": (1, 1, math.tan),
    "atan": (1, 1, math.atan),
    "arctan": (1, 1, math.atan),
    "asin": (1, 1, lambda x: math.asin(_between(x, -1.0, 1.0))),
    "acos": (1, 1, lambda x: math.acos(_between(x, -1.0, 1.0))),
    "sinh": (1, 1, lambda x: math.sinh(_between(x, -SINH_LIMIT, SINH_LIMIT))),
    "cosh": (1, 1, lambda x: math.cosh(_between(x, -SINH_LIMIT, SINH_LIMIT))),
    "tanh": (1, 1, math.tanh),
    "min": (2, -1, min),
    "max": (2, -1, max),
    "pow": (2, 2, lambda x, y: power(x, y, None)),
    "pwr": (2, 2, magnitude_power),
    "pwrs": (2, 2, lambda x, y: sign(x) * magnitude_power(x, y)),
    "sgn": (1, 1, sign),
    "u": (1, 1, step),
    "stp": (1, 1, lambda x: float(x > 0)),
    "int": (1, 1, lambda x: float(math.trunc(x))),
    "floor": (1, 1, lambda x: float(math.floor(x))),
    "ceil": (1, 1, lambda x: float(math.ceil(x))),
    "nint": (1, 1, lambda x: float(math.floor(x + 0.5))),
    "uramp": (1, 1, lambda x: max(x, 0.0)),
    "limit": (3, 3, limit),
    "table": (3, -1, table),
    "if": (3, 3, lambda c, a, b: a if c > 0.5 else b),
}  # fmt: skip

_STRICT: Mapping[str, tuple[Callable[[float], bool], str]] = {
    "sqrt": (lambda x: x >= 0, "the root of a negative number"),
    "ln": (lambda x: x > 0, "the logarithm of zero or less"),
    "log": (lambda x: x > 0, "the logarithm of zero or less"),
    "log10": (lambda x: x > 0, "the logarithm of zero or less"),
    "asin": (lambda x: abs(x) <= 1, "asin of more than 1"),
    "acos": (lambda x: abs(x) <= 1, "acos of more than 1"),
    "exp": (lambda x: x <= EXP_LIMIT, "exp of more than 200"),
}


def children(expression: Expression) -> tuple[Expression, ...]:
    """Return the expressions directly inside `expression`."""
    if isinstance(expression, Unary):
        return (expression.operand,)
    if isinstance(expression, Binary):
        return (expression.left, expression.right)
    if isinstance(expression, Choice):
        return (expression.condition, expression.when_true, expression.when_false)
    return expression.arguments if isinstance(expression, Call) else ()


def walk(expression: Expression) -> Iterator[tuple[Expression, int]]:
    """Yield every part of an expression with its depth, without recursion."""
    stack = [(expression, 1)]
    while stack:
        here, depth = stack.pop()
        yield here, depth
        stack.extend((child, depth + 1) for child in reversed(children(here)))


def is_constant(expression: Expression) -> bool:
    """Tell whether an expression holds numbers and functions only."""
    return not any(isinstance(part, Name | Voltage | Current) for part, _ in walk(expression))


def whole_exponent(exponent: Expression) -> int | None:
    """Return the exponent where it is a constant whole number of modest size."""
    if not is_constant(exponent):
        return None
    try:
        value = evaluate_constant(exponent, _no_names)
    except ExpressionError:
        return None
    return int(value) if value == int(value) and abs(value) <= 100 else None


def _no_names(name: str) -> float:
    raise ExpressionError(f"`{name}` has no value", name)


def softplus_argument(argument: Expression) -> Expression | None:
    """Return x where the argument of a logarithm is 1+exp(x) or exp(x)+1."""
    if not isinstance(argument, Binary) or argument.operator != "+":
        return None
    for one, other in ((argument.left, argument.right), (argument.right, argument.left)):
        if one == Number(1.0) and isinstance(other, Call) and other.function.lower() == "exp":
            return other.arguments[0]
    return None


def _named(values: Mapping[str, float], name: str) -> float:
    if name not in values:
        raise ExpressionError(f"`{name}` has no value", name)
    return values[name]


def check_function(name: str, arguments: tuple[Expression, ...]) -> None:
    """Raise `ExpressionError` for an unknown function or a wrong number of arguments."""
    if name not in FUNCTIONS:
        raise ExpressionError(f"there is no function `{name}`", name)
    least, most, _ = FUNCTIONS[name]
    count = len(arguments)
    if count < least or (most >= 0 and count > most):
        wanted = str(least) if least == most else f"at least {least}"
        raise ExpressionError(f"`{name}` takes {wanted} arguments, not {count}", name)
    if name == "table":
        _check_table(arguments)


def _check_table(arguments: tuple[Expression, ...]) -> None:
    if len(arguments) % 2 == 0:
        raise ExpressionError("`table` takes a value and then pairs", "table")
    if not all(is_constant(argument) for argument in arguments[1:]):
        return
    xs = [evaluate_constant(argument, _no_names) for argument in arguments[1::2]]
    if any(right <= left for left, right in pairwise(xs)):
        raise ExpressionError("the first numbers of the pairs of `table` have to rise", "table")


def evaluate(
    expression: Expression,
    voltages: Mapping[str, float],
    currents: Mapping[str, float] | None = None,
    params: Mapping[str, float] | None = None,
) -> float:
    """Evaluate with the guards that the translation to the solver has too.

    `voltages` [V] by net, `currents` [A] by source, `params` by name (`time` among
    them); all compared without case.  Ground need not be given.
    """
    volts = {name.lower(): value for name, value in voltages.items()} | {"0": 0.0}
    amps = {name.lower(): value for name, value in (currents or {}).items()}
    names = CONSTANTS | {name.lower(): value for name, value in (params or {}).items()}
    evaluator = _Evaluator(lambda name: _named(names, name), volts, amps, strict=False)
    try:
        return evaluator.value(expression)
    except ExpressionError:
        raise
    except (ValueError, OverflowError):
        return math.nan


def evaluate_constant(expression: Expression, lookup: Callable[[str], float]) -> float:
    """Evaluate a parameter expression; `lookup` gives the value of a lower-case name.

    Raises `ExpressionError` for an unknown function, a voltage or current, a division
    by zero, a value out of range.
    """
    try:
        value = _Evaluator(lookup, None, None, strict=True).value(expression)
    except ExpressionError:
        raise
    except (ValueError, OverflowError):
        value = math.nan
    if not math.isfinite(value) or abs(value) > LARGEST:
        raise ExpressionError("the value is not a finite number")
    return value


class _Evaluator:
    """Walks an expression; `strict` turns guards into mistakes."""

    def __init__(
        self,
        lookup: Callable[[str], float],
        volts: Mapping[str, float] | None,
        amps: Mapping[str, float] | None,
        *,
        strict: bool,
    ) -> None:
        self.lookup = lookup
        self.volts = volts
        self.amps = amps
        self.strict = strict

    def value(self, expression: Expression) -> float:
        match expression:
            case Number(value):
                return value
            case Name(name):
                return self.lookup(name.lower())
            case Voltage(net, reference):
                return self._volts(net) - self._volts(reference)
            case Current(source):
                if self.amps is None:
                    raise ExpressionError("a parameter cannot depend on a current", source)
                return _named(self.amps, source.lower())
            case Unary(operator, operand):
                return self._unary(operator, self.value(operand))
            case Binary(operator, left, right):
                return self._binary(operator, left, right)
            case Choice(condition, when_true, when_false):
                chosen = when_true if self.value(condition) > 0.5 else when_false
                return self.value(chosen)
            case Call(function, arguments):
                return self._call(function, arguments)

    def _volts(self, net: str) -> float:
        if self.volts is None:
            raise ExpressionError("a parameter cannot depend on a voltage", net)
        return _named(self.volts, net.lower())

    def _unary(self, operator: str, x: float) -> float:
        if operator in "!~":
            return float(x <= 0.5)
        return -x if operator == "-" else x

    def _binary(self, operator: str, left: Expression, right: Expression) -> float:
        a, b = self.value(left), self.value(right)
        if operator in {"^", "**"}:
            return self._power(a, b, whole_exponent(right))
        if operator == "/":
            if self.strict and b == 0:
                raise ExpressionError("division by zero")
            return divide(a, b)
        return OPERATORS[operator](a, b)

    def _power(self, a: float, b: float, whole: int | None) -> float:
        if not self.strict:
            return power(a, b, whole)
        try:
            value = float(math.pow(a, b))
        except OverflowError:
            raise ExpressionError("a power too large to be a value") from None
        except ValueError:
            raise ExpressionError(f"{a:g} to the power of {b:g} has no value") from None
        return value

    def _call(self, function: str, arguments: tuple[Expression, ...]) -> float:
        name = function.lower()
        check_function(name, arguments)
        inner = softplus_argument(arguments[0]) if name in {"ln", "log"} else None
        if inner is not None and not self.strict:
            x = self.value(inner)
            return max(x, 0.0) + math.log(1.0 + math.exp(-abs(x)))
        values = [self.value(argument) for argument in arguments]
        if name == "pow":
            return self._power(values[0], values[1], whole_exponent(arguments[1]))
        if self.strict and name in _STRICT:
            allowed, complaint = _STRICT[name]
            if not allowed(values[0]):
                raise ExpressionError(complaint, name)
        if name == "table" and any(b <= a for a, b in pairwise(values[1::2])):
            raise ExpressionError("the first numbers of the pairs of `table` have to rise", name)
        return float(FUNCTIONS[name][2](*values))


OPERATORS: Mapping[str, Callable[[float, float], float]] = {
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "*": lambda a, b: a * b,
    "<": lambda a, b: float(a < b),
    ">": lambda a, b: float(a > b),
    "<=": lambda a, b: float(a <= b),
    ">=": lambda a, b: float(a >= b),
    "==": lambda a, b: float(a == b),
    "!=": lambda a, b: float(a != b),
    "&": lambda a, b: float(a > 0.5 and b > 0.5),
    "&&": lambda a, b: float(a > 0.5 and b > 0.5),
    "|": lambda a, b: float(a > 0.5 or b > 0.5),
    "||": lambda a, b: float(a > 0.5 or b > 0.5),
}
