"""The gate's verdict for a person at a terminal or in the log of a run.

Comes in: a `CheckReport`.  Goes out: a line for each netlist, then what failed, what
warns, what is waived, and what it all comes to.  With `explain`, every row and the
rule that decided it.  Color repeats what words say.
"""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from netcheck.models.checks import (
    OUTCOME_WORDS,
    OUTCOMES,
    CheckedFile,
    CheckReport,
    CheckRow,
    Outcome,
    shown_rows,
)
from netcheck.report.console import plain_text
from netcheck.report.terminal.layout import hanging, heading, paragraph, safe
from netcheck.report.words import counted, joined

_STYLES: dict[Outcome, str] = {
    "unanswered": "bold magenta",
    "fail": "bold red",
    "unsolved": "bold red",
    "warn": "yellow",
    "waived": "cyan",
    "known": "cyan",
    "note": "dim",
    "pass": "green",
}
_TITLES: dict[Outcome, str] = {
    "unanswered": "Not answered",
    "fail": "Failed",
    "unsolved": "Failed: not solved or not judged",
    "warn": "Warnings",
    "waived": "Waived",
    "known": "Known from the baseline, and no worse",
    "note": "Notes",
    "pass": "Passed",
}
FILE_WIDTH = 100


def write(report: CheckReport, console: Console, *, explain: bool = False) -> None:
    """Write the report; `explain` shows every row and why it was decided so."""
    against = f", against the baseline {report.baseline}" if report.baseline else ""
    paragraph(console, f"netcheck {report.command}: {report.policy}{against}")
    heading(console, counted(len(report.files), "netlist"))
    for checked in report.files:
        _write_file(console, checked)
    rows = list(report.every_row()) if explain else shown_rows(report)
    for outcome in OUTCOMES:
        chosen = [pair for pair in rows if pair[1].outcome == outcome]
        if chosen:
            heading(console, f"{_TITLES[outcome]} ({len(chosen)})")
            for file, row in chosen:
                _write_row(console, file, row, explain)
    if report.baseline:
        _write_changes(console, report)
    console.print()
    hanging(console, "", _closing(report))


def render(report: CheckReport, *, explain: bool = False, width: int = FILE_WIDTH) -> str:
    """Return the report as plain text."""
    return plain_text(lambda console: write(report, console, explain=explain), width)


def file_outcome(checked: CheckedFile) -> Outcome:
    """Return the gravest outcome of a netlist, among those that count."""
    counts = checked.counts()
    for outcome in ("unanswered", "fail", "unsolved", "warn"):
        if counts[outcome]:
            return outcome
    return "pass"


def counts_words(checked: CheckedFile) -> str:
    """Return what was looked at, and how often it did not simply pass."""
    counts = checked.counts()
    if counts["unanswered"] and not checked.conditions:
        return "could not be audited"
    faults = sum(row.family == "fault" for row in checked.rows)
    words = [f"{counted(faults, 'fault')} tried"]
    for outcome in OUTCOMES:
        if counts[outcome] and outcome not in {"pass", "note"}:
            words.append(f"{counts[outcome]} {OUTCOME_WORDS[outcome].lower()}")
    return ", ".join(words)


def _write_file(console: Console, checked: CheckedFile) -> None:
    outcome = file_outcome(checked)
    line = Text(f"{OUTCOME_WORDS[outcome]:<13}", style=_STYLES[outcome])
    line.append_text(safe(f"{checked.file}: {counts_words(checked)}"))
    hanging(console, "", line)


def _write_row(console: Console, file: str, row: CheckRow, explain: bool) -> None:
    place = str(row.span) if row.span else file
    body = safe(f"{place}: " if place else "")
    body.append_text(safe(row.message))
    if row.change in {"worse", "new", "better"}:
        body.append_text(safe(f" [{row.change}; before: {row.before}]"))
    hanging(console, "- ", body)
    if row.hint and row.outcome in {"unanswered", "fail", "unsolved"}:
        hanging(console, "    next: ", safe(row.hint))
    if explain or row.outcome in {"fail", "unsolved", "waived"}:
        why = f"{row.rule}: {row.because}" if row.because else row.rule
        hanging(console, "    rule: ", safe(why, "dim"))


def _write_changes(console: Console, report: CheckReport) -> None:
    """Write how many rows moved, and those that got better or went away."""
    rows = list(report.every_row())
    changes = {
        name: [pair for pair in rows if pair[1].change == name]
        for name in ("new", "worse", "better", "gone", "same")
    }
    heading(console, "Since the baseline")
    words = [f"{len(found)} {name}" for name, found in changes.items() if found]
    paragraph(console, f"{joined(words)}." if words else "nothing to compare.")
    for name in ("better", "gone"):
        for file, row in changes[name]:
            before = f" (before: {row.before})" if row.before else ""
            hanging(console, f"- {name}: ", safe(f"{file}: {row.message}{before}"))


def _closing(report: CheckReport) -> Text:
    counts = report.counts()
    failed = counts["fail"] + counts["unsolved"]
    style = {"pass": "bold green", "fail": "bold red", "unanswered": "bold magenta"}
    if report.verdict == "unanswered":
        words = f"Not answered: {counted(counts['unanswered'], 'question')} without an answer"
        words += f", {counted(failed, 'check')} failed." if failed else "."
    elif report.verdict == "fail":
        words = f"Failed: {counted(failed, 'check')} failed."
    else:
        words = f"Passed: {counted(counts.total(), 'check')}, none failed."
    if report.interrupted:
        words += " Interrupted: what was finished is above."
    return Text(words, style=style[report.verdict])
