"""A sweep as readable text: a table a condition, tipping points marked in it.

Comes in: a `SweepCurve` and a rich console.  Goes out: text.  The tube shown is the one
whose heat the fault moves most against its own limit; the machine formats have all.
"""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from netcheck.conditions import IDLE
from netcheck.models import facts
from netcheck.models.sweep import SweepCurve, SweepPoint
from netcheck.report.console import plain_text
from netcheck.report.terminal.layout import (
    Column,
    bullets,
    heading,
    paragraph,
    safe,
    table,
)
from netcheck.report.terminal.tipping import MEASURE, NO_TIP, tipping_sentence
from netcheck.report.words import (
    condition_words,
    decimal,
    defect_words,
    joined,
    quantity_words,
    ratio_words,
    size,
)
from netcheck.solve.results import NotSolved, Solved, TubeState

FILE_WIDTH = 100
FINE_W = 10.0
"""Below this, watts get a second decimal."""
TITLES = ("plate V", "screen V", "grid V", "cathode V", "plate mA", "screen mA", "plate W")


def render(curve: SweepCurve, tube: str = "") -> str:
    """Return the report as plain text."""
    return plain_text(lambda console: write(curve, console, tube), FILE_WIDTH)


def write(curve: SweepCurve, console: Console, tube: str = "") -> None:
    """Write the whole report; `tube` is shown instead of the one that moves most."""
    fault = curve.fault
    console.print(safe(f"netcheck sweep: {facts.shown_file(curve.file)}", "bold"))
    if title := facts.title_of(curve.circuit):
        console.print(safe(title))
    console.print()
    what = f"{joined(fault.parts)} {defect_words(fault.kind)}"
    ends = f"{size(fault.from_value, fault.unit)} to {size(fault.to_value, fault.unit)}"
    paragraph(console, f"{what}, {ends}: {len(curve.points)} sizes, each solved.")
    _write_tipping(curve, console)
    for name in facts.condition_order(curve.conditions):
        _write_condition(curve, console, name, tube or curve.tubes(name)[0])
    if curve.assumptions:
        heading(console, "Assumed")
        bullets(console, curve.assumptions)
    console.print()
    paragraph(console, safe(f"Solved with {curve.engine}.", "dim"))


def _write_tipping(curve: SweepCurve, console: Console) -> None:
    found = [one for one in curve.tipping if one.status in ("found", "already_over")]
    if not found:
        paragraph(console, f"{NO_TIP[curve.tipping[0].status]}.")
        return
    limits: dict[tuple[str, str, str], float] = {}
    for one in found:
        limit = curve.limit(one.victim, one.quantity, one.condition)
        if limit is not None:
            limits[one.victim, one.quantity, one.condition] = limit
    paragraph(console, f"{tipping_sentence(facts.sorted_tipping(found), limits)}.")
    paragraph(console, MEASURE)


def _write_condition(curve: SweepCurve, console: Console, name: str, tube: str) -> None:
    kind = facts.type_name(curve.circuit[tube])
    words = condition_words(name)
    heading(console, f"{words[:1].upper()}{words[1:]}: {tube} {kind}".rstrip())
    columns = [
        Column("size", "right", False),
        *(Column(title, "right") for title in TITLES),
        Column("worst part", wrap=False),
    ]
    rows: list[list[str | Text]] = []
    if name in curve.healthy:
        state = curve.healthy[name].tubes[tube]
        rows.append([safe("healthy", "dim"), *_figures(state), ""])
    rows += [_row(curve, point, name, tube) for point in curve.points]
    table(console, columns, rows)
    limit = curve.limit(tube, "plate_dissipation_w", name)
    own = f"Limit of {tube}'s plate as compared: {limit:.3g} W. " if limit is not None else ""
    tips = f" TIPS: {_tips(curve)}." if name == IDLE and any(p.tips for p in curve.points) else ""
    paragraph(
        console,
        f"{own}Worst part: of those that the fault loads more than health does, the one highest "
        f"against its limit, and how many times that it bears.{tips}",
    )
    reasons = {one.reason for p in curve.points if isinstance(one := p.outcomes[name], NotSolved)}
    bullets(console, [f"not solved: {reason}" for reason in sorted(reasons)])


def _tips(curve: SweepCurve) -> str:
    """Return `at 10.7 Mohm X4 plate`, for each tipping point."""
    return ", ".join(
        f"at {size(tip.value, tip.unit)} {tip.victim} {quantity_words(tip.quantity)}"
        for point in curve.points
        for tip in point.tips
        if tip.value is not None
    )


def _row(curve: SweepCurve, point: SweepPoint, name: str, tube: str) -> list[str | Text]:
    digits = 2 if curve.fault.logarithmic and not point.tips else 3
    shown = size(point.size, curve.fault.unit, digits)
    outcome = point.outcomes[name]
    if isinstance(outcome, NotSolved):
        return [shown, *("-" for _ in TITLES), "not solved"]
    worst = point.worst(name)
    remark = f"{worst.part} {ratio_words(worst.ratio)}" if worst else "-"
    tips = bool(point.tips) and name == IDLE
    over = worst is not None and worst.ratio > 1.0
    style = "bold red" if tips else "red" if over else ""
    return [shown, *_figures(_state(outcome, tube)), safe(remark + " TIPS" * tips, style)]


def _state(outcome: Solved, tube: str) -> TubeState | None:
    return outcome.tubes.get(tube)


def _figures(state: TubeState | None) -> list[str]:
    if state is None:
        return ["-" for _ in TITLES]
    screen_a = state.screen_current_a
    return [
        decimal(state.plate_v),
        decimal(state.screen_v),
        decimal(state.grid_v, 2),
        decimal(state.cathode_v, 2),
        decimal(state.plate_current_a * 1e3),
        decimal(None if screen_a is None else screen_a * 1e3),
        decimal(state.plate_dissipation_w, 2 if state.plate_dissipation_w < FINE_W else 1),
    ]
