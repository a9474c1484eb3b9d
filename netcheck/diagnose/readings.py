"""What was read at the bench, as text.

Comes in: `V(g4)=-31.2V`, `V(p4,ht)=-2V`, `I(R24)=34mA`, `W(X4)=12.8W`,
`R(g4)=242kohm@power_off`, `leak(C3)=0.4V`, `ripple(ht)=yes`.  Goes out: a `Reading`.
After `@` stands the situation (`situations.py`); without it resistances are read with the
power off, leaks with the tubes out, all else at idle.  After `by` may stand the meter that
volts were read with (`meters.py`), where it is not that of the bench.  A leak is the volts
at the end of a coupling capacitor that was lifted off the grid.  Whether nets and parts are
there is for who has the circuit.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from netcheck.circuit.model import GROUND
from netcheck.diagnose.meters import Meter, parse_meter
from netcheck.diagnose.situations import IDLE, POWER_OFF, SITUATIONS, TUBES_OUT
from netcheck.errors import NetcheckError
from netcheck.units import format_quantity, parse_quantity

ReadingKind = Literal["volts", "amperes", "watts", "ohms", "leak", "ripple"]

_KINDS: dict[str, tuple[ReadingKind, str]] = {
    "v": ("volts", "V"),
    "i": ("amperes", "A"),
    "w": ("watts", "W"),
    "r": ("ohms", "ohm"),
    "leak": ("leak", "V"),
    "ripple": ("ripple", ""),
}
_FORM = re.compile(
    r"\s*(\w+)\s*\(([^()=]+)\)\s*=\s*([^@]+?)\s*(?:@\s*(\w+)\s*)?(?:\bby\s+(\S+)\s*)?"
)
_HINT = "such as V(g4)=-31.2V, V(a,b)=2V, I(R24)=34mA, R(g4)=242kohm or ripple(ht)=yes"
_PAIR = 2
LOADED = ("volts", "leak")
"""What a voltmeter is connected to."""
OPEN = "open"
OPEN_WORDS = (OPEN, "ol", "inf", "infinite")


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading; volts and ohms are from `first` to `second`, the others of `first`.

    value: SI; of a ripple 1 for yes and 0 for no; of an open circuit infinite.
    accuracy: the largest error that the reading itself states, SI; 0 where it states none.
    by: the meter it was read with, in words of its own; empty for that of the bench.
    """

    kind: ReadingKind
    first: str
    second: str
    value: float
    situation: str
    accuracy: float = 0.0
    by: str = ""

    @property
    def text(self) -> str:
        """The reading as it can be typed again."""
        name = name_of(self.kind, self.first, self.second)
        error = f"+-{self._written(self.accuracy)}" if self.accuracy else ""
        meter = f" by {self.by}" if self.by else ""
        return f"{name}={self._written(self.value)}{error}@{self.situation}{meter}"

    @property
    def meter(self) -> Meter | None:
        """The meter of its own; None for that of the bench."""
        return parse_meter(self.by, "by") if self.by else None

    def _written(self, value: float) -> str:
        if self.kind == "ripple":
            return "yes" if value else "no"
        if math.isinf(value):
            return OPEN
        unit = next(unit for kind, unit in _KINDS.values() if kind == self.kind)
        return format_quantity(value, unit, 6).replace(" ", "")


def name_of(kind: ReadingKind, first: str, second: str) -> str:
    """Return what is read as it is typed: `V(g4)`, `R(p4,ht)`, `leak(C3)`."""
    word = next(word for word, (known, _) in _KINDS.items() if known == kind)
    word = word.upper() if len(word) == 1 else word
    both = kind in ("volts", "ohms") and second != GROUND
    return f"{word}({first},{second})" if both else f"{word}({first})"


def parse_reading(text: str) -> Reading:
    """Read one reading; what cannot be read is one clear error."""
    match = _FORM.fullmatch(text)
    if match is None or match.group(1).casefold() not in _KINDS:
        raise NetcheckError(f"`{text}` is not a reading", hint=_HINT)
    word, places, value, situation, by = match.groups()
    kind, unit = _KINDS[word.casefold()]
    names = [one.strip() for one in places.split(",")]
    most = _PAIR if kind in ("volts", "ohms") else 1
    if len(names) > most or not all(names):
        what = "one net or two" if most == _PAIR else "one name"
        raise NetcheckError(f"`{text}`: {word}() takes {what}", hint=_HINT)
    second = names[1] if len(names) == _PAIR else GROUND if most == _PAIR else ""
    usual = {"ohms": POWER_OFF.key, "leak": TUBES_OUT.key}.get(kind, IDLE.key)
    where = _situation(text, situation, usual)
    if (kind == "ohms") != (where == POWER_OFF.key):
        raise NetcheckError(
            f"`{text}`: "
            + ("ohms are read" if kind == "ohms" else "only ohms are read")
            + " with the power off",
            hint="R(g4)=242kohm@power_off; volts, amperes and watts are read with the supply on",
        )
    if kind == "leak" and where != TUBES_OUT.key:
        raise NetcheckError(f"`{text}`: a leak is read with the tubes out", hint="leak(C3)=0.4V")
    size, plus_minus, error = value.replace("\u00b1", "+-").partition("+-")
    accuracy = _value(text, error, unit) if plus_minus else 0.0
    if plus_minus and (not 0.0 < accuracy < math.inf or not unit):
        raise NetcheckError(f"`{text}`: an error is a size above zero", hint=_HINT)
    known = _value(text, size, unit)
    if math.isinf(known) and plus_minus:
        raise NetcheckError(f"`{text}`: open has no error", hint=_HINT)
    reading = Reading(kind, names[0], second, known, where, accuracy, (by or "").casefold())
    check_ohms(reading)
    if by and kind not in LOADED:
        raise NetcheckError(
            f"`{text}`: a meter is told for volts, which it loads",
            hint="V(g4)=-31.2V@idle by 20kohm/V",
        )
    _ = reading.meter
    return reading


def check_ohms(reading: Reading) -> None:
    """Complain of a resistance below zero."""
    if reading.kind == "ohms" and reading.value < 0.0:
        raise NetcheckError(
            f"`{reading.text}`: a resistance is not below zero",
            hint="a meter shows this while a capacitor is charged: discharge, and read again",
        )


def _value(text: str, value: str, unit: str) -> float:
    if not unit:
        word = value.casefold()
        if word not in ("yes", "no"):
            raise NetcheckError(f"`{text}`: ripple is yes or no", hint=_HINT)
        return 1.0 if word == "yes" else 0.0
    if unit == "ohm" and value.strip().casefold() in OPEN_WORDS:
        return math.inf
    try:
        return parse_quantity(value.strip(), unit)
    except NetcheckError as error:
        raise NetcheckError(f"`{text}`: {error.message}", hint=error.hint) from error


def _situation(text: str, word: str | None, usual: str) -> str:
    if word is None:
        return usual
    known = [one.key for one in SITUATIONS]
    if word.casefold() not in known:
        raise NetcheckError(
            f"`{text}`: there is no situation `{word}`", hint=f"one of {', '.join(known)}"
        )
    return word.casefold()
