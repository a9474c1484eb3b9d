"""Faults that leave the circuit without a lasting idle."""

from __future__ import annotations

from rich.console import Console

from netcheck.conditions import IDLE
from netcheck.judge.unrest import unrest_words
from netcheck.models.audit import Audit
from netcheck.models.view import shown_faults
from netcheck.report.terminal.layout import bullets, heading, paragraph
from netcheck.solve.results import Solved
from netcheck.units import format_quantity

_SHOWN = 8


def write_unstable(console: Console, audit: Audit, show_all: bool) -> None:
    """Write which faults make the circuit leave its operating point, and how."""
    lines = [
        f"{result.fault.id}: {words}{_cycle(audit, idle)}"
        for result in shown_faults(audit)
        if isinstance(idle := result.conditions.get(IDLE), Solved)
        and idle.stability
        and (words := unrest_words(idle.stability))
    ]
    if not lines:
        return
    heading(console, "Faults with which idle does not last")
    shown = lines if show_all else lines[:_SHOWN]
    bullets(console, shown)
    if len(lines) > len(shown):
        paragraph(console, f"{len(lines) - len(shown)} more not shown; --all shows them.")
    paragraph(
        console,
        "Poles of the circuit linearised about its operating point. What lies above the audio "
        "band rests on capacitances that the netlist does not have: take it as a sign, not as "
        "a figure.",
    )


def _cycle(audit: Audit, idle: Solved) -> str:
    """Return the hottest plate of a cycle that was solved, and what reaches the speaker."""
    if not (idle.stability and idle.stability.is_cycle):
        return ""
    hottest = max(idle.tubes, key=lambda ref: idle.tubes[ref].plate_dissipation_w)
    watts = format_quantity(idle.tubes[hottest].plate_dissipation_w, "W", 3)
    if not any(each.speaker for each in audit.roles.transformers):
        return f"; plate of {hottest} {watts}"
    return f"; plate of {hottest} {watts}, {format_quantity(idle.output_w, 'W', 2)} at the speaker"
