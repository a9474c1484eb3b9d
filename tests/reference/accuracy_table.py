"""The table of `ACCURACY.md`: written from what the laws and the solved stages give.

Comes in: the checked rows of every type and the figures of every stage.  Goes out:
the text of the file.  The misses are read back from it, to mark them as expected
failures: a new miss fails a test, and so does one that is gone.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from netcheck.tubes.accuracy import (
    FIGURE_UNITS,
    FIGURE_WORDS,
    Accuracy,
    Checked,
    Status,
    near_cut_off,
    near_zero_bias,
)
from netcheck.tubes.types import TubeType
from netcheck.units import format_quantity
from tests.reference.stages import Figure

FILE = Path(__file__).with_name("ACCURACY.md")
MISSED = "## What is not met"
STAGE_UNITS = {"output_w": "W", "distortion": "", "gain": ""}
PLATE = ("plate_a", "cathode_a")
HEAD = """\
# How well the models meet the data sheets

A test writes this file (`pytest tests/reference --remake-golden`) and fails where it is
not what the program gives. Deviations are model over sheet. Fitted rows show how well
one law meets a whole sheet; only a held-out row is a prediction: of a type with three
or more published rows every third is held out of the fit. Bars: plate current 5 % on
fitted and 10 % on held-out rows, screen current 30 %, transconductance 10 %; a row that
is derived from printed figures or read from a curve has its own tolerance where that is
wider. Output power at the published load 15 %, plate and cathode currents under signal 10 %,
screen currents under signal 20 %, distortion 3 percentage points, resistance-coupled gain 10 %.
"""


def check_id(each: Checked) -> str:
    """Name one figure of one row."""
    screen = "" if each.row.screen_v is None else f"/{each.row.screen_v:g}"
    how = "" if each.row.connection == "pentode" else f"-{each.row.connection}"
    volts = f"{each.row.plate_v:g}{screen}V-{each.row.grid_v:g}V"
    return f"{each.type}-{each.number + 1}-{volts}{how}-{each.figure}"


def listed_misses() -> dict[str, str]:
    """Return the misses of the file: what each is called, and what the model gives."""
    if not FILE.exists():
        return {}
    _, _, rest = FILE.read_text(encoding="utf-8").partition(MISSED)
    table = rest.split("## ", 1)[0]
    rows = re.findall(r"^\| `(?P<id>[^`]+)` \| (.+?) \|$", table, re.MULTILINE)
    return {name: " for ".join(reversed(cells.split(" | ")[:2])) for name, cells in rows}


def render(
    types: Sequence[tuple[TubeType, Accuracy]],
    apart: Sequence[tuple[str, Checked, float]],
    solved: Sequence[tuple[Figure, float]],
) -> str:
    """Return the file.

    apart: what misses of the rows that are written apart from the data files, each
    with its name and bar.
    """
    missed = [_missed_row(each) for _, accuracy in types for each in accuracy.missed]
    missed += [_missed_apart(*each) for each in apart]
    missed += [_missed_stage(f, found) for f, found in solved if abs(f.deviation(found)) > f.bar]
    of_files = len(missed) - len(apart)
    total = sum(len(accuracy.checked) for _, accuracy in types) + len(solved)
    parts = [
        HEAD,
        f"{MISSED}\n\n{of_files} of {total} published figures, and {len(apart)} of those written\n"
        "apart from the data files. Each is an expected failure.\n",
        _table(["figure", "sheet", "model", "off by", "bar", "row", "source"], missed),
        "## Types\n\nWorst deviation of each kind of figure; the last columns are the worst"
        " plate\ncurrent of rows with the grid at the cathode and of rows near cut-off.\n",
        _table(
            [
                "type", "rows", "held out", "plate fitted", "plate held out", "screen fitted",
                "screen held out", "gm fitted", "gm held out", "zero bias", "near cut-off",
            ],
            [_type_row(tube, accuracy) for tube, accuracy in types],
        ),
        "## Stages, solved as circuits\n",
        _table(
            ["stage and figure", "sheet", "model", "off by"],
            [_stage_row(figure, found) for figure, found in solved],
        ),
        "## Rows of every type\n",
        _table(
            ["type", "row", "figure", "sheet", "model", "off by", "status", "basis"],
            [_row(each) for _, accuracy in types for each in accuracy.checked],
        ),
    ]  # fmt: skip
    return "\n".join(parts)


def _table(titles: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [titles, ["---"] * len(titles), *rows]
    return "".join(f"| {' | '.join(cells)} |\n" for cells in lines)


def _missed_row(each: Checked) -> list[str]:
    note = f"; {each.row.note}" if each.row.note else ""
    return [
        f"`{check_id(each)}`",
        _value(each.published, each.figure),
        _value(each.model, each.figure),
        _percent(each.deviation),
        f"{100 * each.bar:g} %",
        f"{each.status}, {each.row.basis}{note}",
        each.row.source,
    ]


def _missed_apart(name: str, each: Checked, bar: float) -> list[str]:
    cells = _missed_row(each)
    note = f"; {each.row.note}" if each.row.note else ""
    return [f"`{name}`", *cells[1:4], f"{100 * bar:g} %", f"written apart{note}", cells[6]]


def _missed_stage(figure: Figure, found: float) -> list[str]:
    note = figure.row.get("note", "")
    return [
        f"`{figure.id}`",
        _stage_value(figure.published, figure.name),
        _stage_value(found, figure.name),
        _percent(figure.deviation(found)),
        f"{100 * figure.bar:g} %",
        f"stage{'; ' + note if note else ''}",
        figure.row["source"],
    ]


def _type_row(tube: TubeType, accuracy: Accuracy) -> list[str]:
    held = ", ".join(str(number + 1) for number in sorted(accuracy.held_out))
    plates = [each for each in accuracy.checked if each.figure in PLATE]
    return [
        tube.name,
        str(len(tube.operation)),
        held or "nothing held out",
        *_worst(accuracy, *PLATE),
        *_worst(accuracy, "screen_a"),
        *_worst(accuracy, "transconductance_s"),
        _largest([each for each in plates if near_zero_bias(tube.law, each.row)]),
        _largest([each for each in plates if near_cut_off(tube.law, each.row)]),
    ]


def _worst(accuracy: Accuracy, *figures: str) -> list[str]:
    both: tuple[Status, ...] = ("fitted", "held out")
    found = [accuracy.worst(status, *figures) for status in both]
    return ["-" if each is None else _percent(each.deviation) for each in found]


def _largest(rows: Sequence[Checked]) -> str:
    worst = max(rows, key=lambda each: abs(each.deviation), default=None)
    return "none on file" if worst is None else _percent(worst.deviation)


def _stage_row(figure: Figure, found: float) -> list[str]:
    return [
        figure.id,
        _stage_value(figure.published, figure.name),
        _stage_value(found, figure.name),
        _percent(figure.deviation(found)),
    ]


def _row(each: Checked) -> list[str]:
    return [
        each.type,
        f"{each.number + 1}: {each.where}",
        FIGURE_WORDS[each.figure],
        _value(each.published, each.figure),
        _value(each.model, each.figure),
        _percent(each.deviation),
        each.status,
        each.row.basis,
    ]


def _value(value: float, figure: str) -> str:
    return format_quantity(value, FIGURE_UNITS[figure], 3).strip()


def _stage_value(value: float, figure: str) -> str:
    if figure == "distortion":
        return f"{100 * value:.1f} %"
    return format_quantity(value, STAGE_UNITS.get(figure, "A"), 3).strip()


def _percent(fraction: float) -> str:
    return f"{100 * fraction:+.1f} %"
