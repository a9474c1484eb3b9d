"""Reads measured operating points of a tube from a table (CSV).

Comes in: the text of a file with one line of column names and one line a point.  Goes
out: operating rows a law can be fitted to.

Columns are plate_v, grid_v, plate_a, for a pentode also screen_v and screen_a (which
may be left empty).  Values may carry units (`48mA`, `250V`); a bare number is in volts
or amperes, or in milliamperes under plate_ma and screen_ma.  Columns are separated by
commas, semicolons or tabs; lines that begin with `#` are left out.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from netcheck.errors import NetcheckError
from netcheck.source import SourceText, Span
from netcheck.tubes.types import OperationRow
from netcheck.units import parse_quantity

FittedKind = Literal["triode", "pentode"]
UNITS = {
    "plate_v": "V",
    "screen_v": "V",
    "grid_v": "V",
    "plate_a": "A",
    "screen_a": "A",
}
IN_MILLIAMPERES = {"plate_ma": "plate_a", "screen_ma": "screen_a"}
NEEDED: dict[FittedKind, tuple[str, ...]] = {
    "triode": ("plate_v", "grid_v", "plate_a"),
    "pentode": ("plate_v", "screen_v", "grid_v", "plate_a"),
}
LEAST_POINTS = 3
"""Fewer leave even amplification and perveance to the usual values."""
NOT_BELOW_ZERO = ("plate_v", "screen_v", "plate_a", "screen_a")
BARE = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
TOLERANCE = 0.05


@dataclass(frozen=True, slots=True)
class _Cell:
    """One cell and where it stands."""

    text: str
    span: Span


def read_points(source: SourceText, kind: FittedKind) -> tuple[OperationRow, ...]:
    """Return the points of a table; a mistake names its place."""
    lines = list(_lines(source))
    if not lines:
        raise NetcheckError(f"{source.name} is empty", hint=_hint(kind))
    columns = _columns(lines[0], source, kind)
    rows = tuple(_row(cells, columns, source, kind) for cells in lines[1:])
    if len(rows) < LEAST_POINTS:
        raise NetcheckError(
            f"{source.name} has {len(rows)} points, at least {LEAST_POINTS} are needed",
            hint="points at several grid voltages, from zero bias to near cut-off, fit best",
        )
    if all(row.grid_v > 0 for row in rows):
        raise NetcheckError(
            f"all grid volts of {source.name} are positive",
            hint="volts are to the cathode: a bias of 8 V is written -8",
        )
    return rows


def _lines(source: SourceText) -> Iterator[list[_Cell]]:
    """Split into cells; the separator is that of the first line."""
    separator = ""
    for number, line in enumerate(source.lines, 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        separator = separator or next((sign for sign in ";\t" if sign in line), ",")
        cells, column = [], 1
        for text in line.split(separator):
            start = column + len(text) - len(text.lstrip())
            stripped = text.strip().strip('"')
            end = max(start + 1, column + len(text.rstrip()))
            cells.append(_Cell(stripped, Span(source.name, number, start, number, end)))
            column += len(text) + 1
        yield cells


def _columns(cells: list[_Cell], source: SourceText, kind: FittedKind) -> list[tuple[str, float]]:
    """Return the field and the scale of a bare number for each column."""
    found: list[tuple[str, float]] = []
    for cell in cells:
        name = cell.text.lower()
        field = IN_MILLIAMPERES.get(name, name)
        if field not in UNITS:
            raise _mistake(f"there is no column `{cell.text}`", cell, source, _hint(kind))
        if kind == "triode" and field.startswith("screen"):
            raise _mistake("a triode has no screen", cell, source, "is --type pentode meant?")
        if field in (before for before, _ in found):
            raise _mistake(f"`{cell.text}` is there twice", cell, source, "keep one of them")
        found.append((field, 1e-3 if name in IN_MILLIAMPERES else 1.0))
    missing = [name for name in NEEDED[kind] if name not in (field for field, _ in found)]
    if missing:
        raise _mistake(f"the column {missing[0]} is missing", cells[0], source, _hint(kind))
    return found


def _row(
    cells: list[_Cell], columns: list[tuple[str, float]], source: SourceText, kind: FittedKind
) -> OperationRow:
    if len(cells) != len(columns):
        message = f"{len(cells)} values stand under {len(columns)} columns"
        hint = "leave an empty place where nothing was measured"
        if len(cells) > len(columns):
            hint = "a decimal comma needs semicolons or tabs between the columns"
        raise _mistake(message, cells[-1], source, hint)
    values = {
        field: _value(cell, field, scale, source)
        for cell, (field, scale) in zip(cells, columns, strict=True)
        if cell.text or field in NEEDED[kind]
    }
    return _operation_row(values)


def _value(cell: _Cell, field: str, scale: float, source: SourceText) -> float:
    text = cell.text.replace(",", ".").replace("\N{MINUS SIGN}", "-")
    try:
        value = parse_quantity(text, UNITS[field])
    except NetcheckError as error:
        raise _mistake(f"{field}: {error.message}", cell, source, error.hint) from None
    value *= scale if BARE.fullmatch(text) else 1.0
    if field in NOT_BELOW_ZERO and (value < 0 or (value == 0 and field.endswith("_a"))):
        hint = "leave points without current out: a law is fitted to ratios of currents"
        raise _mistake(f"{field} has to be more than zero", cell, source, hint)
    if not math.isfinite(value):
        raise _mistake(f"{field}: `{cell.text}` is not a number", cell, source, "")
    return value


def _operation_row(values: Mapping[str, float]) -> OperationRow:
    return OperationRow.model_validate(
        {
            **values,
            "basis": "derived",
            "tolerance": TOLERANCE,
            "source": "measured",
            "note": "measured",
        }
    )


def _mistake(message: str, cell: _Cell, source: SourceText, hint: str) -> NetcheckError:
    return NetcheckError(message, span=cell.span, source=source, hint=hint)


def _hint(kind: FittedKind) -> str:
    optional = ", and screen_a where it was measured" if kind == "pentode" else ""
    return f"the first line names the columns: {', '.join(NEEDED[kind])}{optional}"
