"""One audit against the policy: the rows, and nothing else of the audit.

Comes in: an audit, the policy and today's date; or the error that stood in the way
of an audit.  Goes out: a `CheckedFile`, small enough to keep one for each netlist of
a large folder, and the waivers it needed.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from netcheck.errors import ManyErrors, NetcheckError
from netcheck.gate.fault_rows import fault_rows
from netcheck.gate.healthy import healthy_rows
from netcheck.gate.policy import Policy
from netcheck.gate.tipping_rows import tipping_rows
from netcheck.gate.tolerance_rows import tolerance_rows
from netcheck.gate.waivers import apply_waivers
from netcheck.gate.wiring_rows import wiring_rows
from netcheck.report.checks import CheckedFile, CheckRow
from netcheck.report.facts import condition_order, shown_title
from netcheck.report.model import Audit

INTERRUPTED = "interrupted"
"""The finding of an audit that was ended by Ctrl-C with what it had."""


@dataclass(frozen=True, slots=True)
class Decided:
    """The rows of one netlist, and the numbers of the waivers they needed."""

    checked: CheckedFile
    waivers_used: frozenset[int] = frozenset()
    interrupted: bool = False


def decide(audit: Audit, policy: Policy, file: str, today: dt.date) -> Decided:
    """Hold one audit against the policy."""
    rows = _rows(audit, policy)
    waived = apply_waivers(rows, file, policy.waivers, today)
    kept = _named(_strict(waived.rows, policy), audit.file, file)
    checked = CheckedFile(
        file, shown_title(audit), audit.engine, tuple(condition_order(audit.healthy)), tuple(kept)
    )
    if not any(finding.rule == INTERRUPTED for finding in audit.findings):
        return Decided(checked, waived.used)
    rest = replace(checked, rows=(_interrupted("not all faults were tried", file), *checked.rows))
    return Decided(rest, waived.used, interrupted=True)


def unanswered(error: NetcheckError, file: str, given: str) -> CheckedFile:
    """Return the rows of a netlist that could not be audited."""
    errors = error.errors if isinstance(error, ManyErrors) else (error,)
    rows = [
        CheckRow(
            f"netlist/{type(one).__name__}/{number}",
            "netlist",
            "unanswered",
            file,
            one.message,
            "netlist",
            "what cannot be audited cannot be called within limits",
            span=one.span,
            hint=one.hint,
        )
        for number, one in enumerate(_flat(errors), 1)
    ]
    return CheckedFile(file, "", "", (), tuple(_named(rows, given, file)))


def broken(error: Exception, file: str) -> CheckedFile:
    """Return the row of a netlist on which this program itself failed."""
    what = f"{type(error).__name__}: {error}".rstrip(": ")
    row = CheckRow(
        "netlist/bug",
        "netlist",
        "unanswered",
        file,
        f"netcheck has a bug: {what}",
        "netlist",
        "what cannot be audited cannot be called within limits",
        hint="please report it with the netlist",
        bug=True,
    )
    return CheckedFile(file, "", "", (), (row,))


def skipped(file: str) -> CheckedFile:
    """Return the row of a netlist whose turn never came."""
    return CheckedFile(file, "", "", (), (_interrupted("this netlist was not audited", file),))


def _interrupted(what: str, file: str) -> CheckRow:
    return CheckRow(
        "netlist/interrupted",
        "netlist",
        "unanswered",
        file,
        f"the run was interrupted: {what}",
        "netlist",
        "what was not audited cannot be called within limits",
    )


def _rows(audit: Audit, policy: Policy) -> Iterator[CheckRow]:
    yield from healthy_rows(audit, policy)
    yield from tolerance_rows(audit, policy)
    yield from fault_rows(audit, policy)
    yield from tipping_rows(audit, policy)
    yield from wiring_rows(audit, policy)


def _strict(rows: Iterable[CheckRow], policy: Policy) -> Iterator[CheckRow]:
    for row in rows:
        if policy.warnings_fail and row.outcome == "warn":
            yield replace(row, outcome="fail", because=f"{row.because} (warnings_fail is set)")
        else:
            yield row


def _flat(errors: Iterable[NetcheckError]) -> Iterator[NetcheckError]:
    for error in errors:
        if isinstance(error, ManyErrors):
            yield from _flat(error.errors)
        else:
            yield error


def _named(rows: Iterable[CheckRow], given: str, file: str) -> Iterator[CheckRow]:
    """Give rows whose places name the netlist as the report does, not as it was opened.

    Ids are made unique, too.
    """
    last = given.rpartition("/")[2]
    folder = file.rpartition("/")[0]
    seen: Counter[str] = Counter()
    for row in rows:
        seen[row.id] += 1
        number = f"/{seen[row.id]}" if seen[row.id] > 1 else ""
        span = row.span
        if span is not None and given != file:
            own = span.file in {given, last}
            span = replace(span, file=file if own else f"{folder}/{span.file}".lstrip("/"))
        yield replace(row, id=f"{row.id}{number}", span=span) if number or span else row
