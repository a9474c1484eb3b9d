"""Controlled sources that copy one quantity of the circuit, times a factor.

Comes in: a part.  Goes out: a `Transfer`: between which nets the source gives volts
or amperes, what it copies, and by which factor.  A plain gain and an expression say
the same in two ways; an expression counts where it is a sum of one kind of quantity
times numbers.  What is not linear (a tube's law) is no transfer.
"""

from __future__ import annotations

from dataclasses import dataclass

from netcheck.circuit.model import GROUND, Part
from netcheck.netlist.cards import Binary, Current, Expression, Number, Unary, Voltage

Terms = dict[tuple[str, str], float]
"""Factor by what is copied: ("v", net), ("i", source), or ("", "") for a number."""

PLAIN = ("", "")
CONTROL_PINS = 4


@dataclass(frozen=True, slots=True)
class Transfer:
    """A source that gives `factor` times what it copies.

    gives: volts or amperes (from plus through the source to minus).  copies: volts
    from plus to minus net of `control`, or the amperes of the source `sensor`.
    """

    part: str
    gives: str
    ends: tuple[str, str]
    factor: float
    control: tuple[str, str] = (GROUND, GROUND)
    sensor: str = ""


def transfer_of(part: Part) -> Transfer | None:
    """Return what a controlled source copies, or nothing where it is not linear."""
    if part.kind != "controlled_source" or part.element is None:
        return None
    element = part.element
    gives = _gives(part)
    ends = (part.net("plus"), part.net("minus"))
    if element.value is not None and element.letter in "EG" and len(part.pins) == CONTROL_PINS:
        control = (part.net("control_plus"), part.net("control_minus"))
        return Transfer(part.ref, gives, ends, element.value, control)
    if element.value is not None and element.letter in "FH" and len(element.controls) == 1:
        return Transfer(part.ref, gives, ends, element.value, sensor=element.controls[0])
    if element.expression is None or not gives:
        return None
    terms = _terms(element.expression)
    return _from_terms(part.ref, gives, ends, terms) if terms else None


def _gives(part: Part) -> str:
    assert part.element is not None
    letter = part.element.letter
    if letter == "B":
        return {"v": "volts", "i": "amperes"}.get(part.element.quantity, "")
    return "volts" if letter in "EH" else "amperes"


def _from_terms(ref: str, gives: str, ends: tuple[str, str], terms: Terms) -> Transfer | None:
    found = [(what, factor) for what, factor in terms.items() if factor]
    nets = {what[1]: factor for what, factor in found if what[0] == "v" and what[1] != GROUND}
    if len(found) == 1 and found[0][0][0] == "i":
        (_, sensor), factor = found[0]
        return Transfer(ref, gives, ends, factor, sensor=sensor)
    if any(what[0] != "v" for what, _ in found) or not 1 <= len(nets) <= len(ends):
        return None
    if len(nets) == 1:
        net, factor = next(iter(nets.items()))
        return Transfer(ref, gives, ends, factor, (net, GROUND))
    (first, factor), (second, other) = nets.items()
    if abs(factor + other) > 1e-9 * abs(factor):
        return None
    control = (first, second) if factor > 0 else (second, first)
    return Transfer(ref, gives, ends, abs(factor), control)


def _terms(expression: Expression) -> Terms | None:
    """Return an expression as a sum of factors times quantities; None if it is none."""
    match expression:
        case Number(value):
            return {PLAIN: value}
        case Voltage(net, reference):
            return _added({("v", net): 1.0}, {("v", reference): 1.0}, -1.0)
        case Current(source):
            return {("i", source): 1.0}
        case Unary("-", operand):
            return _added({}, _terms(operand), -1.0)
        case Unary("+", operand):
            return _terms(operand)
        case Binary("+" | "-" as sign, left, right):
            return _added(_terms(left), _terms(right), 1.0 if sign == "+" else -1.0)
        case Binary("*" | "/" as sign, left, right):
            return _product(sign, _terms(left), _terms(right))
    return None


def _added(first: Terms | None, second: Terms | None, sign: float) -> Terms | None:
    if first is None or second is None:
        return None
    keys = dict.fromkeys((*first, *second))
    return {key: first.get(key, 0.0) + sign * second.get(key, 0.0) for key in keys}


def _product(sign: str, first: Terms | None, second: Terms | None) -> Terms | None:
    """Multiply or divide by a plain number; anything else is not linear."""
    if first is None or second is None:
        return None
    if sign == "*" and set(first) == {PLAIN}:
        first, second = second, first
    if set(second) != {PLAIN} or (sign == "/" and not second[PLAIN]):
        return None
    factor = second[PLAIN] if sign == "*" else 1.0 / second[PLAIN]
    return {key: value * factor for key, value in first.items()}
