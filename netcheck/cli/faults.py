"""`netcheck faults`: the kinds of fault, how each is modelled and how likely it is."""

from __future__ import annotations

from typing import Annotated

import typer

from netcheck.cli.shell import ListFormat, ListFormatOption, guarded, print_report, print_whole


@guarded
def faults(
    kind: Annotated[
        str | None,
        typer.Argument(
            metavar="KIND", help="One kind, group or word of an id, in full.", show_default=False
        ),
    ] = None,
    everything: Annotated[bool, typer.Option("--all", help="Show every kind in full.")] = False,
    format: ListFormatOption = ListFormat.TEXT,
) -> int:
    """List the kinds of fault: how each is modelled, and how likely it is."""
    from netcheck.faults import FAULT_KINDS
    from netcheck.report import fault_list

    kinds = FAULT_KINDS if kind is None else fault_list.look_up(FAULT_KINDS, kind)
    if format is ListFormat.JSON:
        print_whole(fault_list.to_json(kinds))
    elif kind is not None or everything:
        print_report(lambda console: fault_list.write_full(console, kinds))
    else:
        print_report(lambda console: fault_list.write(console, kinds))
    return 0
