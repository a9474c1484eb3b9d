"""Engineering numbers: the only place that reads or writes `4k7`, `10u`, `1meg`.

Two ways of writing meet here.  In the fields of a SPICE card a letter is a SPICE
suffix whatever its case (`meg` is 1e6, `m` and `M` are 1e-3) and letters after it
are ignored.  Everywhere else (part notes, data files, command line) a value
carries its unit, case counts, and `M` is mega.

Where people mean something else than SPICE reads, `parse_spice_value` follows a
written ruling and hands back a `Ruling` that says how the text was read and how
other simulators read it.  Values are SI floats.

Source of the suffixes: SPICE3 Version 3f User's Manual, section 1.4 (T G MEG K MIL
M U N P F).  `4k7` is the letter-for-decimal-point code of IEC 60062.  MFD for
microfarad and MMF for picofarad are common practice on schematics of the tube age.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from netcheck.errors import NetcheckError

MICRO_SIGNS = "\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}"
OHM_SIGNS = "\N{OHM SIGN}\N{GREEK CAPITAL LETTER OMEGA}"

_SPICE_SCALE = {
    "t": 1e12, "g": 1e9, "k": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12, "f": 1e-15,
}  # fmt: skip
_MIL = 25.4e-6
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_SPICE_VALUE = re.compile(rf"({_NUMBER})([A-Za-z{MICRO_SIGNS}{OHM_SIGNS}]*)")
_ENGINEER = re.compile(
    rf"([+-]?\d+)(meg|[rkmgtunp{MICRO_SIGNS}])(\d+)([A-Za-z{OHM_SIGNS}]*)", re.IGNORECASE
)
_UNIT_OF_KIND = {"r": "ohm", "c": "F", "l": "H", "v": "V", "i": "A"}
_LARGEST = 1e300

Kind = Literal["r", "c", "l", "v", "i", ""]


@dataclass(frozen=True, slots=True)
class Ruling:
    """How a text that others read differently was read here."""

    rule: str
    level: Literal["warning", "note"]
    message: str


@dataclass(frozen=True, slots=True)
class SpiceValue:
    """An SI value and the rulings that were needed to read it."""

    value: float
    rulings: tuple[Ruling, ...] = ()


def parse_spice_value(text: str, kind: Kind = "") -> SpiceValue:
    """Read `text` as the value of a SPICE card.

    `kind` is the lower-case letter of the part (`r c l v i`) or empty; it decides
    the rulings, since `MFD` means something only on a capacitor.  A text that is
    not a number raises `NetcheckError` with a hint.
    """
    if engineer := _ENGINEER.fullmatch(text):
        return _engineer_style(text, engineer, kind)
    match = _SPICE_VALUE.fullmatch(text)
    if match is None:
        raise NetcheckError(f"`{text}` is not a number", hint=_hint_for(text))
    number, letters = match.groups()
    scale, rulings = _scale(text, letters, kind)
    value = _scaled(number, scale)
    if not math.isfinite(value) or abs(value) > _LARGEST:
        raise NetcheckError(
            f"`{text}` is too large to be a value", hint="check the exponent and the suffix"
        )
    if kind == "r" and scale == 1e-3 and 0 < abs(value) < 1 and not rulings:
        rulings = (_bare_m(text, number, letters, value),)
    return SpiceValue(value, rulings)


def _scaled(number: str, scale: float) -> float:
    """Multiply in decimal, so that `10u` is the float nearest to 1e-5."""
    value = float(number)
    if not math.isfinite(value) or value == 0 or scale == 1.0:
        return value
    return float(Decimal(number) * Decimal(repr(scale)))


def _scale(text: str, letters: str, kind: Kind) -> tuple[float, tuple[Ruling, ...]]:
    """Return the factor that the letters after a number stand for, and the rulings."""
    lower = letters.lower()
    if kind == "c" and (ruled := _capacitor_scale(text, lower)):
        return ruled
    if letters[:1] and letters[0] in MICRO_SIGNS:
        return 1e-6, (
            Ruling(
                "value-micro-sign",
                "note",
                f"`{text}` was read with the micro sign as 1e-6; some other simulators ignore "
                f"the sign and read {text.rstrip(letters)}. `u` is read alike everywhere.",
            ),
        )
    ohm = tuple(
        Ruling(
            "value-ohm-sign",
            "note",
            f"the ohm sign in `{text}` was read as a unit; some other simulators cannot read it.",
        )
        for _ in letters[:2]
        if any(sign in letters for sign in OHM_SIGNS)
    )[:1]
    if lower.startswith("meg"):
        return 1e6, ohm
    if lower.startswith("mil"):
        return _MIL, (
            Ruling(
                "value-mil",
                "warning",
                f"`{text}` was read with `mil` as 25.4e-6, as SPICE defines it. "
                "If milli is meant, write `m`.",
            ),
        )
    scale = _SPICE_SCALE.get(lower[:1], 1.0)
    # A resistor under 1 ohm by a bare M is asked about even beside an ohm sign.
    return scale, () if kind == "r" and scale == 1e-3 else ohm


def _capacitor_scale(text: str, lower: str) -> tuple[float, tuple[Ruling, ...]] | None:
    """Return the scale where schematics of the tube age and SPICE differ."""
    if lower in {"mfd", "mfds"}:
        return 1e-6, (
            Ruling(
                "value-mfd",
                "warning",
                f"`{text}` was read as microfarad, as old schematics write it; other simulators "
                "read the `m` as milli, a thousand times more. `uF` is read alike everywhere.",
            ),
        )
    if lower in {"mmf", "mmfd", "uuf", "uufd"}:
        return 1e-12, (
            Ruling(
                "value-mmf",
                "warning",
                f"`{text}` was read as micromicrofarad (picofarad), as old schematics write it; "
                f"other simulators read its first letter as "
                f"{'milli' if lower[0] == 'm' else 'micro'}. `pF` is read alike everywhere.",
            ),
        )
    if lower in {"f", "farad"}:
        return 1e-15, (
            Ruling(
                "value-farad",
                "warning",
                f"`{text}` was read as femtofarad, as SPICE reads a bare `f`. "
                "For farad leave the letter out; for microfarad write `u`.",
            ),
        )
    if lower in {"m", "mf"}:
        return 1e-3, (
            Ruling(
                "value-millifarad",
                "warning",
                f"`{text}` was read as millifarad, as SPICE reads `m` and `M` alike. "
                "If microfarad is meant, write `u`.",
            ),
        )
    return None


def _bare_m(text: str, number: str, letters: str, value: float) -> Ruling:
    written = "M" if letters[0] == "M" else "m"
    return Ruling(
        "value-bare-m",
        "warning" if written == "M" else "note",
        f"`{text}` was read as {format_quantity(value, 'ohm')}, since `{written}` is milli in "
        f"SPICE. Is {number} Mohm meant? Then write `{number}meg`.",
    )


def _engineer_style(text: str, match: re.Match[str], kind: Kind) -> SpiceValue:
    """Read `4k7`: the letter stands where the decimal point would."""
    whole, letter, decimals, _ = match.groups()
    lower = letter.lower()
    if lower == "meg" or (letter == "M" and kind in {"r", ""}):
        scale = 1e6
    elif lower == "r":
        scale = 1.0
    else:
        scale = 1e-6 if letter in MICRO_SIGNS else _SPICE_SCALE[lower]
    value = _scaled(f"{whole}.{decimals}", scale)
    others = _scaled(whole, 1e6 if lower == "meg" else _SPICE_SCALE.get(lower, 1.0))
    unit = _UNIT_OF_KIND.get(kind, "")
    ruling = Ruling(
        "value-engineer-style",
        "note",
        f"`{text}` was read as {format_quantity(value, unit)}, with the letter for the decimal "
        f"point; other simulators stop at the letter and read {format_quantity(others, unit)}.",
    )
    return SpiceValue(value, (ruling,))


def _hint_for(text: str) -> str:
    if re.fullmatch(r"[+-]?\d+,\d+.*", text):
        return f"write the decimal point as a point: `{text.replace(',', '.')}`"
    if text.lower() in {"nan", "inf", "+inf", "-inf", "infinity"}:
        return "a value has to be a finite number"
    if "/" in text:
        return "a value is one number; a rating belongs into a note, such as `10u ;! volts=63V`"
    return "a value is a number with a suffix, such as 470, 4.7k, 1meg, 100n or 22u"


# Outside the netlist: case counts, the unit is said.

_SI_SCALE = {
    "": 1.0, "f": 1e-15, "p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3,
    "M": 1e6, "meg": 1e6, "Meg": 1e6, "MEG": 1e6, "G": 1e9,
}  # fmt: skip
_UNIT_WORDS: dict[str, tuple[str, ...]] = {
    "ohm": ("ohm", "ohms", "r", "\N{OHM SIGN}".lower(), "\N{GREEK SMALL LETTER OMEGA}"),
    "W": ("w", "watt", "watts"),
    "V": ("v", "volt", "volts"),
    "A": ("a", "amp", "amps", "ampere", "amperes"),
    "F": ("f", "farad", "farads"),
    "H": ("h", "henry", "henries"),
    "Hz": ("hz", "hertz"),
    "s": ("s", "sec", "second", "seconds"),
    "y": ("y", "yr", "yrs", "year", "years"),
    "B": ("b", "byte", "bytes"),
    "%": ("%", "percent"),
    "": ("", "turns"),
}
_QUANTITY = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(\D*)")
_QUANTITY_ENGINEER = re.compile(r"([+-]?\d+)([RkKMGmunp])(\d+)(\D*)")
_UNIT_NAMES = {
    "ohm": "ohm", "W": "watt", "V": "volt", "A": "ampere", "F": "farad", "H": "henry",
    "Hz": "hertz", "s": "seconds", "y": "years", "B": "bytes",
    "%": "percent", "": "a plain number",
}  # fmt: skip


def parse_quantity(text: str, unit: str) -> float:
    """Read a value that carries its unit, such as `20Mohm`, `5W`, `400V` or `5%`.

    `unit` is one of `ohm W V A F H Hz s y B %` or empty for a plain number.  `M` is
    mega and `m` is milli.  The unit may be left out, except the percent sign:
    `5` could be 5 % or 5 times.  `5%` gives 0.05.
    """
    stripped = text.strip()
    if match := _QUANTITY_ENGINEER.fullmatch(stripped):
        whole, letter, decimals, rest = match.groups()
        number, tail = f"{whole}.{decimals}", ("" if letter == "R" else letter) + rest
    elif match := _QUANTITY.fullmatch(stripped):
        number, tail = match.group(1), match.group(2).strip()
    else:
        raise NetcheckError(f"`{text}` is not a value", hint=_quantity_hint(unit))
    scale = _unit_scale(tail, unit)
    if scale is None:
        raise NetcheckError(
            f"`{text}` is not a value in {_UNIT_NAMES.get(unit, unit)}", hint=_quantity_hint(unit)
        )
    value = _scaled(number, scale)
    if not math.isfinite(value):
        raise NetcheckError(f"`{text}` is too large to be a value")
    return value


def _unit_scale(tail: str, unit: str) -> float | None:
    for sign in MICRO_SIGNS:
        tail = tail.replace(sign, "u")
    words = _UNIT_WORDS.get(unit, (unit.lower(),))
    if unit == "%":
        return 0.01 if tail.lower() in words else None
    for prefix in sorted(_SI_SCALE, key=len, reverse=True):
        if tail.startswith(prefix) and tail[len(prefix) :].lower() in (*words, ""):
            # `5m` is milli; but `60y` or `12 turns` take no prefix at all.
            if prefix and unit in {"y", ""}:
                continue
            return _SI_SCALE[prefix]
    return None


def _quantity_hint(unit: str) -> str:
    samples = {
        "ohm": "470ohm, 4.7kohm or 20Mohm", "W": "5W or 500mW", "V": "400V or 6.3V",
        "A": "120mA or 1.5A", "F": "100nF or 22uF", "H": "12H or 200mH", "Hz": "1kHz",
        "s": "10ms", "y": "60y", "B": "4000MB", "%": "5%", "": "2800",
    }  # fmt: skip
    return f"write it like {samples[unit]}" if unit in samples else f"the unit is {unit}"


_WRITE_PREFIX = {
    -15: "f", -12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T",
}  # fmt: skip


def format_quantity(value: float, unit: str, digits: int = 4) -> str:
    """Write an SI value for a person: `format_quantity(4700, "ohm")` is `4.7 kohm`.

    `digits` are significant ones.  With the unit `%` a fraction of 0.05 is `5 %`;
    years and plain numbers take no prefix.
    """
    if unit == "%":
        return f"{value * 100:.{digits}g} %"
    if unit in {"y", ""} or not 1e-15 <= abs(value) < 1e15:
        return f"{value + 0.0:.{digits}g} {unit}".rstrip()
    rounded = f"{value:.{digits - 1}e}"
    exponent = int(rounded.split("e")[1]) // 3 * 3
    mantissa = float(Decimal(rounded).scaleb(-exponent))
    # `g` also drops trailing zeros, and `100` must not become `1e+02` at two digits.
    return f"{mantissa:.{max(digits, 3)}g} {_WRITE_PREFIX[exponent]}{unit}".rstrip()


def six_digits(value: float) -> float:
    """Round to six significant digits, as all machine output is."""
    return float(f"{value:.6g}") + 0.0
