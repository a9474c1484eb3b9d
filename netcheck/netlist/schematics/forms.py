"""Which form a file has, by its content or, where that does not tell, its ending."""

from __future__ import annotations

import re

from netcheck.errors import NetlistError
from netcheck.source import SourceText

_ASC_HEAD = re.compile(r"\s*version\s+4(?:\.\d+)?\s*$", re.IGNORECASE)
_SHEET_LINE = re.compile(r"^(?:SHEET|WIRE|SYMBOL|FLAG) \S", re.MULTILINE)
_LINES_OF_ASC_HEAD = 5
_LIST_HEAD = re.compile(r"\s*\(\s*(export|kicad_sch)\b")


def is_asc(source: SourceText) -> bool:
    """Tell an `.asc` schematic by its content, or by its ending and a line of one."""
    head = [line for line in source.lines[:_LINES_OF_ASC_HEAD] if line.strip()]
    if head and _ASC_HEAD.match(head[0]):
        return any(line.lstrip().upper().startswith("SHEET") for line in head[1:]) or bool(
            _SHEET_LINE.search(source.text)
        )
    return source.name.casefold().endswith(".asc") and bool(_SHEET_LINE.search(source.text))


def list_name(source: SourceText) -> str:
    """Return the name of the list a file holds, where it is one that is read here."""
    match = _LIST_HEAD.match(source.text)
    return match.group(1) if match else ""


def refuse_old_form(source: SourceText) -> None:
    """Raise `NetlistError` for a schematic of a form before the s-expressions."""
    if source.line(1).startswith("EESchema Schematic File Version"):
        raise NetlistError(
            f"{source.name} is a schematic of an older form, which is not read",
            hint="open it in a newer version and save it as .kicad_sch, or export its netlist",
        )
