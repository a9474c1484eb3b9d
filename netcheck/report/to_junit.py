"""JUnit XML: a test case for every fault tried, and for every other check.

Comes in: a `CheckReport`.  Goes out: one suite a netlist.  From the gate, a case is red
exactly where the exit code says so: `failure` for what the policy fails, `error` for
what failed because it was not solved or has no answer; warnings and waived, known and
unsolved rows are `skipped` with the reason; the rest passes, with the verdict of the
circuit in `system-out`.  From an audit, which has no policy, an overload is a
`failure`, what was not solved an `error`, what was not judged `skipped`.  There is no
clock, so cases have no time.

The dialect is the one that common CI servers read; its schema is
`schema/junit.xsd` beside this file.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources
from xml.etree import ElementTree

from netcheck.conditions import OCCASION_WORDS
from netcheck.models.checks import OUTCOME_WORDS, CheckReport, CheckRow
from netcheck.report.escapes import xml

_ELEMENTS = {
    "unanswered": "error",
    "unsolved": "error",
    "fail": "failure",
    "warn": "skipped",
    "waived": "skipped",
    "known": "skipped",
}
_COUNTED = (("failures", "failure"), ("errors", "error"), ("skipped", "skipped"))


def render(report: CheckReport) -> str:
    """Return the XML document."""
    top = ElementTree.Element("testsuites", name=f"netcheck {report.command}")
    suites = [(checked.file, checked.rows) for checked in report.files]
    if report.rows:
        suites.append(("policy", report.rows))
    for name, rows in suites:
        top.append(_suite(name, rows))
    _count(top, list(top))
    ElementTree.indent(top, " ")
    body = ElementTree.tostring(top, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'


def schema() -> str:
    """Return the XML Schema that `render` keeps to."""
    folder = resources.files("netcheck.report") / "schema"
    return (folder / "junit.xsd").read_text(encoding="utf-8")


def _suite(name: str, rows: Sequence[CheckRow]) -> ElementTree.Element:
    suite = ElementTree.Element("testsuite", name=xml(name))
    for row in rows:
        suite.append(_case(name, row))
    suite.set("tests", str(len(rows)))
    for attribute, tag in _COUNTED:
        suite.set(attribute, str(len(suite.findall(f"testcase/{tag}"))))
    return suite


def _count(top: ElementTree.Element, suites: Sequence[ElementTree.Element]) -> None:
    for attribute in ("tests", *(name for name, _ in _COUNTED)):
        top.set(attribute, str(sum(int(suite.get(attribute, "0")) for suite in suites)))


def _case(file: str, row: CheckRow) -> ElementTree.Element:
    case = ElementTree.Element("testcase", name=xml(row.id), classname=xml(f"{file}:{row.family}"))
    if row.span:
        case.set("file", xml(row.span.file))
        case.set("line", str(row.span.line))
    tag = _ELEMENTS.get(row.outcome)
    if tag is None:
        words = row.verdict.replace("_", " ") or OUTCOME_WORDS[row.outcome]
        ElementTree.SubElement(case, "system-out").text = xml(f"{words}: {row.message}")
        return case
    result = ElementTree.SubElement(case, tag, message=xml(row.message))
    if tag != "skipped":
        result.set("type", xml(row.verdict or row.outcome))
    details = [f"{OUTCOME_WORDS[row.outcome]} by {row.rule}", row.because, row.hint]
    details.append(OCCASION_WORDS[row.made_by] if row.made_by else "")
    details.append(f"before: {row.before}" if row.before else "")
    result.text = xml("\n".join(line for line in details if line))
    return case
