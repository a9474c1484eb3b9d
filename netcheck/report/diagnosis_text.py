"""A diagnosis as readable text.

Comes in: a `Diagnosis`.  Goes out: cautions, the readings beside those of a sound unit,
the causes with the likeliest first and how these explain every reading, what cannot be
told apart yet, what to measure next, and what was left out.  Color only repeats words.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from rich.text import Text

from netcheck.models.diagnosis import CauseLine, Diagnosis, ProbeLine
from netcheck.models.facts import shown_file
from netcheck.report import diagnosis_words as words
from netcheck.report.console import plain_text
from netcheck.report.terminal.layout import bullets, hanging, heading, paragraph, safe
from netcheck.report.words import joined

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console

INDENT = "    "
_RANK = 12
"""Columns of rank and probability before a cause."""


def render(diagnosis: Diagnosis, width: int | None = None) -> str:
    """Return the diagnosis as plain text."""
    return plain_text(partial(write, diagnosis), width)


def write(diagnosis: Diagnosis, console: Console) -> None:
    """Print the diagnosis."""
    paragraph(console, f"netcheck diagnose: {shown_file(diagnosis.file)}")
    paragraph(console, diagnosis.title)
    console.print()
    paragraph(console, safe(words.summary_words(diagnosis), "bold"))
    paragraph(console, f"Meter: {diagnosis.meter}.")
    if diagnosis.cautions:
        heading(console, "Cautions first")
        bullets(console, (f"{one.text} ({one.source})" for one in diagnosis.cautions))
    _readings(console, diagnosis)
    if diagnosis.evidence:
        heading(console, "What else is known")
        bullets(console, (f"{one.text}: {one.words}" for one in diagnosis.evidence))
    _causes(console, diagnosis)
    _groups(console, diagnosis)
    _probes(console, diagnosis)
    for title, lines in (
        ("Left out, and why", diagnosis.refused),
        ("Could not be weighed", diagnosis.unsolved),
        ("What this takes for granted", diagnosis.assumptions),
    ):
        if lines:
            heading(console, title)
            bullets(console, lines)


def _readings(console: Console, diagnosis: Diagnosis) -> None:
    heading(console, "Readings")
    if not diagnosis.readings:
        paragraph(console, "None yet: the order below is how common each fault is, no more.")
        return
    for line in diagnosis.readings:
        first = safe(f"{words.reading_name(line)}: ")
        first.append_text(safe(words.value_words(line.value, line.unit), "bold"))
        hanging(console, "- ", first)
        expected = words.expected_words(line)
        style = "bold red" if words.is_off(line) else ""
        second = safe(f"a sound unit {expected}; " if expected != "-" else "")
        second.append_text(safe(words.off_words(line), style))
        hanging(console, "  ", second)
    paragraph(console, words.SD_NOTE)
    bullets(console, diagnosis.doubtful)


def _causes(console: Console, diagnosis: Diagnosis) -> None:
    heading(console, "What fits, the likeliest first")
    for rank, cause in words.listed(diagnosis.causes, words.LISTED):
        _cause(console, rank, cause, diagnosis)
    if hidden := words.hidden_words(diagnosis.causes, words.LISTED):
        paragraph(console, hidden)


def _cause(console: Console, rank: int, cause: CauseLine, diagnosis: Diagnosis) -> None:
    lead = f"{rank:>3}. {words.percent(cause.probability):>6} ".ljust(_RANK)
    first = safe(words.short_name(cause.id), "bold")
    if size := words.size_words(cause):
        first.append_text(safe(f", {size}", "not bold"))
    if words.group_members(diagnosis, cause) > 1:
        first.append_text(safe(f"; group {cause.group}", "not bold"))
    hanging(console, lead, first)
    below = " " * _RANK
    if cause.words and cause.words != words.short_name(cause.id):
        hanging(console, below, safe(cause.words))
    if cause.overheats:
        hanging(console, below, safe(f"OVERHEATS {joined(cause.overheats)}", "bold red"))
    if rank > words.EXPLAINED:
        return
    hanging(console, below, safe(f"Before the readings: {words.percent(cause.prior)}."))
    for line in _account(cause, diagnosis):
        hanging(console, f"{below}- ", line)
    if cause.next_step:
        hanging(console, below, safe(f"Next: {cause.next_step}"))


def _account(cause: CauseLine, diagnosis: Diagnosis) -> Iterator[Text]:
    """Yield how a cause explains every reading, and how likely it makes what was seen."""
    for line, explained in words.accounts(diagnosis.readings, cause.explained):
        read = words.value_words(line.value, line.unit)
        fit = words.fit_words(explained, line.unit)
        yield safe(f"{words.reading_name(line)}: read {read}; {fit}")
    for seen, likelihood in words.accounts(diagnosis.evidence, cause.evidence):
        yield safe(f"{seen.text}: {words.seen_words(likelihood)}")


def _groups(console: Console, diagnosis: Diagnosis) -> None:
    every = [group for group in diagnosis.groups if len(group.causes) > 1]
    several = [group for group in every if group.probability >= words.WORTH_A_GROUP]
    if not several:
        return
    heading(console, "What cannot be told apart yet")
    probes = {probe.id: probe for probe in diagnosis.probes}
    for group in several:
        share = words.percent(group.probability)
        hanging(
            console,
            "- ",
            safe(f"Group {group.number}, {share}: {words.group_words(group, probes)}."),
        )


def _probes(console: Console, diagnosis: Diagnosis) -> None:
    heading(console, "What to measure next")
    if diagnosis.settled:
        paragraph(console, f"Nothing more: {diagnosis.settled.rstrip('.')}.")
    elif not diagnosis.probes:
        paragraph(console, "No measurement that can be made would split the causes further.")
    for number, probe in enumerate(diagnosis.probes[: words.PROBES], 1):
        _probe(console, number, probe)


def _probe(console: Console, number: int, probe: ProbeLine) -> None:
    where = words.situation_words(probe.situation)
    hanging(console, f"{number}.".ljust(len(INDENT)), safe(f"{probe.what}, {where}", "bold"))
    hanging(console, INDENT, safe(f"red {probe.red}; black {probe.black}"))
    hanging(console, INDENT, safe(f"type the answer as {probe.reading}"))
    for foretold in probe.foretold:
        hanging(console, f"{INDENT}- ", safe(words.foretold_words(foretold, probe.unit)))
    hanging(console, INDENT, safe(words.gain_words(probe)))
