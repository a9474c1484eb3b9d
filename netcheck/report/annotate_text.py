"""The annotated circuit for a person: stage by stage, in signal order.

Comes in: an annotated circuit.  Goes out: text on a console.  Each stage has its tubes
with their idle readings, then its other parts with role, value, volts, amperes, watts
and share of the limit; below 80 columns the table becomes one line a part.  Output
transformer, supply chain, bias supply and heaters are groups of their own; unknown parts
stand last, with their neighbors.  With `why` every role says what it was given for.
"""

from __future__ import annotations

from collections.abc import Iterator

from rich.console import Console
from rich.text import Text

from netcheck.findings import Finding
from netcheck.judge.base import ratio_verdict
from netcheck.models import facts
from netcheck.report.annotation import (
    AnnotatedCircuit,
    Group,
    IdleLoad,
    groups_of,
    load_of,
    neighbors,
    role_words,
    tube_words,
    value_words,
    volt_words,
)
from netcheck.report.console import plain_text
from netcheck.report.terminal.layout import (
    LEVEL_STYLES,
    NARROW,
    STYLES,
    Column,
    bullets,
    heading,
    paragraph,
    safe,
    table,
)
from netcheck.report.words import counted, joined
from netcheck.roles.base import Stage
from netcheck.roles.table import Heading
from netcheck.solve.results import NotSolved
from netcheck.units import format_quantity

LEAST_A = 1e-9
"""Less is what the solver leaks, not what a part carries."""
LEAST_W = 1e-6


def render(annotated: AnnotatedCircuit, *, why: bool = False, width: int | None = None) -> str:
    """Return the annotated circuit as plain text."""
    return plain_text(lambda console: write(annotated, console, why=why), width)


def write(annotated: AnnotatedCircuit, console: Console, *, why: bool = False) -> None:
    """Write the annotated circuit."""
    console.print(safe(f"netcheck annotate: {facts.shown_file(annotated.file)}", "bold"))
    if title := facts.title_of(annotated.circuit):
        console.print(safe(title))
    console.print()
    paragraph(console, _opening(annotated))
    for group in groups_of(annotated):
        _write_group(console, annotated, group, why)
    _write_unknown(console, annotated)
    _write_findings(console, annotated)


def _opening(annotated: AnnotatedCircuit) -> str:
    known = len(annotated.circuit.parts) - len(annotated.roles.unrecognised)
    share = f"{known} of {counted(len(annotated.circuit.parts), 'part')} have a role."
    if isinstance(annotated.idle, NotSolved):
        return f"Not solved at idle, so there are no readings: {annotated.idle.reason}. {share}"
    brackets = " A share in brackets is of a rating that was assumed." if annotated.assumed else ""
    return (
        f"Idle, no signal. Tube volts are to ground; volts of other parts from their first "
        f"pin to their second. {share}{brackets}"
    )


def _write_group(console: Console, annotated: AnnotatedCircuit, group: Group, why: bool) -> None:
    heading(console, group.title)
    if group.stage:
        _write_stage(console, annotated, group.stage, why)
    if group.title == Heading.SUPPLY and (chain := _chain(annotated)):
        paragraph(console, chain)
    tubes = [ref for ref in group.parts if annotated.circuit[ref].kind == "tube"]
    bullets(console, [_tube_line(annotated, ref) for ref in tubes])
    others = [ref for ref in group.parts if ref not in tubes]
    if others and console.width >= NARROW:
        _write_table(console, annotated, others)
    elif others:
        bullets(console, [_part_line(annotated, ref) for ref in others])
    if why:
        bullets(console, [line for ref in group.parts for line in _reasons(annotated, ref)])


def _chain(annotated: AnnotatedCircuit) -> str:
    """Return the rails from the source outward, with their volts."""
    idle = annotated.idle
    if isinstance(idle, NotSolved):
        return ""
    rails = [net for net in annotated.roles.rails if net in idle.nets]
    return "Rails: " + ", ".join(f"{net} {volt_words(idle.nets[net])}" for net in rails)


def _write_stage(console: Console, annotated: AnnotatedCircuit, stage: Stage, why: bool) -> None:
    sure = "" if stage.confidence >= 1.0 else f", {stage.confidence:.0%} sure"
    bias = "" if stage.bias in ("", "unknown") else f"{stage.bias.replace('_', ' ')} bias"
    what = ", ".join(filter(None, (stage.connection, bias))) + sure
    comes = _signal_from(annotated, stage)
    paragraph(console, f"{what}. {comes}" if comes else f"{what}.")
    if why and stage.evidence:
        bullets(console, [f"why: {'; '.join(stage.evidence)}"])
    for other in stage.alternatives:
        form = f", {other.form.replace('_', ' ')}" if other.form else ""
        text = f"could also be: {other.kind.replace('_', ' ')}{form} ({other.confidence:.0%})"
        bullets(console, [safe(f"{text}: {other.why}", STYLES["at_limit"])])


def _signal_from(annotated: AnnotatedCircuit, stage: Stage) -> str:
    stages = {each.id: each for each in annotated.roles.stages}
    ways: dict[str, dict[str, None]] = {}
    for path in annotated.roles.signal_paths:
        if path.target == stage.id:
            source = stages.get(path.source)
            start = f"the {path.electrode} of {joined(source.tubes)}" if source else "the input"
            ways.setdefault(start, {}).update(dict.fromkeys(path.via if source else ()))
    told = [
        f"{start}{f' through {joined(list(via))}' if via else ''}" for start, via in ways.items()
    ]
    return f"Signal from {'; '.join(told)}." if told else ""


def _tube_line(annotated: AnnotatedCircuit, ref: str) -> Text:
    tube = annotated.circuit[ref]
    words = role_words(annotated.roles, ref) or "role unknown"
    line = _lead(f"{ref} {facts.type_name(tube)}".rstrip(), "bold")
    line.append_text(safe(f", {words}"))
    if readings := tube_words(annotated, ref):
        load = load_of(annotated, ref)
        line.append_text(safe(f": {readings}", _share_style(load)))
    return line


def _lead(text: str, style: str) -> Text:
    """Return text whose style ends with it: what is appended has its own."""
    return Text().append_text(safe(text, style))


def _share_style(load: IdleLoad) -> str:
    if load.share is None:
        return ""
    verdict = ratio_verdict(load.share)
    return "" if verdict == "within_limits" else STYLES[verdict]


def _write_table(console: Console, annotated: AnnotatedCircuit, refs: list[str]) -> None:
    columns = [
        Column("part", wrap=False),
        Column("value", wrap=False),
        Column("role"),
        *(Column(title, "right", wrap=False) for title in ("volts", "current", "power", "share")),
    ]
    rows: list[list[str | Text]] = []
    for ref in refs:
        load = load_of(annotated, ref)
        volts, ampere, watts = _load_words(load)
        rows.append(
            [
                ref,
                value_words(annotated.circuit[ref]),
                role_words(annotated.roles, ref),
                volts,
                ampere,
                watts,
                safe(load.share_words, _share_style(load)),
            ]
        )
    table(console, columns, rows)


def _load_words(load: IdleLoad) -> tuple[str, str, str]:
    volts = "-" if load.volts is None else volt_words(load.volts)
    no_ampere = load.ampere is None or abs(load.ampere) < LEAST_A
    ampere = "-" if no_ampere else format_quantity(load.ampere or 0.0, "A", 3)
    no_watts = load.watts is None or abs(load.watts) < LEAST_W
    return volts, ampere, "-" if no_watts else format_quantity(load.watts or 0.0, "W", 3)


def _part_line(annotated: AnnotatedCircuit, ref: str) -> Text:
    load = load_of(annotated, ref)
    shown = [words for words in _load_words(load) if words != "-"]
    line = _lead(f"{ref} {value_words(annotated.circuit[ref])}, ", "bold")
    line.append_text(safe(role_words(annotated.roles, ref)))
    if load.share is not None:
        shown.append(f"{load.share_words} of its limit")
    line.append_text(safe(f": {', '.join(shown)}" if shown else "", _share_style(load)))
    return line


def _reasons(annotated: AnnotatedCircuit, ref: str) -> Iterator[str]:
    told: dict[tuple[str, str], list[str]] = {}
    for role in annotated.roles.of_part(ref):
        sure = "" if role.confidence >= 1.0 else f" ({role.confidence:.0%} sure)"
        told.setdefault((f"{role.name.words}{sure}", role.why), []).append(role.of)
    for (name, why), _ in told.items():
        yield f"{ref} {name}: {why}"


def _write_unknown(console: Console, annotated: AnnotatedCircuit) -> None:
    refs = annotated.roles.unrecognised
    if not refs:
        return
    heading(console, "Unknown parts")
    for ref in refs:
        beside = "; ".join(neighbors(annotated.circuit, annotated.roles, ref))
        line = _part_line_unknown(annotated, ref)
        bullets(console, [f"{line} between {beside}"])


def _part_line_unknown(annotated: AnnotatedCircuit, ref: str) -> str:
    shown = [words for words in _load_words(load_of(annotated, ref)) if words != "-"]
    readings = f" ({', '.join(shown)})" if shown else ""
    return f"{ref} {value_words(annotated.circuit[ref])}".rstrip() + readings + ","


def _write_findings(console: Console, annotated: AnnotatedCircuit) -> None:
    if not annotated.findings:
        return
    heading(console, "Findings")
    for finding in facts.sorted_findings(annotated.findings):
        bullets(console, [_finding_line(finding)])


def _finding_line(finding: Finding) -> Text:
    line = _lead(finding.level, LEVEL_STYLES[finding.level])
    span = finding.span
    file = facts.shown_file(span.file) if span else ""
    place = f" ({f'{file}: {span.drawn}' if span.drawn else f'{file}:{span.line}'})" if span else ""
    hint = f". Hint: {finding.hint}" if finding.hint else ""
    return line.append_text(safe(f" {finding.rule}: {finding.message}{place}{hint}"))
