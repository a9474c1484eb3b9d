"""`netcheck convert`: the netlist that was understood, of a schematic or of a netlist.

The written netlist reads back as the same circuit.  What was assumed or set aside stands in
it as comments.
"""

from __future__ import annotations

from netcheck.cli.choices import settings_of
from netcheck.cli.limits import LimitOption
from netcheck.cli.shell import (
    NetlistArgument,
    OutputOption,
    TubesOption,
    check_readable,
    guarded,
    print_whole,
)


@guarded
def convert(
    file: NetlistArgument,
    output: OutputOption = None,
    tubes: TubesOption = None,
    limit: LimitOption = None,
) -> int:
    """Write the netlist that was understood of a schematic or a netlist."""
    from netcheck.circuit.written import netlist_text
    from netcheck.pipeline import load_circuit
    from netcheck.report.files import check_output, write_whole

    check_readable(file)
    if output is not None:
        check_output(output, file)
    circuit = load_circuit(file, tubes, settings_of(1, tubes, limit).read_limits)
    text = netlist_text(circuit, file.name)
    if output is None:
        print_whole(text)
    else:
        write_whole(output, text)
    return 0
