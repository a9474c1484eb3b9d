"""One logical line to one card, with the part note at its end (`;! power=5W tol=5%`).

Comes in: a `Line`.  Goes out: a `Card`, or a `NetlistSyntaxError` that names the
mistake.  The parser and the notebook of its transformer are made once a process, so
this module is not for use from several threads at once.
"""

from __future__ import annotations

import re
from typing import cast

from lark.exceptions import UnexpectedInput, VisitError

from netcheck.errors import NetlistSyntaxError
from netcheck.netlist.cards import Card, Content, Expression, ParamCard, PartCard
from netcheck.netlist.evaluate import walk
from netcheck.netlist.grammar import MistakeError, load_parser
from netcheck.netlist.lines import Line, ReadLimits, raised_by
from netcheck.netlist.mistakes import name_mistake, refused_card
from netcheck.netlist.notes import read_notes


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
