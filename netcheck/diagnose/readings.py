"""What was read at the bench, as text.

Comes in: `V(g4)=-31.2V`, `V(p4,ht)=-2V`, `I(R24)=34mA`, `W(X4)=12.8W`,
`R(g4)=242kohm@power_off`, `ripple(ht)=yes`.  Goes out: a `Reading`.  After `@` stands the
situation (`situations.py`); without it resistances are read with the power off, all else
at idle.  Whether nets and parts are there is for who has the circuit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from netcheck.circuit.model import GROUND
from netcheck.diagnose.situations import IDLE, POWER_OFF, SITUATIONS
from netcheck.errors import NetcheckError
from netcheck.units import parse_quantity

ReadingKind = Literal["volts", "amperes", "watts", "ohms", "ripple"]

_KINDS: dict[str, tuple[ReadingKind, str]] = {
    "v": ("volts", "V"),
    "i": ("amperes", "A"),
    "w": ("watts", "W"),
    "r": ("ohms", "ohm"),
    "ripple": ("ripple", ""),
}
_FORM = re.compile(r"\s*(\w+)\s*\(([^()=@]+)\)\s*=\s*([^@]+?)\s*(?:@\s*(\w+)\s*)?")
_HINT = "such as V(g4)=-31.2V, V(a,b)=2V, I(R24)=34mA, R(g4)=242kohm or ripple(ht)=yes"
_PAIR = 2


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading; volts and ohms are from `first` to `second`, the others of `first`.

    value: SI; of a ripple 1 for yes and 0 for no.
    """

    kind: ReadingKind
    first: str
    second: str
    value: float
    situation: str


def parse_reading(text: str) -> Reading:
    """Read one reading; what cannot be read is one clear error."""
    match = _FORM.fullmatch(text)
    if match is None or match.group(1).casefold() not in _KINDS:
        raise NetcheckError(f"`{text}` is not a reading", hint=_HINT)
    word, places, value, situation = match.groups()
    kind, unit = _KINDS[word.casefold()]
    names = [one.strip() for one in places.split(",")]
    most = _PAIR if kind in ("volts", "ohms") else 1
    if len(names) > most or not all(names):
        what = "one net or two" if most == _PAIR else "one name"
        raise NetcheckError(f"`{text}`: {word}() takes {what}", hint=_HINT)
    second = names[1] if len(names) == _PAIR else GROUND if most == _PAIR else ""
    usual = POWER_OFF.key if kind == "ohms" else IDLE.key
    return Reading(kind, names[0], second, _value(text, value, unit), _situation(situation, usual))


def _value(text: str, value: str, unit: str) -> float:
    if not unit:
        word = value.casefold()
        if word not in ("yes", "no"):
            raise NetcheckError(f"`{text}`: ripple is yes or no", hint=_HINT)
        return 1.0 if word == "yes" else 0.0
    try:
        return parse_quantity(value, unit)
    except NetcheckError as error:
        raise NetcheckError(f"`{text}`: {error.message}", hint=error.hint) from error


def _situation(word: str | None, usual: str) -> str:
    if word is None:
        return usual
    known = [one.key for one in SITUATIONS]
    if word.casefold() not in known:
        raise NetcheckError(f"there is no situation `{word}`", hint=f"one of {', '.join(known)}")
    return word.casefold()
