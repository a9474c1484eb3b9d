"""`netcheck annotate`: what each part of a netlist does, and what it carries at idle.

The annotated circuit comes as text, as JSON, or as the user's own netlist with a
comment behind each part.  A circuit that does not solve is annotated with roles alone.
Nothing here judges: the exit code is 0 wherever the question could be answered.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck.cli.choices import USUAL_FREQUENCY, FewJobsOption, KeepDeckOption, settings_of
from netcheck.cli.limits import LimitOption
from netcheck.cli.shell import (
    FrequencyOption,
    NetlistArgument,
    OutputOption,
    TubesOption,
    check_readable,
    guarded,
    one_of,
    print_report,
    print_whole,
)
from netcheck.conditions import IDLE
from netcheck.errors import NetcheckError

if TYPE_CHECKING:
    from netcheck.circuit.model import Circuit
    from netcheck.report.annotation import AnnotatedCircuit
    from netcheck.workbench.settings import Settings


class AnnotateFormat(StrEnum):
    """Output formats."""

    TEXT = "text"
    NETLIST = "netlist"
    JSON = "json"


@guarded
def annotate(
    file: NetlistArgument,
    format: Annotated[
        AnnotateFormat,
        typer.Option(
            "--format",
            metavar=one_of(AnnotateFormat),
            help="Readable text, your netlist with comments, or JSON.",
        ),
    ] = AnnotateFormat.TEXT,
    output: OutputOption = None,
    why: Annotated[bool, typer.Option("--why", help="Say why each role was given.")] = False,
    jobs: FewJobsOption = 1,
    frequency: FrequencyOption = USUAL_FREQUENCY,
    tubes: TubesOption = None,
    limit: LimitOption = None,
    keep_deck: KeepDeckOption = None,
) -> int:
    """Show stage by stage what each part does and what it carries at idle."""
    from netcheck.pipeline import load_circuit
    from netcheck.report.files import check_output, write_whole

    check_readable(file)
    if output is not None:
        check_output(output, file)
    options = replace(
        settings_of(jobs, tubes, limit, frequency=frequency, keep_deck=keep_deck), idle_only=True
    )
    circuit = load_circuit(file, tubes, options.read_limits)
    annotated = annotated_circuit(circuit, file.as_posix(), options)
    if output is None and format is AnnotateFormat.TEXT:
        from netcheck.report import annotate_text

        print_report(lambda console: annotate_text.write(annotated, console, why=why))
        return 0
    content = _rendered(annotated, file, format, why)
    if output is not None:
        write_whole(output, content)
    elif isinstance(content, bytes):
        _print_bytes(content)
    else:
        print_whole(content)
    return 0


def _rendered(
    annotated: AnnotatedCircuit, file: Path, format: AnnotateFormat, why: bool
) -> str | bytes:
    match format:
        case AnnotateFormat.NETLIST:
            from netcheck.report import annotate_netlist

            _check_lines(annotated.circuit, file)
            return annotate_netlist.render(annotated, file.read_bytes())
        case AnnotateFormat.JSON:
            from netcheck.report import to_json

            return to_json.render(annotated)
    from netcheck.report import annotate_text

    return annotate_text.render(annotated, why=why)


def _check_lines(circuit: Circuit, file: Path) -> None:
    """Complain where the file has no line for a part that a comment could stand behind."""
    if any(part.span and part.span.drawn for part in circuit):
        raise NetcheckError(
            f"{file.as_posix()} is a schematic: it has no lines for comments",
            hint="annotate the netlist that `netcheck convert` writes of it",
        )


def _print_bytes(content: bytes) -> None:
    """Write bytes as they are: a netlist keeps its encoding and its line ends."""
    sys.stdout.flush()
    try:
        sys.stdout.buffer.write(content)
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        print_whole("")


def annotated_circuit(circuit: Circuit, name: str, options: Settings) -> AnnotatedCircuit:
    """Solve a circuit at idle and gather what is said about it."""
    from netcheck.circuit.checks import check_circuit
    from netcheck.report.annotation import AnnotatedCircuit
    from netcheck.roles import recognise
    from netcheck.solve.results import Solved
    from netcheck.workbench.baseline import solve_at_idle
    from netcheck.workbench.faulted import Bench
    from netcheck.workbench.settings import pool_of
    from netcheck.workbench.wiring import roles_findings, wiring_findings

    findings = (*circuit.findings, *check_circuit(circuit))
    roles = recognise(circuit)
    with pool_of(options) as pool:
        bench = Bench(circuit, options, pool)
        base = solve_at_idle(bench, roles)
        idle = base.outcomes[IDLE]
        if not isinstance(idle, Solved):
            wired = (*findings, *roles_findings(circuit, roles))
            return AnnotatedCircuit(name, circuit, roles, idle, findings=wired)
        found = wiring_findings(bench, base)
    assumed = frozenset(
        (limit.part, limit.quantity) for limit in base.table.limits if limit.assumed
    )
    return AnnotatedCircuit(
        name, circuit, roles, idle, base.stresses, assumed, (*findings, *found), pool.engine
    )
