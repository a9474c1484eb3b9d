"""Rows and the rules that decide them."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import sample_audit
from sample_checks import TODAY, clean_audit, policy, report_of

from netcheck import pipeline
from netcheck.gate.decide import audit_report, decide
from netcheck.judge.statistics import Share
from netcheck.judge.toleranced import CASE_OF, COMPARISON, LimitSpread, Toleranced
from netcheck.models.audit import NOT_ASKED, Audit, Undriven
from netcheck.models.checks import CheckRow
from netcheck.report.progress import SilentProgress
from netcheck.solve.results import NotSolved
from netcheck.tipping import TippingPoint

PENTODE = """one output tube
VB bp 0 250
VIN in 0 0 ;! input
C1 in g 100n ;! volts=400V
R1 g 0 470k
X1 p bp g k 6V6GT
R2 k 0 270 ;! power=2W
C2 k 0 25u ;! volts=50V
L1 bp p 12
L2 s 0 19m
K1 L1 L2 0.999
R3 s 0 8 ;! speaker
"""


def rows_of(audit: Audit, text: str = "", today: dt.date = TODAY) -> dict[str, CheckRow]:
    return {row.id: row for row in decide(audit, policy(text), "small.cir", today).checked.rows}


def leaky(value: float | None, status: Any = "found", direction: Any = "below") -> TippingPoint:
    point = sample_audit.tipping_points()[2]
    return replace(point, value=value, status=status, direction=direction)


def test_as_many_fault_rows_as_faults() -> None:
    audit = sample_audit.build()

    assert [f"fault/{one.fault.id}" for one in audit.faults] == [
        name for name in rows_of(audit) if name.startswith("fault/")
    ]


@pytest.mark.parametrize(
    ("ratio", "limit", "outcome"),
    [(1.04, "105%", "warn"), (1.06, "105%", "fail"), (0.94, "105%", "pass"),
     (0.81, "80%", "fail"), (5.0, "any", "pass")],
)  # fmt: skip
def test_healthy_loads_are_held_to_their_share(ratio: float, limit: str, outcome: str) -> None:
    audit = replace(clean_audit(), healthy_stresses=(sample_audit.stress(ratio),))

    row = rows_of(audit, f'[limits]\nidle = "{limit}"')["healthy/idle/X2/plate_dissipation_w"]

    assert row.outcome == outcome


def test_kinds_of_condition_have_their_own_limits() -> None:
    names = ("idle", "cold_start", "full", "overdrive")
    stresses = tuple(sample_audit.stress(1.2, condition=name) for name in names)
    audit = replace(clean_audit(), healthy_stresses=stresses)
    rows = rows_of(audit, '[limits]\nidle="130%"\ncold_start="any"')

    outcomes = {
        group: rows[f"healthy/{group}/X2/plate_dissipation_w"].outcome
        for group in ("idle", "cold_start", "driven", "overdrive")
    }

    assert outcomes == {
        "idle": "warn", "cold_start": "pass", "driven": "fail", "overdrive": "pass",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("point", "outcome"),
    [
        (leaky(21e6), "fail"),
        (leaky(19e6), "pass"),
        (leaky(None, "already_over"), "fail"),
        (leaky(None, "not_solved"), "warn"),
        (replace(leaky(None, "never"), victim="", quantity=""), "pass"),
        (leaky(19e6, direction="above"), "fail"),
        (leaky(21e6, direction="above"), "pass"),
    ],
)
def test_a_small_defect_must_do_no_harm(point: TippingPoint, outcome: str) -> None:
    rows = rows_of(replace(clean_audit(), tipping_points=(point,)))

    found = [row for name, row in rows.items() if name.startswith("tipping/C2")]

    assert [row.outcome for row in found] == [outcome]
    assert "20 Mohm" in found[0].because


def test_a_tipping_rule_keeps_to_role_victims_and_unit() -> None:
    audit = replace(clean_audit(), tipping_points=(leaky(1e9),))
    rule = '[[tipping]]\nname="r"\nharmless_to="{}"\nrole=["{}"]\nvictims="{}"'

    def outcomes(*words: str) -> list[str]:
        rows = rows_of(audit, rule.format(*words))
        return [
            row.rule
            for name, row in rows.items()
            if name == "tipping/C2/leaky/X2/plate_dissipation_w"
        ]

    assert outcomes("1Mohm", "coupling_*", "tubes") == ["tipping: r"]
    assert outcomes("1Mohm", "grid_leak", "tubes") == ["no rule"]
    assert outcomes("5%", "coupling_*", "tubes") == ["no rule"]


@pytest.mark.parametrize(
    ("rule", "outcome"),
    [
        ('likelihood=["common"]\nmax_ratio="200%"', "fail"),
        ('likelihood=["common"]\nmax_ratio="220%"', "pass"),
        ('likelihood=["rare"]\nmax_ratio="10%"', "pass"),
        ('kind=["leak*"]\nmax_ratio="200%"\nlevel="warning"', "warn"),
        ('part=["c*"]\nmax_ratio="200%"', "fail"),
        ('part=["R*"]\nmax_ratio="10%"', "pass"),
        ('max_ratio="200%"\nquantities=["screen*"]', "pass"),
    ],
)
def test_the_first_rule_that_fits_a_fault_decides(rule: str, outcome: str) -> None:
    text = f'[[faults]]\nname="first"\n{rule}\n[[faults]]\nname="second"\nmax_ratio="any"\n'

    row = rows_of(sample_audit.build(), text)["fault/C2/leaky@2Mohm"]

    assert row.outcome == outcome


@pytest.mark.parametrize(("level", "outcome"), [("error", "unsolved"), ("note", "note")])
def test_what_is_not_known_counts_as_the_policy_says(level: str, outcome: str) -> None:
    rows = rows_of(sample_audit.build(), f'not_solved="{level}"\nnot_judged="{level}"')

    assert rows["fault/R2/open"].outcome == outcome
    assert rows["fault/L1/shorted_turns@0.5%"].outcome == outcome


def test_full_drive_that_is_not_solved_is_no_answer() -> None:
    audit = clean_audit()
    healthy = {**audit.healthy, "full": NotSolved("full", "did not settle", 4.5)}

    assert report_of(replace(audit, healthy=healthy), policy("")).verdict == "unanswered"


def test_toleranced_is_never_silently_content() -> None:
    asked = rows_of(clean_audit(), 'conditions = ["idle", "toleranced"]')["tolerance"]

    assert (asked.outcome, rows_of(clean_audit())["tolerance"].outcome) == ("warn", "note")


def spread(judged: float | None) -> LimitSpread:
    system = "design_maximum"
    return LimitSpread(
        part="X2",
        quantity="plate_dissipation_w",
        limit=12.0,
        rating_system=system,
        case=CASE_OF[system],
        comparison=COMPARISON[system],
        nominal=10.0,
        toleranced=None if judged is None else judged * 12.0,
        worst_case=None,
        judged=judged,
        mean=10.0,
        low=9.0,
        high=11.0,
        exceeding=Share(3, 100, 0, 0.006, 0.085),
        influences=(),
        rank_class=0,
    )


@pytest.mark.parametrize(
    ("judged", "outcome", "said"),
    [
        (0.97, "pass", "at tolerance X2 plate at 0.97 times its limit of 12 W"),
        (1.04, "fail", "3 % of drawn units exceed it"),
        (None, "warn", "the worst corner was not solved"),
    ],
)
def test_loads_at_tolerance_are_held_to_the_policy(
    judged: float | None, outcome: str, said: str
) -> None:
    drawn = Toleranced(100, 1, "230 V", (), (spread(judged),), Share(3, 100, 0, 0.006, 0.085), ())
    audit = replace(clean_audit(), tolerance=drawn)

    row = rows_of(audit, 'conditions = ["idle", "toleranced"]')["tolerance/X2/plate_dissipation_w"]

    assert row.outcome == outcome
    assert said in row.message


def test_warnings_fail_where_the_policy_says_so() -> None:
    audit = sample_audit.build(faults=(), tipping_points=())

    assert report_of(audit, policy("")).verdict == "pass"
    assert report_of(audit, policy("warnings_fail = true")).verdict == "fail"


WAIVER = """
[[faults]]
name = "all"
max_ratio = "105%"
[[waivers]]
{}
reason = "measured on the bench"
expires = {}
"""


@pytest.mark.parametrize(
    ("target", "waived"),
    [
        ('fault = "C2/*"', {"fault/C2/shorted", "fault/C2/leaky@2Mohm"}),
        ('fault = "c2/LEAKY@2mohm"', {"fault/C2/leaky@2Mohm"}),
        ('part = "C2"', {"fault/C2/shorted", "fault/C2/leaky@2Mohm"}),
        ('part = "C2"\nfile = "other.cir"', set()),
        ('part = "R9"\nwiring = "dangling-net"', {"wiring/dangling-net/R9"}),
    ],
)
def test_a_waiver_waives_what_it_names(target: str, waived: set[str]) -> None:
    rows = rows_of(sample_audit.build(), WAIVER.format(target, "2030-06-01"))

    assert {name for name, row in rows.items() if row.outcome == "waived"} == waived


def test_an_expired_waiver_waives_nothing_and_is_reported() -> None:
    held = policy(WAIVER.format('fault = "C2/*"', "2030-05-31"))
    report = report_of(sample_audit.build(), held)
    row = next(row for _, row in report.every_row() if row.id == "fault/C2/shorted")

    assert row.outcome == "fail"
    assert "expired on 2030-05-31" in row.because
    assert [one.verdict for one in report.rows] == ["expired"]


def test_an_unused_waiver_is_reported_unless_its_file_was_not_looked_at() -> None:
    unused = policy(WAIVER.format('fault = "C9/*"', "2031-01-01"))
    elsewhere = policy(WAIVER.format('fault = "C9/*"\nfile = "b.cir"', "2031-01-01"))

    assert [one.verdict for one in report_of(sample_audit.build(), unused).rows] == ["unused"]
    assert report_of(sample_audit.build(), elsewhere).rows == ()


def test_an_audit_without_a_policy_speaks_by_its_verdicts() -> None:
    report = audit_report(sample_audit.build())
    outcomes = {row.subject: row.outcome for _, row in report.every_row() if row.family == "fault"}

    assert list(outcomes.values()) == [
        "fail", "fail", "fail", "unsolved", "warn", "warn", "pass",
    ]  # fmt: skip
    assert report.command == "audit"


def test_an_audit_that_was_not_to_drive_misses_no_drive() -> None:
    driven = sample_audit.build()
    idle = {name: one for name, one in driven.healthy.items() if name != "full"}

    def missing(undriven: Undriven) -> list[CheckRow]:
        report = audit_report(replace(driven, healthy=idle, undriven=undriven))
        return [row for _, row in report.every_row() if row.id == "healthy/driven"]

    (row,) = missing(Undriven("nothing marks the input"))
    assert row.message == "not driven: nothing marks the input"
    assert row.outcome == "unsolved"
    assert not missing(NOT_ASKED)


def test_a_rule_that_leaves_overdrive_out_judges_the_other_conditions_alone(
    tmp_path: Path,
) -> None:
    file = tmp_path / "pentode.cir"
    file.write_text(PENTODE)
    audit = pipeline.audit(file, pipeline.Settings(idle_only=True, jobs=1), SilentProgress())
    fault = next(one for one in audit.faults if one.verdict == "over_limit" and one.worst)
    assert fault.worst is not None
    other = "cold_start" if fault.worst.condition == "idle" else "idle"
    rule = '[[faults]]\nname="r"\nmax_ratio="105%"\nconditions=["{}"]'

    with_it = rows_of(audit, rule.format(fault.worst.condition))[f"fault/{fault.fault.id}"]
    without = rows_of(audit, rule.format(other))[f"fault/{fault.fault.id}"]

    assert (with_it.outcome, without.outcome) == ("fail", "pass")
