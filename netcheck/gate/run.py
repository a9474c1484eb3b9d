"""The run of the gate: one netlist after the other, rows kept and audits let go.

Comes in: netlists, policy, baseline, and either the function that audits one here or
what was decided of each elsewhere (`spread.py`).  Goes out: one `CheckReport`.  A
netlist that cannot be audited is a row, and the others go on; an interrupt ends the run
with what was finished.  No solver at all ends it at once.
"""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from netcheck import __version__
from netcheck.errors import NetcheckError, SolverUnavailableError
from netcheck.gate.baseline import Baseline, compare, compare_files
from netcheck.gate.decide import Decided, broken, decide, skipped, unanswered
from netcheck.gate.netlists import Netlist
from netcheck.gate.policy_file import FoundPolicy
from netcheck.gate.waivers import waiver_rows
from netcheck.report.checks import CheckReport
from netcheck.report.model import Audit
from netcheck.report.packed import PackedFiles

TRACEBACK_VARIABLE = "NETCHECK_TRACEBACK"
AuditOne = Callable[[Path], Audit]


def run_gate(
    netlists: Sequence[Netlist],
    found: FoundPolicy,
    audit_one: AuditOne,
    today: dt.date,
    baseline: Baseline | None = None,
) -> CheckReport:
    """Audit all netlists, one after the other, and hold each against the policy."""
    decisions = (decide_one(netlist, found, audit_one, today) for netlist in netlists)
    return gather(netlists, found, decisions, today, baseline)


def gather(
    netlists: Sequence[Netlist],
    found: FoundPolicy,
    decisions: Iterator[Decided],
    today: dt.date,
    baseline: Baseline | None = None,
) -> CheckReport:
    """Make one report of what was decided of each netlist, in their order."""
    policy = found.policy
    files = PackedFiles()
    names = [netlist.name for netlist in netlists]
    used: set[int] = set()
    interrupted = False
    for netlist in netlists:
        if interrupted:
            files.append(skipped(netlist.name))
            continue
        try:
            decided = next(decisions)
        except KeyboardInterrupt:
            interrupted = True
            files.append(skipped(netlist.name))
            continue
        interrupted = decided.interrupted
        used |= decided.waivers_used
        files.append(compare(decided.checked, baseline) if baseline else decided.checked)
    rows = () if interrupted else waiver_rows(policy.waivers, used, names, today)
    gone = compare_files(names, baseline) if baseline else ()
    return CheckReport(
        files,
        found.name,
        __version__,
        (*rows, *gone),
        baseline.name if baseline else "",
        interrupted,
    )


def decide_one(
    netlist: Netlist, found: FoundPolicy, audit_one: AuditOne, today: dt.date
) -> Decided:
    """Audit one netlist; whatever goes wrong with it is a row."""
    given = netlist.path.as_posix()
    try:
        return decide(audit_one(netlist.path), found.policy, netlist.name, today)
    except SolverUnavailableError:
        raise
    except NetcheckError as error:
        return Decided(unanswered(error, netlist.name, given))
    except Exception as error:
        if os.environ.get(TRACEBACK_VARIABLE) == "1":
            raise
        return Decided(broken(error, netlist.name))
