"""Against a baseline only what got worse fails."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
import sample_audit
from sample_checks import broken, clean_audit, findings, policy, report_of

from netcheck.errors import NetcheckError
from netcheck.findings import Finding
from netcheck.gate.baseline import compare, compare_files, read_baseline
from netcheck.models.audit import Audit
from netcheck.models.checks import CheckReport
from netcheck.report import to_gate_text, to_json


def against(now: Audit, before: Audit, tmp_path: Path, form: str = "gate") -> CheckReport:
    file = tmp_path / "old.json"
    held = policy("")
    if form == "gate":
        file.write_text(to_json.render(report_of(before, held)))
    else:
        file.write_text(to_json.render(before))
    baseline = read_baseline(file)
    report = report_of(now, held)
    files = tuple(compare(checked, baseline) for checked in report.files)
    gone = compare_files([checked.file for checked in files], baseline)
    return replace(report, files=files, rows=(*report.rows, *gone), baseline=baseline.name)


def failing(report: CheckReport) -> set[str]:
    return {row.id for _, row in report.every_row() if row.outcome in {"fail", "unsolved"}}


FORMS = pytest.mark.parametrize("form", ["gate", "audit"])


@FORMS
def test_the_same_again_fails_nothing(tmp_path: Path, form: str) -> None:
    audit = sample_audit.build(healthy_stresses=(sample_audit.stress(1.3),))
    assert report_of(audit, policy("")).verdict == "fail"

    report = against(audit, audit, tmp_path, form)

    assert report.verdict == "pass"
    assert {row.change for _, row in report.every_row()} <= {"same", "new", ""}
    known = [row.id for _, row in report.every_row() if row.outcome == "known"]
    assert "healthy/idle/X2/plate_dissipation_w" in known


@FORMS
@pytest.mark.parametrize(
    ("before", "now", "worse"),
    [(0.80, 0.81, False), (0.80, 0.83, True), (0.30, 0.40, False), (1.2, 1.1, False),
     (3.5, 3.9, False), (0.9, 3.9, True)],
)  # fmt: skip
def test_a_ratio_that_went_up_fails(
    tmp_path: Path, form: str, before: float, now: float, worse: bool
) -> None:
    old, new = (
        replace(clean_audit(), healthy_stresses=(sample_audit.stress(ratio),))
        for ratio in (before, now)
    )

    report = against(new, old, tmp_path, form)

    assert failing(report) == ({"healthy/idle/X2/plate_dissipation_w"} if worse else set())


@FORMS
@pytest.mark.parametrize(
    ("value", "change", "fails"),
    [(14.5e6, "same", False), (16e6, "worse", True), (10e6, "better", False)],
)
def test_a_tipping_point_that_is_nearer_fails(
    tmp_path: Path, form: str, value: float, change: str, fails: bool
) -> None:
    old = clean_audit()
    points = [
        replace(point, value=value) if point.fault_id == "C2/leaky" else point
        for point in old.tipping_points
    ]

    report = against(replace(old, tipping_points=tuple(points)), old, tmp_path, form)

    row = next(row for _, row in report.every_row() if row.id.startswith("tipping/C2/leaky"))
    assert (row.change, bool(failing(report))) == (change, fails)
    assert "14.2 Mohm" in row.before


@FORMS
def test_a_new_victim_of_a_known_fault_fails(tmp_path: Path, form: str) -> None:
    point = next(p for p in sample_audit.tipping_points() if p.status == "never")
    victim = replace(point, status="found", value=5.0, victim="X2", quantity="plate_dissipation_w")
    old, new = (replace(clean_audit(), tipping_points=(one,)) for one in (point, victim))

    assert failing(against(new, old, tmp_path, form)) == {
        "tipping/L1/shorted_turns/X2/plate_dissipation_w"
    }


@FORMS
def test_a_new_warning_fails_and_a_note_does_not(tmp_path: Path, form: str) -> None:
    old = clean_audit()
    warning, note = Finding("no-load", "warning", "no load"), Finding("x-note", "note", "a note")

    report = against(replace(old, findings=(warning, note)), old, tmp_path, form)

    assert failing(report) == {"wiring/no-load"}


def test_a_graver_verdict_fails_and_what_went_away_is_told(tmp_path: Path) -> None:
    audit = sample_audit.build()
    healed = tuple(one for one in audit.faults if one.fault.id != "C2/leaky@2Mohm")

    report = against(replace(audit, faults=healed), audit, tmp_path)

    assert report.verdict == "pass"
    text = to_gate_text.render(report)
    assert "- gone: small.cir: fault/C2/leaky@2Mohm is in the baseline and not here" in text


def test_worse_is_told_readably(tmp_path: Path) -> None:
    old = clean_audit()
    new = replace(old, healthy_stresses=(sample_audit.stress(1.0),))

    text = to_gate_text.render(against(new, old, tmp_path))

    assert "[worse; before: within limits, 0.87 times the limit]" in " ".join(text.split())
    assert "Since the baseline" in text


def test_other_conditions_cannot_be_compared(tmp_path: Path) -> None:
    new = clean_audit()
    old = replace(new, healthy={"idle": new.healthy["idle"]})

    assert against(new, old, tmp_path).verdict == "unanswered"


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", '{"command": "gate", "files": [{}]}', "1"])
def test_a_file_that_is_no_report_is_an_error(tmp_path: Path, text: str) -> None:
    file = tmp_path / "old.json"
    file.write_text(text)

    with pytest.raises(NetcheckError, match=r"the baseline old\.json is"):
        read_baseline(file)


def test_a_broken_netlist_stays_broken(tmp_path: Path) -> None:
    file = tmp_path / "old.json"
    file.write_text(to_json.render(broken()))
    baseline = read_baseline(file)

    assert compare(broken().files[0], baseline).rows == broken().files[0].rows


def test_json_of_a_report_reads_back_as_its_own_baseline(tmp_path: Path) -> None:
    file = tmp_path / "old.json"
    file.write_text(to_json.render(findings()))

    past = read_baseline(file).files["small.cir"]

    assert set(past.rows) == {row.id for row in findings().files[0].rows}
    assert json.loads(file.read_text())["verdict"] == "fail"
