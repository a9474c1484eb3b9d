"""`netcheck draw`: the schematic of a netlist, with its idle readings on it.

The picture is the same for every fault; what is written on it is not.  A netlist
that does not solve is drawn all the same, without readings, and says so.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck.cli.choices import FewJobsOption, KeepDeckOption, settings_of
from netcheck.cli.limits import LimitOption
from netcheck.cli.shell import (
    NetlistArgument,
    OutputOption,
    TubesOption,
    check_readable,
    guarded,
    print_whole,
)
from netcheck.conditions import IDLE
from netcheck.errors import NetcheckError, UnanswerableError

if TYPE_CHECKING:
    from netcheck.circuit.model import Circuit
    from netcheck.drawing.annotations import Annotations
    from netcheck.faults.base import Fault
    from netcheck.roles.base import Roles
    from netcheck.solve.results import Solved
    from netcheck.workbench.faulted import Bench
    from netcheck.workbench.settings import Settings

SUFFIXES = (".svg", ".png")


@guarded
def draw(
    file: NetlistArgument,
    output: OutputOption = None,
    fault: Annotated[
        str | None,
        typer.Option(
            "--fault",
            metavar="FAULT",
            help="Show the readings with this fault; an id of the report.",
        ),
    ] = None,
    plain: Annotated[
        bool, typer.Option("--plain", help="Names and values only; nothing is solved.")
    ] = False,
    scale: Annotated[
        float, typer.Option("--scale", metavar="FACTOR", min=0.25, max=8.0, help="Size of a PNG.")
    ] = 2.0,
    jobs: FewJobsOption = 1,
    tubes: TubesOption = None,
    limit: LimitOption = None,
    keep_deck: KeepDeckOption = None,
) -> int:
    """Draw the schematic of a netlist as SVG or PNG, with idle volts, amperes and watts."""
    check_readable(file)
    if output is not None:
        _check_picture(output, file)
    if plain and fault is not None:
        raise NetcheckError("--plain shows no readings, so --fault has nothing to show")
    from netcheck.drawing import draw_circuit, to_png, to_svg
    from netcheck.pipeline import load_circuit
    from netcheck.roles import recognise

    options = replace(settings_of(jobs, tubes, limit, keep_deck=keep_deck), idle_only=True)
    circuit = load_circuit(file, tubes, options.read_limits)
    roles = recognise(circuit)
    annotations = _annotations(circuit, roles, fault, plain, options)
    drawing = draw_circuit(circuit, roles)
    if output is None:
        print_whole(to_svg(drawing, annotations))
        return 0
    from netcheck.report.files import write_whole

    is_png = output.suffix.lower() == ".png"
    picture = to_png(drawing, annotations, scale) if is_png else to_svg(drawing, annotations)
    write_whole(output, picture)
    return 0


def _check_picture(output: Path, netlist: Path) -> None:
    from netcheck.report.files import check_output

    if output.suffix.lower() not in SUFFIXES:
        raise NetcheckError(
            f"{output} names no picture format", hint="end the name in .svg or .png"
        )
    check_output(output, netlist)


def _annotations(
    circuit: Circuit, roles: Roles, fault_id: str | None, plain: bool, options: Settings
) -> Annotations:
    """Solve at idle, with the fault if one is asked for, and say what is to be read."""
    from netcheck.drawing.annotations import annotate, role_annotations

    if plain:
        return role_annotations(circuit, roles)
    from netcheck.solve.results import NotSolved
    from netcheck.workbench.baseline import solve_at_idle
    from netcheck.workbench.faulted import Bench
    from netcheck.workbench.settings import pool_of

    fault = _find_fault(circuit, roles, fault_id)
    with pool_of(options) as pool:
        bench = Bench(circuit, options, pool)
        base = solve_at_idle(bench, roles)
        healthy = base.outcomes[IDLE]
        if isinstance(healthy, NotSolved):
            if fault is not None:
                raise UnanswerableError(f"the healthy circuit does not solve: {healthy.reason}")
            heading = f"no readings: the circuit does not solve at idle ({healthy.reason})"
            return role_annotations(circuit, roles, heading)
        state = healthy if fault is None else _with_fault(bench, fault, healthy)
    stresses = base.judged(state)
    if fault is None:
        return annotate(circuit, roles, state, stresses, heading="idle, healthy")
    heading = f"idle, with {fault.id}: {fault.summary}"
    return annotate(circuit, roles, state, stresses, healthy, fault.parts, heading)


def _with_fault(bench: Bench, fault: Fault, healthy: Solved) -> Solved:
    from netcheck.report.progress import SilentProgress
    from netcheck.solve.results import NotSolved

    outcome = bench.faulted([fault], healthy, SilentProgress())[IDLE][0]
    if isinstance(outcome, NotSolved):
        raise UnanswerableError(f"with {fault.id} the circuit does not solve: {outcome.reason}")
    return outcome


def _find_fault(circuit: Circuit, roles: Roles, fault_id: str | None) -> Fault | None:
    if fault_id is None:
        return None
    from netcheck.faults import list_faults
    from netcheck.netlist.mistakes import did_you_mean, listed

    faults = {fault.id: fault for fault in list_faults(circuit, roles)}
    if fault_id not in faults:
        near = did_you_mean(fault_id, faults)
        raise NetcheckError(
            f"this circuit has no fault `{fault_id}`",
            hint=near or (f"there are {listed(faults)}" if faults else "no fault was found in it"),
        )
    return faults[fault_id]
