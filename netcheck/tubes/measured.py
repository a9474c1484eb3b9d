"""Fits a law to measured points and writes it as a data file of the user's own.

Comes in: operating rows, a name, and the type on file the tube is like, if any.  Goes
out: the fit, and the text of a data file with the law, the points and how far off each
is.

With a type to be like, the file is ready for use: pins, heater, capacitances and grid
current come from that type, and its limits are repeated with their sources.  Without
one, limits, pins and heater are left for the user to fill in: no number is made up.

Reads measured operating points of a tube from a table (CSV).

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
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from netcheck.errors import NetcheckError
from netcheck.source import SourceText, Span
from netcheck.tubes.fit import PENTODE_PRIORS, TRIODE_PRIORS, Fit, fit_type
from netcheck.tubes.schema import GridParameters, Model
from netcheck.tubes.types import OperationRow, TubeType
from netcheck.units import parse_quantity

GRID_SHARE: dict[FittedKind, float] = {"triode": 0.39, "pentode": 0.14}
"""Perveance of the positive grid over that of the space current: that of the measured
12AX7 and of the EL34 on file."""
USUAL_GRID = GridParameters(
    perveance=5e-4,
    exponent=1.276,
    sharpness_per_v=11.2,
    source="shape after Dempwolf and Zoelzer, DAFx-11, 2011; size in proportion to the "
    "space-current perveance, as in the type on file that is most like it",
    gas_ratio=1e-5,
    gas_source="common practice: ion current of a good tube is about 1e-5 of its plate current",
    leakage_ohm=1e10,
    leakage_source="common practice: insulation of a clean base and socket is thousands of megohm",
)
HEATER = (
    "# Fill in the heater, and take the signs at the beginning of its lines away.",
    "# [heater]",
    "# voltage_v = 6.3",
    "# current_a = 0.3",
    '# source = "sheet"',
)


@dataclass(frozen=True, slots=True)
class Measured:
    """A tube that was measured, and the law fitted to it."""

    name: str
    kind: FittedKind
    rows: tuple[OperationRow, ...]
    fit: Fit
    like: TubeType | None


def fit_measured(
    name: str, kind: FittedKind, rows: tuple[OperationRow, ...], like: TubeType | None
) -> Measured:
    """Fit a law to measured points; all of them are fitted, none is held out."""
    tube = TubeType.model_construct(
        name=name, kind=kind, power=False, operation=rows, model=Model(grid=_grid_like(like))
    )
    return Measured(name, kind, rows, fit_type(tube), like)


def data_file(measured: Measured) -> str:
    """Return the text of the data file."""
    parts = [*_head(measured), _rows(measured.rows), "", *_law(measured)]
    if measured.like is None:
        parts += ["", *HEATER]
    parts += ["", *_grid(measured), "", *_sources(measured)]
    return "\n".join(parts) + "\n"


def _head(measured: Measured) -> Iterator[str]:
    yield f"name = {_text(measured.name)}"
    if measured.like is not None:
        yield f"based_on = {_text(measured.like.name)}"
        yield f"description = {_text(f'{measured.like.description}, law of measured points')}"
        yield ""
        yield from _limits(measured.like)
        yield ""
        return
    screen = ", screen = 0" if measured.kind == "pentode" else ""
    yield 'description = "fitted to measured points"'
    yield ""
    yield f'kind = "{measured.kind}"'
    yield "power = false  # true for an output tube"
    yield 'base = ""  # fill in: such as "octal, 8 pins"'
    yield ""
    yield "# Fill in the pins, and the limits of the maker's sheet; each names a source."
    yield "sections = ["
    pins = f"plate = 0{screen}, grid = 0, cathode = 0"
    yield f'  {{ name = "1", pins = {{ {pins} }}, source = "sheet" }},'
    yield "]"
    yield ""
    yield "limits = ["
    limit = 'quantity = "plate_dissipation_w", value = 12, rating_system = "design_center"'
    yield f'  # {{ {limit}, source = "sheet" }},'
    yield "]"
    yield ""


def _limits(like: TubeType) -> Iterator[str]:
    """Repeat the limits of the type the tube is like; each keeps its source."""
    sheets = _sheets(like)
    yield "limits = ["
    for limit in like.limits:
        items = {
            "quantity": _text(limit.quantity),
            "value": f"{limit.value:.10g}",
            "rating_system": _text(limit.rating_system),
            "condition": _text(limit.condition) if limit.condition != "any" else "",
            "used": "" if limit.used else "false",
            "source": _text(sheets[limit.source]),
            "note": _text(limit.note) if limit.note else "",
        }
        yield f"  {{ {', '.join(f'{key} = {value}' for key, value in items.items() if value)} }},"
    yield "]"


def _sheets(like: TubeType) -> dict[str, str]:
    """Return the key of every sheet that a limit names."""
    return {text: f"sheet{n}" for n, text in enumerate({x.source: 0 for x in like.limits}, 1)}


def _rows(rows: Sequence[OperationRow]) -> str:
    lines = ["operation = ["]
    for row in rows:
        values = {
            "plate_v": row.plate_v,
            "screen_v": row.screen_v,
            "grid_v": row.grid_v,
            "plate_a": row.plate_a,
            "screen_a": row.screen_a,
        }
        numbers = ", ".join(f"{k} = {v:.10g}" for k, v in values.items() if v is not None)
        lines.append(f'  {{ {numbers}, basis = "derived", source = "points", note = "measured" }},')
    return "\n".join([*lines, "]"])


def _law(measured: Measured) -> Iterator[str]:
    priors = TRIODE_PRIORS if measured.kind == "triode" else PENTODE_PRIORS
    yield f"[model.{measured.kind}]"
    for prior in priors:
        yield f"{prior.name} = {getattr(measured.fit.law, prior.name):.6g}"
    yield 'source = "fit"'


def _grid(measured: Measured) -> Iterator[str]:
    """Write the grid's law: that of the type it is like, else in the usual proportion."""
    grid = _grid_like(measured.like)
    perveance = grid.perveance
    if measured.like is None:
        perveance = GRID_SHARE[measured.kind] * measured.fit.law.perveance
    yield "[model.grid]"
    yield f"perveance = {perveance:.4g}"
    yield f"exponent = {grid.exponent:g}"
    yield f"sharpness_per_v = {grid.sharpness_per_v:g}"
    yield 'source = "grid"'
    yield f"gas_ratio = {grid.gas_ratio:g}"
    yield 'gas_source = "gas"'
    yield f"leakage_ohm = {grid.leakage_ohm:g}"
    yield 'leakage_source = "leakage"'


def _grid_like(like: TubeType | None) -> GridParameters:
    return like.model.grid if like and like.model.grid else USUAL_GRID


def _sources(measured: Measured) -> Iterator[str]:
    yield "[sources]"
    if measured.like is not None:
        for text, key in _sheets(measured.like).items():
            yield f"{key} = {_text(text)}"
    else:
        yield 'sheet = "fill in: maker, sheet, year"'
    grid = _grid_like(measured.like)
    for key, text in (
        ("grid", grid.source),
        ("gas", grid.gas_source),
        ("leakage", grid.leakage_source),
    ):
        yield f"{key} = {_text(text)}"
    yield 'points = "measured by the user"'
    yield 'fit = "fitted by netcheck to the operation rows of this file"'


def _text(text: str) -> str:
    """Write a TOML string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped) + '"'


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
