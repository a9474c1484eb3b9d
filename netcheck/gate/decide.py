"""One audit against the policy: the rows, and nothing else of the audit.

Comes in: an audit, the policy and today's date; or the error that stood in the way
of an audit.  Goes out: a `CheckedFile`, small enough to keep one for each netlist of
a large folder, and the waivers it needed.

An expired waiver waives nothing and says so; one that nothing needed says so at the end of
the run.  An audit without a policy is rows too (`audit_report`), in which verdicts speak for
themselves; the exit code of an audit is another matter: there a fault over its limit fails
nothing.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from netcheck import __version__
from netcheck.errors import ManyErrors, NetcheckError
from netcheck.gate.policy import Policy, Waiver, default_policy
from netcheck.gate.rows import (
    fault_rows,
    healthy_rows,
    matches,
    tipping_rows,
    tolerance_rows,
    wiring_rows,
)
from netcheck.models.audit import Audit
from netcheck.models.checks import CheckedFile, CheckReport, CheckRow, Outcome
from netcheck.models.facts import condition_order, shown_file, shown_title

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


_WAIVABLE = frozenset({"fail", "unsolved", "warn"})


@dataclass(frozen=True, slots=True)
class Waived:
    """Rows after waiving, and the numbers of the waivers they needed."""

    rows: tuple[CheckRow, ...]
    used: frozenset[int]


def apply_waivers(
    rows: Iterable[CheckRow], file: str, waivers: Sequence[Waiver], today: dt.date
) -> Waived:
    """Return the rows of one netlist with the waivers applied to them."""
    used: set[int] = set()
    made = []
    for row in rows:
        fitting = [
            (number, waiver)
            for number, waiver in enumerate(waivers)
            if row.outcome in _WAIVABLE and _fits(waiver, row, file)
        ]
        used |= {number for number, _ in fitting}
        made.append(_waived(row, fitting, today))
    return Waived(tuple(made), frozenset(used))


def _waived(row: CheckRow, fitting: Sequence[tuple[int, Waiver]], today: dt.date) -> CheckRow:
    """Return the row waived by the first waiver that holds, if one does."""
    for number, waiver in fitting:
        if waiver.expires >= today:
            because = f"waived until {waiver.expires.isoformat()}: {waiver.reason}"
            because += f" (else: {row.because})"
            return replace(row, outcome="waived", rule=waiver_name(number), because=because)
    if fitting:
        note = f"the waiver of it expired on {fitting[-1][1].expires.isoformat()}"
        return replace(row, because=f"{row.because}; {note}".lstrip("; "))
    return row


def waiver_rows(
    waivers: Sequence[Waiver], used: Collection[int], files: Sequence[str], today: dt.date
) -> tuple[CheckRow, ...]:
    """Return a warning for each waiver that has expired or that nothing needed.

    One that names a file which was not looked at may well be needed.
    """
    rows = []
    for number, waiver in enumerate(waivers):
        if waiver.expires < today:
            state, said = "expired", f"expired on {waiver.expires.isoformat()}"
        elif number not in used and any(matches((waiver.file,), (file,)) for file in files):
            state, said = "unused", "is not needed by anything that was looked at"
        else:
            continue
        rows.append(
            CheckRow(
                f"waiver/{state}/{_target(waiver)}",
                "waiver",
                "warn",
                waiver_name(number),
                f"the waiver of {_target(waiver)} {said} (its reason: {waiver.reason})",
                waiver_name(number),
                "a waiver is kept only as long as it is needed, and renewed on purpose",
                verdict=state,
            )
        )
    return tuple(rows)


def waiver_name(number: int) -> str:
    """Return how a waiver is called: by its place in the policy."""
    return f"waivers: number {number + 1}"


def _target(waiver: Waiver) -> str:
    named = [waiver.fault, waiver.part, waiver.wiring]
    where = "" if waiver.file == "*" else f" in {waiver.file}"
    return f"{' '.join(word for word in named if word)}{where}"


def _fits(waiver: Waiver, row: CheckRow, file: str) -> bool:
    """Everything the waiver names has to fit; a fault stands for its tipping points too."""
    if not matches((waiver.file,), (file, file.rpartition("/")[2])):
        return False
    if waiver.part and not matches((waiver.part,), row.parts or ("",)):
        return False
    if waiver.fault and not (
        row.family in {"fault", "tipping"} and matches((waiver.fault,), (row.subject,))
    ):
        return False
    return not waiver.wiring or (
        row.family == "wiring" and matches((waiver.wiring,), (row.subject,))
    )


RATINGS = "published ratings"
_OUTCOMES: dict[str, Outcome] = {
    "over_limit": "fail",
    "not_solved": "unsolved",
    "not_judged": "warn",
    "at_limit": "warn",
    "over_in_health": "warn",
    "within_limits": "pass",
}


def audit_report(audit: Audit) -> CheckReport:
    """Return the audit as a report of checks."""
    usual = default_policy()
    unasked = audit.undriven is not None and not audit.undriven.asked
    kept = tuple(one for one in usual.conditions if one != "driven" or not unasked)
    policy = usual.model_copy(update={"tipping": (), "faults": (), "conditions": kept})
    checked = decide(audit, policy, shown_file(audit.file), dt.date.min).checked
    rows = tuple(_by_verdict(row) for row in checked.rows if row.family != "tolerance")
    return CheckReport((replace(checked, rows=rows),), RATINGS, __version__, command="audit")


def _by_verdict(row: CheckRow) -> CheckRow:
    if row.family not in {"healthy", "fault"} or row.id.startswith("healthy/not_judged"):
        return row
    outcome = _OUTCOMES.get(row.verdict, row.outcome)
    return replace(row, outcome=outcome, rule=RATINGS, because=f"its verdict is {row.verdict}")
