"""Reports of the gate made from the hand-built audit: findings, a clean one, a broken one."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import sample_audit

from netcheck.errors import ManyErrors, NetlistError, NetlistSyntaxError
from netcheck.gate.decide import decide, unanswered, waiver_rows
from netcheck.gate.policy import Policy, parse_policy
from netcheck.models.audit import Audit
from netcheck.models.checks import CheckedFile, CheckReport
from netcheck.source import Span

TODAY = dt.date(2030, 6, 1)
VERSION = "9.9"
POLICY = """
[[faults]]
name = "common faults"
likelihood = ["common"]
victims = "tubes"
max_ratio = "120%"

[wiring.codes]
dangling-net = "error"

[[waivers]]
part = "R3"
fault = "R3/wrong_value*"
reason = "the kit ships this resistor measured"
expires = 2030-12-31

[[waivers]]
fault = "C9/*"
reason = "a part of an earlier version"
expires = 2030-12-31
"""
HOSTILE = "e\x1b[31m|<b>\"&'`x`[l](u)@all\n::error::,100%=\x00"


def policy(text: str = POLICY) -> Policy:
    """Return a policy from the text of a netcheck.toml."""
    return parse_policy(text)


def report_of(audit: Audit, held: Policy) -> CheckReport:
    """Return the report of one audit."""
    decided = decide(audit, held, audit.file, TODAY)
    rows = waiver_rows(held.waivers, decided.waivers_used, [audit.file], TODAY)
    return CheckReport((decided.checked,), "netcheck.toml", VERSION, rows)


def findings() -> CheckReport:
    """Return a report in which most outcomes occur."""
    return report_of(sample_audit.build(), policy())


def clean_audit() -> Audit:
    """Return an audit with nothing to say against it."""
    audit = sample_audit.build(findings=(), healthy_stresses=(sample_audit.stress(0.8667),))
    healthy = {name: audit.healthy[name] for name in ("idle", "full")}
    harmless = tuple(one for one in audit.faults if one.verdict == "within_limits")
    points = tuple(one for one in audit.tipping_points if one.status == "found")
    return replace(audit, healthy=healthy, faults=harmless, tipping_points=points, not_judged=())


def clean() -> CheckReport:
    """Return a report in which everything passes."""
    return report_of(clean_audit(), policy(""))


def broken_file() -> CheckedFile:
    """Return the rows of a netlist with two mistakes."""
    name = "broken.cir"
    span = Span(name, 4, 8, 4, 13)
    first = NetlistSyntaxError("`fnord` is not a value", span=span, hint="write a number")
    return unanswered(ManyErrors([first, NetlistError("there is no ground")]), name, name)


def broken() -> CheckReport:
    """Return a report of a netlist that cannot be read."""
    return CheckReport((broken_file(),), "default policy", VERSION)


def hostile() -> CheckReport:
    """Return a report in which every text that can come from a netlist is hostile."""
    report = findings()
    rows = tuple(
        replace(
            row,
            message=HOSTILE,
            subject=HOSTILE,
            hint=HOSTILE,
            because=HOSTILE,
            before=HOSTILE,
            change="worse",
            id=f"fault/{number}{HOSTILE}",
            parts=(HOSTILE,),
            span=Span(HOSTILE, 1, 1, 1, 2),
        )
        for number, row in enumerate(report.files[0].rows)
    )
    file = replace(report.files[0], file=HOSTILE, title=HOSTILE, rows=rows)
    return replace(report, files=(file,), rows=(), policy=HOSTILE, baseline=HOSTILE)


REPORTS = {"findings": findings, "clean": clean, "broken": broken}
