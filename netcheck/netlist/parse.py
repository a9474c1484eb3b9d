"""One logical line to one card, with the part note at its end (`;! power=5W tol=5%`).

Comes in: a `Line`.  Goes out: a `Card`, or a `NetlistSyntaxError` that names the
mistake.  The parser and the notebook of its transformer are made once a process, so
this module is not for use from several threads at once.

Values of part notes carry units and `M` is mega there.  An unknown key is an error with
a suggestion, since a rating that is silently not read would be judged as absent.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any, cast

from lark.exceptions import UnexpectedInput, VisitError

from netcheck.errors import NetcheckError, NetlistSyntaxError
from netcheck.netlist.cards import Card, Content, Expression, ParamCard, PartCard, PartNote
from netcheck.netlist.evaluate import walk
from netcheck.netlist.grammar import MistakeError, load_parser
from netcheck.netlist.lines import Comment, Line, ReadLimits, raised_by
from netcheck.netlist.mistakes import did_you_mean, listed, name_mistake, refused_card
from netcheck.source import Span
from netcheck.units import parse_quantity


def parse_card(line: Line, limits: ReadLimits) -> Card:
    """Parse a line that holds a card."""
    if len(line.text) > limits.card_characters:
        raise NetlistSyntaxError(
            f"the card is longer than {limits.card_characters} characters, the limit",
            span=line.span(0, 1),
            hint="split it, or remove what it does not need; "
            + raised_by("card_characters", limits.card_characters),
        )
    if refused := refused_card(line):
        raise refused
    parser, notebook = load_parser()
    notebook.clear()
    try:
        content = cast(Content, parser.parse(_usual_form(line.text)))
    except UnexpectedInput as error:
        raise name_mistake(line, error) from None
    except VisitError as error:
        raise _located(line, error.orig_exc) from None
    except MistakeError as error:
        raise _located(line, error) from None
    _check_depth(content, line, limits)
    note = read_notes(line)
    return Card(content, line, dict(notebook.places), tuple(notebook.rulings), note)


_EMPTY = re.compile(r"\"\"")
_QUOTED_WORD = re.compile(r"(?<=\s)\"([^\"\s]+)\"(?=\s|$)")
_BRACED_KEY = re.compile(r"\{(\s*\w+\s*)\}(?=\s*=(?!=))")
_WAVE_FILE = re.compile(r"(\bwavefile\s*=\s*)([^\s\"']+)", re.IGNORECASE)
_PERCENT = re.compile(r"(=\s*[\d.]+)%")
_CALL_IN_BRACES = re.compile(r"\b(limit|table|min|max|if|pwrs?|pow)\s*\{([^{}]*)\}", re.IGNORECASE)


def _usual_form(text: str) -> str:
    """Return a card with other dialects' spellings in the usual one, letter for letter.

    Nothing moves, so that offsets still tell the column: `""` and quoted names of an X card
    lose their quotes, `{R}=1` its braces, `tol=5%` its percent sign, `LIMIT{a,b,c}` gets
    parentheses, and the path of a `wavefile=` becomes a word (the file is never read).
    """
    letter = text.lstrip()[:1].upper()
    if letter == "X":
        text = _QUOTED_WORD.sub(r" \1 ", _EMPTY.sub("  ", text))
        text = _BRACED_KEY.sub(r" \1 ", text)
    if letter in {"R", "C", "L"}:
        text = _PERCENT.sub(r"\1 ", text)
    if letter in {"V", "I"}:
        text = _WAVE_FILE.sub(lambda m: m.group(1) + "_" * len(m.group(2)), text)
    if letter in {"B", "E", "G"}:
        text = _CALL_IN_BRACES.sub(r"\1(\2)", text)
    return text


def unmarked_note(line: Line) -> Comment | None:
    """Return a trailing comment that begins with `key=value` of a part note, without `!`."""
    for comment in line.comments:
        match = _ITEM.match(comment.text)
        if match and match.group(2) and (match.group(1) or "").lower() in _KEYS:
            return comment
    return None


def parse_expression(text: str, line: Line, start: int, limits: ReadLimits) -> Expression:
    """Parse the expression `text`, which stands at offset `start` of `line`."""
    parser, notebook = load_parser()
    notebook.clear()
    try:
        # One start symbol builds a sixth faster than two, so it comes as a card.
        card = cast(ParamCard, parser.parse(f".param x={{{text}}}"))
    except (UnexpectedInput, VisitError, MistakeError):
        raise NetlistSyntaxError(
            f"`{text[:60]}` is not an expression",
            span=line.span(start, start + len(text)),
            source=line.source,
        ) from None
    expression = card.settings[0].expression
    assert expression is not None
    _check_expression(expression, line, limits)
    return expression


def _located(line: Line, error: Exception) -> NetlistSyntaxError:
    if not isinstance(error, MistakeError):
        raise error
    span = line.span(error.start, error.end)
    return NetlistSyntaxError(error.message, span=span, source=line.source, hint=error.hint)


def _check_depth(content: Content, line: Line, limits: ReadLimits) -> None:
    if isinstance(content, PartCard):
        for value in content.values:
            if (expression := getattr(value, "expression", None)) is not None:
                _check_expression(expression, line, limits)
    for setting in getattr(content, "settings", ()):
        if setting.expression is not None:
            _check_expression(setting.expression, line, limits)


def _check_expression(expression: Expression, line: Line, limits: ReadLimits) -> None:
    if any(depth > limits.expression_depth for _, depth in walk(expression)):
        raise NetlistSyntaxError(
            f"the expression nests deeper than {limits.expression_depth} operations, the limit",
            span=line.whole,
            source=line.source,
            hint="split it with .param or with a second source; "
            + raised_by("expression_depth", limits.expression_depth),
        )


# key: (field of PartNote, unit); the unit None is text.
_KEYS: dict[str, tuple[str, str | None]] = {
    "power": ("power_w", "W"),
    "tol": ("tolerance", "%"),
    "volts": ("volts_v", "V"),
    "max_current": ("max_current_a", "A"),
    "dcr": ("dcr_ohm", "ohm"),
    "turns": ("turns", ""),
    "age": ("age_years", "y"),
    "dielectric": ("dielectric", None),
    "pot": ("pot", None),
    "side": ("pot_side", None),
    "envelope": ("envelope", None),
    "section": ("section", None),
    "heater": ("heater", None),
    "type": ("tube_type", None),
    "plate_power": ("plate_power_w", "W"),
    "screen_power": ("screen_power_w", "W"),
    "fuse": ("fuse_a", "A"),
}
_FLAGS = {
    "follows_mains": "follows_mains",
    "input": "is_input",
    "speaker": "is_speaker",
    "lamp": "is_lamp",
    "polarized": "is_polarized",
}
_CHOICES = {"side": ("upper", "lower"), "heater": ("elevated", "grounded")}
_UNITS = frozenset({"w", "mw", "v", "kv", "ohm", "kohm", "mohm", "a", "ma", "y", "years", "h"})
_ITEM = re.compile(r"[\s,]*(?:([A-Za-z_]\w*)(?:\s*=\s*(\"[^\"]*\"|[^\s,]+))?|(\S+))")


def read_notes(line: Line) -> PartNote:
    """Return the part note of a line; an empty one where there is none."""
    fields: dict[str, Any] = {}
    for comment in line.notes:
        for match in _ITEM.finditer(comment.text.rstrip()):
            _read_item(match, comment, line, fields)
    return PartNote(**fields)


def _read_item(match: re.Match[str], comment: Comment, line: Line, fields: dict[str, Any]) -> None:
    key, value, other = match.groups()
    group = 3 if other else 1
    span = _span(line, comment, match.start(group), match.end())
    if other:
        raise _note_mistake(f"`{other}` is not `key=value`", span, line, "write it like `power=5W`")
    lower = key.lower()
    if lower in _FLAGS and value is None:
        fields[_FLAGS[lower]] = True
        return
    if lower not in _KEYS:
        hint = did_you_mean(key, known_keys()) or f"known: {listed(known_keys(), 20)}"
        if lower in _UNITS:
            hint = "value and unit are written without a blank, such as `power=5W`"
        if lower in _FLAGS:
            hint = f"`{lower}` stands alone, without a value"
        raise _note_mistake(f"a part note has no key `{key}`", span, line, hint)
    if value is None:
        raise _note_mistake(
            f"`{key}` needs a value", span, line, "write `key=value` without blanks"
        )
    name, unit = _KEYS[lower]
    if name in fields:
        raise _note_mistake(f"`{key}` is given twice", span, line, "keep one of them")
    try:
        fields.update(_note_value(lower, name, unit, value.strip('"')))
    except NetcheckError as error:
        raise _note_mistake(f"note `{key}`: {error.message}", span, line, error.hint) from None


def _note_value(key: str, name: str, unit: str | None, text: str) -> dict[str, Any]:
    if unit is not None:
        number = parse_quantity(text, unit)
        if number < 0 or (number == 0 and key not in {"dcr", "age", "tol"}):
            raise NetcheckError(f"`{text}` has to be more than zero")
        return {name: number}
    if key == "heater":
        how, _, volts = text.partition(":")
        _check_choice(key, how)
        fields: dict[str, Any] = {name: how.lower()}
        return fields | ({"heater_v": parse_quantity(volts, "V")} if volts else {})
    if key in _CHOICES:
        _check_choice(key, text)
        return {name: text.lower()}
    return {name: text}


def _check_choice(key: str, text: str) -> None:
    choices = _CHOICES[key]
    if text.lower() not in choices:
        hint = did_you_mean(text, choices) or f"one of {listed(choices)}"
        raise NetcheckError(f"`{text}` is not known", hint=hint)


def _span(line: Line, comment: Comment, start: int, end: int) -> Span:
    column = comment.column
    return Span(
        line.source.name, comment.line, column + start, comment.line, column + max(end, start + 1)
    )


def _note_mistake(message: str, span: Span, line: Line, hint: str) -> NetlistSyntaxError:
    return NetlistSyntaxError(message, span=span, source=line.source, hint=hint)


def known_keys() -> Iterable[str]:
    """The keys and flags of a part note."""
    return (*_KEYS, *_FLAGS)


def known_flags() -> Iterable[str]:
    """The flags of a part note, which stand without a value."""
    return tuple(_FLAGS)


def flag_of(field: str) -> str:
    """Return the flag that sets a field of `PartNote`."""
    return next(flag for flag, name in _FLAGS.items() if name == field)


def note_text(note: PartNote) -> str:
    """Return a part note as it is written, without its mark: what `read_notes` reads back."""
    words: list[str] = []
    for key, (name, unit) in _KEYS.items():
        value = getattr(note, name)
        if value is None or value == "":
            continue
        if unit is None:
            shown = f'"{value}"' if re.search(r"[\s,]", value) else value
            volts = note.heater_v if key == "heater" else None
            words.append(f"{key}={shown}" + (f":{volts:.12g}V" if volts is not None else ""))
        elif unit == "%":
            words.append(f"{key}={value * 100:.12g}%")
        else:
            words.append(f"{key}={value:.12g}{unit}")
    return " ".join([*words, *(flag for flag, name in _FLAGS.items() if getattr(note, name))])
