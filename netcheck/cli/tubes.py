"""`netcheck tubes`: the tube types on file, with the source of each number."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck.cli.shell import (
    ListFormat,
    ListFormatOption,
    TubesOption,
    guarded,
    print_report,
    print_whole,
)

if TYPE_CHECKING:
    from netcheck.tubes.types import TubeType


@guarded
def tubes(
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="TYPE", help="Types to show in full.", show_default=False),
    ] = None,
    format: ListFormatOption = ListFormat.TEXT,
    plot: Annotated[
        Path | None,
        typer.Option(
            "--plot",
            metavar="FILE",
            help="Also draw the plate curves of TYPE, as .png or .svg.",
            show_default=False,
        ),
    ] = None,
    tubes: TubesOption = None,
) -> int:
    """List the tube types on file; of those named show limits and the source of each number."""
    from netcheck.report import tube_list
    from netcheck.tubes.library import library_with

    library = library_with(tubes)
    every = [tube_list.look_up(library, name) for name in names or ()]
    if plot is not None:
        _draw([found.type for found in every], plot)
    types = [found.type for found in every] or library.all_types()
    if format is ListFormat.JSON:
        print_whole(tube_list.to_json(types, library))
    elif every:
        print_report(lambda console: tube_list.write_in_full(console, every, library))
    else:
        print_report(lambda console: tube_list.write_types(console, types, library))
    return 0


def _draw(types: list[TubeType], plot: Path) -> None:
    from netcheck.errors import NetcheckError
    from netcheck.report.files import check_output, write_whole
    from netcheck.report.tube_plot import draw, image_format

    if len(types) != 1:
        raise NetcheckError(
            "--plot needs a type, and only one" if types else "--plot needs a type",
            hint="for example `netcheck tubes EL34 --plot el34.png`",
        )
    form = image_format(plot)
    check_output(plot)
    write_whole(plot, draw(types[0], form))
