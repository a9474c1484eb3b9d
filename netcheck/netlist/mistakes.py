"""Names a mistake in a card, where the grammar only knows that it does not fit.

Comes in: the card's text and what the parser stumbled over.  Goes out: a
`NetlistSyntaxError` with the place, the reason in the user's terms and a hint, such as
the nearest known name for a mistyped one (`did_you_mean`).  `grammar/mistakes/` holds a
sample of each, `tests/golden/errors/` what is said.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import get_close_matches
from typing import TYPE_CHECKING

from netcheck.errors import NetlistSyntaxError
from netcheck.netlist.lines import Line

if TYPE_CHECKING:
    from lark.exceptions import UnexpectedInput

USAGE = {
    "R": "R1 net net value",
    "C": "C1 net net value",
    "L": "L1 net net value",
    "K": "K1 L1 L2 coefficient",
    "V": "V1 net net DC 10",
    "I": "I1 net net DC 1m",
    "B": "B1 net net v={...} or i={...}",
    "E": "E1 net net control control gain, or E1 net net VALUE={...}",
    "G": "G1 net net control control gain, or G1 net net VALUE={...}",
    "F": "F1 net net V1 gain",
    "H": "H1 net net V1 gain",
    "D": "D1 anode cathode model",
    "Q": "Q1 collector base emitter model",
    "J": "J1 drain gate source model",
    "M": "M1 drain gate source bulk model",
    "X": "X1 net net ... name",
}
NO_CARD = "no card begins with"
SET_ASIDE = frozenset(
    {
        *(".tran", ".op", ".ac", ".dc", ".tf", ".noise", ".disto", ".pz", ".sens", ".step"),
        *(".four", ".fourier", ".meas", ".measure", ".temp", ".mc", ".wcase", ".alter"),
        *(".backanno", ".options", ".option", ".opt", ".save", ".print", ".plot", ".probe"),
        *(".probe64", ".width", ".ic", ".nodeset", ".wave", ".title", ".net", ".savebias"),
        *(".loadbias", ".machine", ".text", ".graph"),
    }
)
"""Analysis cards other tools leave behind: set aside, with a note."""
READ = (".param", ".model", ".subckt", ".ends", ".include", ".lib", ".global", ".end")
_REFUSED = {
    ".func": "write the function out where it is used",
    ".function": "write the function out where it is used",
    ".csparam": "use .param",
    ".if": "keep the cards that are wanted and remove the others",
    ".elseif": "keep the cards that are wanted and remove the others",
    ".else": "keep the cards that are wanted and remove the others",
    ".endif": "keep the cards that are wanted and remove the others",
    ".endl": "a `.lib` section is read through `.lib file section`",
}
_DECIMAL_COMMA = re.compile(r"(?<![\w.,])[+-]?\d+,\d+[A-Za-z]*(?![\w.,])")
_FORMS = re.compile(
    r"\s*[efgh]\S*\s+\S+\s+\S+\s+(poly|table|laplace|freq|foster|chebyshev)\b", re.IGNORECASE
)


def refused_card(line: Line) -> NetlistSyntaxError | None:
    """Return the error for a card that is known, but not read."""
    text = line.text.strip()
    first = text.split()[0]
    if first.startswith("+"):
        return _at(line, 0, "`+` continues no card", "a continuation follows the card it continues")
    if first.startswith("."):
        return _refused_dot(line, first.lower())
    if tube := _tube_of_another(line):
        return tube
    if first[0].upper() not in USAGE:
        return _at(
            line,
            _indent(line),
            f"{NO_CARD} `{first[0]}`",
            f"a part begins with one of {' '.join(USAGE)}; a comment begins with `*`",
            len(first),
        )
    if match := _FORMS.match(line.text):
        return _refused_form(line, match)
    return None


_TUBE_NAME = re.compile(
    r"[1-9]\d?[A-Z]{1,2}\d{1,2}[A-Z]{0,3}|[DEGPUK][A-Z]{1,3}\d{2,4}\w*|\d{3,4}[A-Z]?|[3-9]\d{2}B"
    r"|6[\u0410-\u042f]\d+\w*",
    re.IGNORECASE,
)
_ORDERS = {3: "plate grid cathode", 4: "plate screen grid cathode"}
_HEATER_PINS = 2


def _tube_of_another(line: Line) -> NetlistSyntaxError | None:
    """Return the error for a tube on a card of another letter: `V3 p g k 12AX7`."""
    words = line.text.split()
    first, name = words[0], words[-1]
    if first[0].upper() not in "ANOPSTUVWYZ" or (first[0].upper() == "V" and name.isdigit()):
        return None
    hint = tube_card_hint(line)
    if not hint:
        return None
    message = f"`{first}` reads as a tube, but a tube is an X card"
    return _at(line, _indent(line), message, hint, len(first))


def tube_card_hint(line: Line) -> str:
    """Return the X card that a card with a tube's name stands for, "" where it has none."""
    first, *words = line.text.split()
    if not words:
        return ""
    *nets, name = words
    count = len(nets) if len(nets) in _ORDERS else len(nets) - _HEATER_PINS
    has_other = any(set(word) & set("(){}=,'\"") or word.upper() in {"DC", "AC"} for word in nets)
    if has_other or count not in _ORDERS or not _TUBE_NAME.fullmatch(name):
        return ""
    left_out = "" if count == len(nets) else "; its heater pins are left out"
    form = " ".join([f"X{first}", *nets[:count], name])
    return f"write `{form}`; the nets stand in the order {_ORDERS[count]}{left_out}"


def _refused_dot(line: Line, word: str) -> NetlistSyntaxError | None:
    if word == ".exec":
        return _at(
            line,
            _indent(line),
            f"`{word}` is refused: it can run commands on this machine",
            "remove it; the analyses are chosen by netcheck",
            len(word),
        )
    if word in READ or word in {".params", ".inc"}:
        return None
    hint = _REFUSED.get(word) or did_you_mean(word, [*READ, *SET_ASIDE])
    hint = hint or f"cards that are read: {listed(READ)}"
    return _at(line, _indent(line), f"the card `{word}` is not read", hint, len(word))


def _refused_form(line: Line, match: re.Match[str]) -> NetlistSyntaxError:
    form = match.group(1).upper()
    hint = "write the formula: `VALUE={...}`"
    if form == "TABLE":
        hint = "write `VALUE={table(V(net), x1,y1, x2,y2)}`"
    if form == "POLY":
        hint = "write the polynomial out: `VALUE={p0 + p1*V(net) + ...}`"
    return _at(line, match.start(1), f"the form {form} is not read", hint, len(form))


def name_mistake(line: Line, error: UnexpectedInput) -> NetlistSyntaxError:
    """Turn the parser's complaint into the user's terms."""
    from lark import UnexpectedCharacters, UnexpectedToken  # not for those who only ask for names

    if unbalanced := _unbalanced(line):
        return unbalanced
    text = line.text.rstrip()
    letter = text.strip()[0].upper()
    if isinstance(error, UnexpectedToken) and error.token.type == "$END":
        return _cut_short(line, text, letter)
    position = error.pos_in_stream or 0
    if isinstance(error, UnexpectedCharacters):
        position = min(position, max(len(text) - 1, 0))
    for match in _DECIMAL_COMMA.finditer(line.text):
        if match.start() <= position < match.end():
            better = match.group().replace(",", ".")
            message = f"`{match.group()}` has a decimal comma"
            return _at(line, match.start(), message, f"write `{better}`", len(match.group()))
    found = _word_at(line.text, position)
    hint = _hint(found, text[:position], letter)
    return _at(line, position, f"`{found}` was not expected here", hint, len(found))


def _cut_short(line: Line, text: str, letter: str) -> NetlistSyntaxError:
    last = text.split()[-1]
    words = len(text.split()) - 1
    if letter == "." or letter not in USAGE:
        return _at(
            line, len(text) - len(last), f"the card ends too early, after `{last}`", "", len(last)
        )
    if letter in "RCLV" and words < 2:
        complaint = f"`{text.split()[0]}` needs two nets"
    else:
        complaint = f"the card ends too early, after `{last}`"
    return _at(
        line, len(text) - len(last), complaint, f"it is written `{USAGE[letter]}`", len(last)
    )


def _hint(found: str, before: str, letter: str) -> str:
    if found.lower().rstrip("s") in {"ohm", "f", "uf", "nf", "pf", "h", "mh", "v", "k", "meg"}:
        return "a suffix or unit follows the number without a blank, such as `470ohm`"
    if found.startswith("="):
        return "an equals sign stands between a key and its value"
    if found.startswith(","):
        return "nets are separated by blanks"
    if letter == ".":
        return ""
    if before.count("{") > before.count("}"):
        return "this is inside an expression"
    return f"it is written `{USAGE[letter]}`; remarks go after `;`"


def _unbalanced(line: Line) -> NetlistSyntaxError | None:
    """Find the first bracket or quote that has no partner."""
    partners = {")": "(", "}": "{"}
    stack: list[tuple[str, int]] = []
    for position, letter in enumerate(line.text):
        if letter in "({":
            stack.append((letter, position))
        elif letter in partners:
            if not stack or stack[-1][0] != partners[letter]:
                return _at(
                    line,
                    position,
                    f"this `{letter}` closes nothing",
                    "check the brackets of this card",
                )
            stack.pop()
    if stack:
        letter, position = stack[-1]
        return _at(
            line, position, f"this `{letter}` is never closed", "check the brackets of this card"
        )
    for quote in "'\"":
        if line.text.count(quote) % 2:
            position = line.text.rindex(quote)
            return _at(line, position, f"this `{quote}` has no partner", "quotes come in pairs")
    return None


def _word_at(text: str, position: int) -> str:
    match = re.compile(r"[\w.+-]+|\S").match(text, position)
    return match.group()[:40] if match else "end of the card"


def _indent(line: Line) -> int:
    return len(line.text) - len(line.text.lstrip())


def _at(line: Line, position: int, message: str, hint: str, width: int = 1) -> NetlistSyntaxError:
    span = line.span(position, position + max(width, 1))
    return NetlistSyntaxError(message, span=span, source=line.source, hint=hint)


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """Return a hint such as ``did you mean `power`?``, or an empty string."""
    by_lower = {candidate.lower(): candidate for candidate in known}
    near = get_close_matches(name.lower()[:64], by_lower, n=1, cutoff=0.6)
    return f"did you mean `{by_lower[near[0]]}`?" if near else ""


def listed(names: Iterable[str], most: int = 12) -> str:
    """Return names for a sentence, shortened where there are many."""
    every = sorted(names)
    shown = ", ".join(every[:most])
    return f"{shown} and {len(every) - most} more" if len(every) > most else shown
