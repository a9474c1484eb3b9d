"""What the overloads lead to: heat, and what the fuses do about them."""

from __future__ import annotations

from collections import Counter

from rich.console import Console

from netcheck.conditions import COLD_START, DRIVEN, IDLE, OVERDRIVE, condition_kind
from netcheck.judge.fused import Fused, FuseLoad, fuse_loads, fused, has_fuse
from netcheck.judge.heat import DAYLIGHT_C, HOTTEST_C, Heat, heats_of
from netcheck.judge.seen import Seen, seen_under
from netcheck.models.audit import Audit
from netcheck.models.view import shown_faults
from netcheck.rank import FaultResult
from netcheck.report.terminal.layout import Column, bullets, heading, paragraph, table
from netcheck.report.words import condition_words, counted, quantity_words, ratio_words
from netcheck.solve.results import Solved
from netcheck.units import format_quantity

_HEATS = 8
_QUIET = 10
MINUTE_S = 60.0


def write_heat(console: Console, audit: Audit, show_all: bool) -> None:
    """Write how hot the first overloads get, each part with the hottest of the faults."""
    rows: dict[tuple[str, str], tuple[FaultResult, Heat]] = {}
    for result in shown_faults(audit):
        if result.verdict != "over_limit":
            continue
        for heat in heats_of(result.victims):
            if heat.times_rated > 1.0:
                rows.setdefault((result.fault.id, heat.part), (result, heat))
    if not rows:
        return
    heading(console, "How hot, and how soon (estimates)")
    every = list(rows.values())
    if not show_all:
        kept: dict[tuple[str, str], tuple[FaultResult, Heat]] = {}
        for result, heat in every:  # one row for each part and word, the first in rank
            kept.setdefault((heat.part, heat.word), (result, heat))
        every = list(kept.values())[:_HEATS]
    columns = [
        Column("part"),
        Column("fault"),
        Column("heat over rated", "right"),
        Column("degrees C", "right"),
        Column("what it does"),
        Column("too hot after"),
    ]
    table(console, columns, [_heat_row(result, heat) for result, heat in every])
    if len(rows) > len(every):
        paragraph(console, f"{len(rows) - len(every)} more rows not shown; --all shows them.")
    paragraph(
        console,
        "From ratings and the fourth-power law, not measured: a plate is taken to be at 400 to "
        f"475 C at its rating, and to glow visibly from {DAYLIGHT_C:g} C (daylight); hot spots "
        "glow earlier. Any glow of a plate is a gross overload: switch off at once. A winding's "
        "heat grows with the square of its current. Too hot after: a plate's first visible glow; "
        "for all else, until it is hotter than its rating allows; screens and grids warm in "
        "seconds. Words: common practice.",
    )


def _heat_row(result: FaultResult, heat: Heat) -> list[str]:
    what = quantity_words(heat.quantity) if heat.body == "plate" else heat.body
    name = heat.part if what == "both plates" else f"{heat.part} {what}"
    return [
        f"{name}, {condition_words(heat.condition)}",
        result.fault.id,
        ratio_words(heat.times_rated),
        _degrees(heat),
        heat.word,
        _after(heat),
    ]


def _degrees(heat: Heat) -> str:
    if heat.low_c is None or heat.high_c is None:
        return "-"
    if heat.low_c >= HOTTEST_C:
        return f"over {HOTTEST_C:.0f}"
    end = f"over {HOTTEST_C:.0f}" if heat.high_c >= HOTTEST_C else f"{heat.high_c:.0f}"
    return f"{heat.low_c:.0f}-{end}"


def _after(heat: Heat) -> str:
    if heat.soonest_s is None:
        return "-"
    if heat.latest_s is None:
        return f"{_time(heat.soonest_s)} or not at all"
    return f"{_time(heat.soonest_s)} to {_time(heat.latest_s)}"


def _time(seconds: float) -> str:
    if seconds < 1.0:
        return f"{max(seconds, 0.01):.1g} s"
    return f"{seconds:.0f} s" if seconds < MINUTE_S else f"{seconds / MINUTE_S:.0f} min"


def write_fuses(console: Console, audit: Audit, show_all: bool) -> None:
    """Write where the overloads show, and which of them a fuse ends."""
    over = [result for result in shown_faults(audit) if result.verdict == "over_limit"]
    if not over:
        return
    heading(console, "Where the overloads show, and what a fuse does about them")
    seen = Counter(seen_under(result.condition_verdicts) for result in over)
    undriven = all(condition_kind(name) != DRIVEN for name in audit.healthy)
    words: dict[Seen, str] = {
        "both": "at idle and under drive",
        IDLE: "at idle (drive was not tried)" if undriven else "at idle only",
        "driven": "only under drive",
        OVERDRIVE: "only when overdriven",
        COLD_START: "only while the tubes are cold",
    }
    told = [f"{seen[name]} {words[name]}" for name in words if seen[name]]
    paragraph(console, f"Of {counted(len(over), 'overload')}: {', '.join(told)}.")
    if not has_fuse(audit.circuit):
        paragraph(
            console,
            "The netlist has no fuse (a resistor noted `fuse=500mA`), so nothing here ends any "
            "of them.",
        )
        return
    bullets(console, _healthy_lines(audit))
    states = {
        result.fault.id: fused(
            audit.circuit, result.conditions, result.condition_verdicts, result.victims
        )
        for result in over
    }
    quiet = sorted(
        (result for result in over if states[result.fault.id].quiet),
        key=lambda result: states[result.fault.id].word != "holds",
    )
    held = sum(states[result.fault.id].word == "holds" for result in quiet)
    count = Counter(state.word for state in states.values())
    paragraph(
        console,
        f"A fuse opens within seconds for {count['opens']} of them, late or not at all for "
        f"{count['may_open']}, and holds for {count['holds']}. Something cooks quietly, the "
        f"dangerous kind, in {len(quiet)}: in {held} of these no fuse opens within an hour.",
    )
    shown = quiet if show_all else quiet[:_QUIET]
    bullets(console, [_quiet_line(result, states[result.fault.id]) for result in shown])
    if len(quiet) > len(shown):
        paragraph(console, f"{len(quiet) - len(shown)} more not shown; --all shows them.")
    paragraph(
        console,
        "Gates of IEC 60127-2, fast and slow fuses taken together (the slow ones from memory): an "
        "hour at 1.5 times its rating, minutes at 2.1, seconds from 2.75 on. Steady currents: the "
        "surge of switching on is not in them.",
    )


def _healthy_lines(audit: Audit) -> list[str]:
    most: dict[str, FuseLoad] = {}
    for state in audit.healthy.values():
        for load in fuse_loads(audit.circuit, state) if isinstance(state, Solved) else ():
            if load.part not in most or load.current_a > most[load.part].current_a:
                most[load.part] = load
    return [
        f"{part}, {format_quantity(load.rating_a, 'A', 3)}: in health at most {_carries(load)}"
        for part, load in most.items()
    ]


def _carries(load: FuseLoad) -> str:
    words = {"opens": "opens within", "may_open": "may open", "holds": "holds"}[load.time.opening]
    if load.time.opening == "opens":
        words = f"opens within {_time(load.time.most_s or 0.0)}"
    return (
        f"{format_quantity(load.current_a, 'A', 3)}, {ratio_words(load.times_rating)} times its "
        f"rating ({condition_words(load.condition)}): {words}"
    )


def _quiet_line(result: FaultResult, state: Fused) -> str:
    worst = result.worst
    load = ""
    if worst is not None:
        load = (
            f"{worst.part} {quantity_words(worst.quantity)} at {ratio_words(worst.ratio)} times "
            f"its limit, {condition_words(worst.condition)}; "
        )
    carried = (
        f"{state.hardest.part} carries at most {_carries(state.hardest)}" if state.hardest else ""
    )
    return f"{result.fault.id}: {load}{carried}"
