"""`netcheck fit`: measured points of a tube in, its law as a data file out."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck.cli.shell import (
    OutputOption,
    TubesOption,
    check_readable,
    guarded,
    one_of,
    print_whole,
)

if TYPE_CHECKING:
    from netcheck.source import SourceText
    from netcheck.tubes.types import TubeType


class Kind(StrEnum):
    """Which law is fitted."""

    TRIODE = "triode"
    PENTODE = "pentode"


@guarded
def fit(
    points: Annotated[
        Path,
        typer.Argument(
            metavar="FILE",
            help="Table (CSV) with columns plate_v, screen_v, grid_v, plate_a, screen_a.",
            show_default=False,
        ),
    ],
    type: Annotated[
        Kind,
        typer.Option("--type", metavar=one_of(Kind), help="Law; pentode is for beam tetrodes too."),
    ],
    name: Annotated[
        str | None,
        typer.Option("--name", metavar="NAME", help="Name of the tube; default that of the file."),
    ] = None,
    like: Annotated[
        str | None,
        typer.Option(
            "--like", metavar="TYPE", help="Take pins, heater and limits from a type on file."
        ),
    ] = None,
    output: OutputOption = None,
    tubes: TubesOption = None,
) -> int:
    """Fit the current law of a tube to measured points, and write it as a data file."""
    from netcheck.report import fit_list
    from netcheck.report.files import check_output, write_whole
    from netcheck.tubes.measured import data_file, fit_measured, read_points

    check_readable(points)
    if output is not None:
        check_output(output, points)
    wanted = _like(like, type, tubes)
    rows = read_points(_source(points), type.value)
    measured = fit_measured(_name(name, points), type.value, rows, wanted)
    text = fit_list.with_table(measured, data_file(measured))
    if output is None:
        print_whole(text)
        return 0
    write_whole(output, text)
    print_whole("".join(f"{line}\n" for line in fit_list.lines(measured)))
    return 0


def _name(name: str | None, points: Path) -> str:
    from netcheck.errors import NetcheckError

    chosen = points.stem if name is None else name
    if not any(letter.isascii() and letter.isalnum() for letter in chosen):
        raise NetcheckError("a tube needs a name", hint="for example --name MYTUBE")
    return chosen


def _source(points: Path) -> SourceText:
    from netcheck.errors import NetcheckError
    from netcheck.source import SourceText

    try:
        return SourceText(points.name, points.read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError:
        raise NetcheckError(f"{points.name} is not text in UTF-8") from None
    except OSError as error:
        raise NetcheckError(f"cannot read {points.name}: {error.strerror}") from None


def _like(name: str | None, kind: Kind, folder: Path | None) -> TubeType | None:
    """Return the section of a type on file that the tube is like."""
    if name is None:
        return None
    from netcheck.errors import NetcheckError
    from netcheck.report.tube_list import look_up
    from netcheck.tubes.library import library_with

    found = look_up(library_with(folder), name).type
    if found.kind != kind.value:
        raise NetcheckError(f"--like {name}: it is a {found.kind}, not a {kind.value}")
    return found
