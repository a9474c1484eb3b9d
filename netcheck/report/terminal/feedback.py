"""Gas and grid emission that feed on themselves: what settles and what runs away."""

from __future__ import annotations

from rich.console import Console

from netcheck.judge.fed_back import FeedbackCase, Runaway
from netcheck.models.audit import Audit
from netcheck.report.terminal.layout import Column, bullets, heading, paragraph, table
from netcheck.units import format_quantity

ENDINGS = {
    "settles": "settles",
    "undecided": "settles, or runs away",
    "runs_away": "RUNS AWAY",
    "not_solved": "not solved",
}


def write_feedback(console: Console, audit: Audit, show_all: bool) -> None:
    """Write for each output tube what it takes to run away, beside the published limit."""
    if not audit.runaways:
        return
    heading(console, "Grid current that feeds back (gas, grid emission; idle)")
    columns = [
        Column("tube"),
        Column("grid circuit", "right"),
        Column("published limit", "right"),
        Column("gas that runs away", "right"),
        Column("emission that runs away", "right"),
    ]
    table(console, columns, [_tube_row(found) for found in audit.runaways])
    bullets(console, [f"{one.tube}: {one.reason}" for one in audit.runaways if one.reason])
    cases = [
        case
        for found in audit.runaways
        for case in found.cases
        if show_all or case.ending != "settles"
    ]
    bullets(console, [_case_line(case) for case in cases])
    settled = sum(len(found.cases) for found in audit.runaways) - len(cases)
    if settled:
        paragraph(console, f"{settled} smaller ones settle; --all shows them.")
    paragraph(
        console,
        "A grid that loses electrons is lifted by the resistance of its circuit; the tube then "
        "makes more ions and a hotter grid. At a loop gain of one it runs away. Gas: ions are a "
        "share of the tube's current (heat frees more, which is not on file: real tubes tip "
        "sooner). Emission is that of the healthy, warm tube; it doubles with every 15 to 10 "
        "degrees (common practice), from a grid at 250 to 400 C that takes half to all of the "
        "tube's further heat (from memory, low confidence): ranges are over these, and RUNS AWAY "
        "is said where both ends do. Under drive the stated emission is used without its growth.",
    )


def _tube_row(found: Runaway) -> list[str]:
    limit = "none on file"
    if found.limit_ohm:
        limit = f"{format_quantity(found.limit_ohm, 'ohm', 3)} ({found.bias} bias)"
    gas = f"{100.0 * found.gas_share:.2g} %" if found.gas_share else "none tried"
    return [
        found.tube,
        format_quantity(found.grid_ohm, "ohm", 3),
        limit,
        gas if not found.reason else "?",
        _emission(found) if not found.reason else "?",
    ]


def _emission(found: Runaway) -> str:
    slow, fast = found.emission_a
    ends = [format_quantity(each, "A", 2) for each in (fast, slow) if each is not None]
    return " to ".join(ends) if ends else "none tried"


def _case_line(case: FeedbackCase) -> str:
    words = ENDINGS[case.ending]
    if case.grid_current_a is None or case.plate_w is None:
        return f"{case.fault_id}: {words}"
    most_a = case.grid_current_most_a or case.grid_current_a
    ends = dict.fromkeys(format_quantity(each, "A", 2) for each in (case.grid_current_a, most_a))
    state = f"{' to '.join(ends)} from the grid, plate at {format_quantity(case.plate_w, 'W', 3)}"
    if case.loop_gain is not None:
        state += f", loop gain {case.loop_gain:.2f}"
    return f"{case.fault_id}: {words}; {state}"
