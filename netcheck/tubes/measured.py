"""Fits a law to measured points and writes it as a data file of the user's own.

Comes in: operating rows, a name, and the type on file the tube is like, if any.  Goes
out: the fit, and the text of a data file with the law, the points and how far off each
is.

With a type to be like, the file is ready for use: pins, heater, capacitances and grid
current come from that type, and its limits are repeated with their sources.  Without
one, limits, pins and heater are left for the user to fill in: no number is made up.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from netcheck.tubes.fit import PENTODE_PRIORS, TRIODE_PRIORS, Fit, fit_type
from netcheck.tubes.points import FittedKind
from netcheck.tubes.schema import GridParameters, Model
from netcheck.tubes.types import OperationRow, TubeType

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
