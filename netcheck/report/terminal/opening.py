"""The opening: the verdict in one sentence, and what was recognised."""

from __future__ import annotations

from collections import Counter

from rich.console import Console
from rich.text import Text

from netcheck.conditions import DRIVEN, IDLE, OCCASION_WORDS, OVERDRIVE, USE, condition_kind
from netcheck.judge.base import Load
from netcheck.models import facts
from netcheck.models.audit import Audit
from netcheck.rank import occasion
from netcheck.report.terminal.layout import STYLES, hanging, heading, paragraph, safe
from netcheck.report.words import (
    amount,
    condition_words,
    counted,
    joined,
    quantity_words,
    ratio_words,
)
from netcheck.roles.base import Stage
from netcheck.roles.table import RoleName


def write_opening(console: Console, audit: Audit) -> None:
    """Write the file, its title and the verdict."""
    console.print(safe(f"netcheck: {facts.shown_file(audit.file)}", "bold"))
    if title := facts.shown_title(audit):
        console.print(safe(title))
    console.print()
    verdict = facts.healthy_verdict(audit)
    worst = audit.faults[0].verdict if audit.faults else "within_limits"
    style = STYLES[verdict] if verdict != "within_limits" else STYLES[worst]
    text = Text("Verdict: ", style="bold")
    text.append_text(safe(verdict_sentence(audit), style))
    console.print(text)


def verdict_sentence(audit: Audit) -> str:
    """Return the verdict on the healthy circuit and its faults, one sentence."""
    return f"{_healthy_clause(audit)}; {_fault_clause(audit)}."


def _healthy_clause(audit: Audit) -> str:
    verdict = facts.healthy_verdict(audit)
    if verdict == "within_limits":
        return "the healthy circuit keeps every judged part within its limits"
    if verdict == "not_judged":
        return "no part of the healthy circuit could be judged"
    ratio, part, quantity, condition, limit = max(facts.healthy_ratios(audit))
    where = f"{part} {quantity_words(quantity)}"
    size = f"{ratio_words(ratio)} times {amount(limit, quantity)}, {condition_words(condition)}"
    if verdict == "at_limit":
        return f"the healthy circuit is at a limit ({where}, {size})"
    return f"the HEALTHY circuit is already OVER a limit ({where}, {size})"


def _fault_clause(audit: Audit) -> str:
    if not audit.faults:
        return "none of the kinds of fault on file applies to it"
    tried = counted(len(audit.faults), "fault")
    over = sum(1 for result in audit.faults if result.verdict == "over_limit")
    if not over:
        others = Counter(result.verdict for result in audit.faults)
        unknown = others["not_solved"] + others["not_judged"]
        open_end = f" ({unknown} could not be solved or judged)" if unknown else ""
        a_part = "another part" if others["over_in_health"] else "a part"
        return f"of {tried} tried none puts {a_part} over its limit{open_end}"
    first = audit.faults[0]
    worst = f", {first.fault.id} first" + (
        f" ({stress_phrase(first.worst)})" if first.worst else ""
    )
    verb = "puts" if over == 1 else "put"
    return f"of {tried} tried {over} {verb} a part over its limit{_when(audit)}{worst}"


def _when(audit: Audit) -> str:
    """Return how many overloads show at rest, in use and in a test beyond use alone."""
    over = [result for result in audit.faults if result.verdict == "over_limit"]
    made_by = Counter(map(occasion, over))
    if not any(condition_kind(name) == DRIVEN for name in audit.healthy):
        return ""
    rest = f"{made_by[IDLE]} {OCCASION_WORDS[IDLE]}, {made_by[USE]} more {OCCASION_WORDS[USE]}"
    beyond = made_by[OVERDRIVE]
    return f" ({rest}, {beyond} {OCCASION_WORDS[OVERDRIVE]})" if beyond else f" ({rest})"


def stress_phrase(stress: Load) -> str:
    """Return `V3 plate at 2.10 times its limit`."""
    what = quantity_words(stress.quantity)
    return f"{stress.part} {what} at {ratio_words(stress.ratio)} times its limit"


def write_recognised(console: Console, audit: Audit) -> None:
    """Write the stages in signal order, each with its evidence."""
    heading(console, "What was recognised, in signal order")
    if not audit.roles.output_stages:
        paragraph(console, "No output stage was recognised; the tubes are judged all the same.")
    for number, stage in enumerate(audit.roles.stages_in_order, 1):
        body = safe(_stage_line(audit, stage))
        for reason in stage.evidence:
            body.append("\n")
            body.append_text(safe(f"because {reason}", "dim"))
        hanging(console, f"{number}. ", body)
    if rails := audit.roles.rails:
        paragraph(console, f"Supply nets, from the source outward: {', '.join(rails)}")
    couplers = audit.roles.named(RoleName.COUPLING_CAPACITOR)
    if couplers:
        grids = facts.tubes_by_grid_net(audit)
        names = [
            f"{role.part} ({role.of} to {joined(grids.get(role.feeds, [role.feeds or '?']))})"
            for role in couplers
        ]
        paragraph(console, f"Coupling capacitors: {', '.join(names)}")


def _hyphened(name: str) -> str:
    for word in ("push_pull", "single_ended", "long_tailed"):
        name = name.replace(word, word.replace("_", "-"))
    return name.replace("_", " ")


def _stage_line(audit: Audit, stage: Stage) -> str:
    kind = _hyphened(stage.kind)
    form = f", {_hyphened(stage.form)}" if stage.form else ""
    parts = audit.circuit.parts
    tubes = [
        f"{ref} {facts.type_name(parts[ref])}".rstrip() if ref in parts else ref
        for ref in stage.tubes
    ]
    role = "output stage, " if stage.is_output else ""
    bias = f"{stage.bias.replace('_', ' ')} bias"
    sure = "" if stage.confidence >= 1 else f" (confidence {stage.confidence:.0%})"
    return f"{joined(tubes)}: {role}{kind}{form}, {stage.connection}, {bias}{sure}"
