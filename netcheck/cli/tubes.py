"""`netcheck tubes`: the tube types on file, with the source of each number."""

from __future__ import annotations

from typing import Annotated

import typer

from netcheck.cli.shell import ListFormat, ListFormatOption, guarded, print_report, print_whole


@guarded
def tubes(
    name: Annotated[
        str | None, typer.Argument(metavar="[TYPE]", help="One type, in full.", show_default=False)
    ] = None,
    format: ListFormatOption = ListFormat.TEXT,
) -> int:
    """List the tube types on file: pins, limits, and the source of each number."""
    from netcheck.report import tube_list
    from netcheck.tubes.library import load_library

    library = load_library()
    found = tube_list.look_up(library, name) if name is not None else None
    types = (found.type,) if found else library.all_types()
    if format is ListFormat.JSON:
        print_whole(tube_list.to_json(types))
    elif found:
        print_report(lambda console: tube_list.write_type(console, found))
    else:
        print_report(lambda console: tube_list.write_types(console, types))
    return 0
