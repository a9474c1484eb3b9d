"""`netcheck faults`: the kinds of fault, how each is modelled and how likely it is."""

from __future__ import annotations

from netcheck.cli.shell import ListFormat, ListFormatOption, guarded, print_report, print_whole


@guarded
def faults(format: ListFormatOption = ListFormat.TEXT) -> int:
    """List the kinds of fault: how each is modelled, and how likely it is."""
    from netcheck.faults import FAULT_KINDS
    from netcheck.report import fault_list

    if format is ListFormat.JSON:
        print_whole(fault_list.to_json(FAULT_KINDS))
    else:
        print_report(lambda console: fault_list.write(console, FAULT_KINDS))
    return 0
