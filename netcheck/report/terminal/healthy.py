"""The healthy circuit: idle table, driven summary, and the cautions before measuring."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from netcheck.conditions import COLD_START, IDLE
from netcheck.judge.base import Load, ratio_verdict
from netcheck.models import facts
from netcheck.models.audit import Audit
from netcheck.report.terminal.layout import (
    DEFAULT_ROWS,
    Column,
    bullets,
    heading,
    paragraph,
    safe,
    table,
    verdict_text,
)
from netcheck.report.words import (
    SCALED_NOTE,
    amount,
    condition_words,
    counted,
    decimal,
    limit_amount,
    quantity_words,
    ratio_words,
)
from netcheck.solve.results import NotSolved, Solved
from netcheck.units import format_quantity

_TOUCH_V = 60.0
"""Above this a net is called dangerous: the touch limit for DC in IEC 60065 (open circuit)."""


_FINE_V = 10.0
"""Below this, volts get a second decimal: a cathode at 1.65 V is not at 1.6 V."""


def write_idle(console: Console, audit: Audit) -> None:
    """Write the idle operating point of every tube, for comparison with a meter."""
    heading(console, "Healthy, idle (no signal): tube voltages to ground")
    idle = audit.healthy.get(IDLE)
    if not isinstance(idle, Solved):
        paragraph(console, f"Not solved: {idle.reason}" if idle else "Not asked for.")
        return
    titles = ["plate V", "screen V", "grid V", "cathode V", "plate mA", "screen mA", "plate W"]
    columns = [
        Column("tube", wrap=False),
        *(Column(title, justify="right") for title in titles),
        Column("share of limit", justify="right"),
    ]
    refs = [tube.ref for tube in audit.circuit.tubes if tube.ref in idle.tubes]
    rows = [_idle_row(audit, idle, ref) for ref in refs]
    table(console, columns, rows)
    meter = (
        f" Nets where a meter of {format_quantity(audit.meter_ohm, 'ohm')} loads the circuit are "
        "given as that meter reads them."
        if audit.meter_ohm and idle.readings
        else ""
    )
    paragraph(console, f"Share of limit: the highest of the tube's dissipations.{meter}")


def _idle_row(audit: Audit, idle: Solved, ref: str) -> list[str | Text]:
    state, tube = idle.tubes[ref], audit.circuit[ref]

    def volts(pin: str, solved: float | None) -> str:
        net = tube.net(pin) if tube.has_pin(pin) else ""
        shown = None if solved is None else idle.readings.get(net, solved)
        return decimal(shown, 1 if shown is None or abs(shown) >= _FINE_V else 2)

    def milliamperes(current: float | None) -> str:
        return decimal(None if current is None else current * 1e3, 2)

    return [
        f"{ref} {facts.type_name(tube)}".rstrip(),
        volts("plate", state.plate_v),
        volts("screen", state.screen_v),
        volts("grid", state.grid_v if tube.has_pin("grid") else None),
        volts("cathode", state.cathode_v),
        milliamperes(state.plate_current_a),
        milliamperes(state.screen_current_a),
        decimal(state.plate_dissipation_w, 2),
        _share(audit, ref),
    ]


def _share(audit: Audit, ref: str) -> Text:
    ratios = [
        stress.ratio
        for stress in audit.healthy_stresses
        if stress.part == ref and stress.condition == IDLE and "dissipation" in stress.quantity
    ]
    if not ratios:
        return verdict_text("not_judged") if audit.circuit[ref].has_pin("grid") else Text("-")
    share = Text(f"{max(ratios):.0%}")
    verdict = ratio_verdict(max(ratios))
    if verdict != "within_limits":
        share.append("\n").append_text(verdict_text(verdict))
    return share


def write_driven(console: Console, audit: Audit, show_all: bool) -> None:
    """Write output power, worst drives, and what of the healthy circuit is near a limit."""
    driven = [name for name in facts.condition_order(audit.healthy) if name != IDLE]
    if driven:
        heading(console, "Healthy, under the other conditions")
        bullets(console, [_condition_line(audit, name) for name in driven])
    if audit.worst_drive:
        paragraph(console, "Worst drive of each tube and electrode, a search that includes zero:")
        drives = sorted(audit.worst_drive, key=lambda drive: -drive.ratio)
        shown = drives if show_all else drives[:DEFAULT_ROWS]
        columns = [
            Column("tube"),
            Column("electrode"),
            *(
                Column(title, justify="right")
                for title in ("input V peak", "hottest", "limit", "times limit")
            ),
        ]
        rows = [
            [
                drive.part,
                quantity_words(drive.quantity),
                f"{drive.input_v:.3g}",
                amount(drive.value, drive.quantity),
                limit_amount(drive),
                ratio_words(drive.ratio),
            ]
            for drive in shown
        ]
        table(console, columns, rows)
        if any(row[4].endswith("*") for row in rows):
            paragraph(console, SCALED_NOTE)
        if len(drives) > len(shown):
            paragraph(console, f"{len(drives) - len(shown)} cooler ones not shown; --all does.")
    if any(name not in (IDLE, COLD_START) for name in driven):
        paragraph(
            console,
            facts.drive_words(audit),
        )
    _write_near_limits(console, audit)


def _condition_line(audit: Audit, name: str) -> str:
    outcome, words = audit.healthy[name], condition_words(name)
    if isinstance(outcome, NotSolved):
        return f"{words}: not solved: {outcome.reason}"
    if not outcome.input_v:
        cold = " (B+ up, tubes not yet conducting)" if name == COLD_START else ""
        return f"{words}{cold}: solved and judged"
    return (
        f"{words}: {format_quantity(outcome.input_v, 'V', 3)} peak at the input gives "
        f"{facts.output_words(audit, outcome)}"
    )


def _write_near_limits(console: Console, audit: Audit) -> None:
    hardest: dict[tuple[str, str], Load] = {}
    for stress in audit.healthy_stresses:
        if stress.level in ("over_limit", "at_limit"):
            kept = hardest.setdefault((stress.part, stress.quantity), stress)
            if stress.ratio > kept.ratio:
                hardest[stress.part, stress.quantity] = stress
    near = sorted(hardest.values(), key=lambda stress: -stress.ratio)
    if not near:
        return
    paragraph(
        console, f"{counted(len(near), 'quantity', 'quantities')} at or over a limit in health:"
    )
    for stress in near:
        line = safe(
            f"{stress.part} {quantity_words(stress.quantity)}, "
            f"{condition_words(stress.condition)}: {amount(stress.value, stress.quantity)} against "
            f"{limit_amount(stress)}, "
            f"{ratio_words(stress.ratio)} times ({stress.comparison}): "
        )
        line.append_text(verdict_text(stress.level))
        bullets(console, [line])


def write_cautions(console: Console, audit: Audit) -> None:
    """Write what to know before opening the chassis."""
    heading(console, "Before you measure")
    bullets(console, cautions(audit))


def cautions(audit: Audit) -> list[str]:
    """Return the cautions, the first with this circuit's highest voltage."""
    solved = [state for state in audit.healthy.values() if isinstance(state, Solved)]
    nets = {net: volts for state in solved for net, volts in state.nets.items()}
    highest = max(nets, key=lambda net: (abs(nets[net]), net), default="")
    lethal = (
        f"LETHAL VOLTAGE: about {nets[highest]:.0f} V on net {highest}. "
        if highest and abs(nets[highest]) > _TOUCH_V
        else ""
    )
    return [
        f"{lethal}Reservoir capacitors stay charged after the plug is out: switch off, unplug, "
        "discharge them through a resistor, and prove with a meter that they are empty before "
        "you touch anything.",
        "Where a step says power on: one hand, clips fastened before switching on, nothing "
        "else touched, somebody within reach.",
        "Every figure here is an estimate from the netlist and from typical tubes, not a "
        "measurement; tubes, parts and mains spread. Decide by what you measure.",
        "Local electrical codes apply, and where you live this work may be reserved to "
        "licensed persons.",
    ]
