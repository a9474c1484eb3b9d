"""Orders and filters of the faults: rows are hidden, never lost, and it is said."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from sample_audit import build, circuit, leak, result, roles, solved, stress

from netcheck.errors import NetcheckError
from netcheck.judge.base import GROSS_RATIO
from netcheck.models.view import check_view, hidden_faults, shown_faults, shown_tipping
from netcheck.rank import View, rank_faults, reorder, risk
from netcheck.report import to_json, to_terminal

OVERLOADS = (
    result(leak(2e6, "2Mohm"), "over_limit", solved("idle", 24.0), stress(2.0)),
    result(
        replace(leak(5e6, "5Mohm"), id="C3/leaky@5Mohm", parts=("C3",)),
        "over_limit",
        solved("idle", 15.0),
        stress(1.3),
    ),
)


def ids(audit: object) -> list[str]:
    return [one.fault.id for one in shown_faults(audit)]  # type: ignore[arg-type]


def test_risk_counts_a_ratio_no_further_than_gross() -> None:
    twice, more = (
        result(leak(2e6, "2Mohm"), "over_limit", solved("idle", 24.0), stress(ratio))
        for ratio in (2.0, 9.0)
    )

    weight = twice.fault.likelihood.value
    assert risk(twice) == pytest.approx(2.0 * weight)
    assert risk(more) == pytest.approx(GROSS_RATIO * weight)


def test_likelihood_times_severity_puts_a_common_small_one_before_a_rare_large_one() -> None:
    rare = replace(OVERLOADS[0].fault.likelihood, level="rare", value=0.01)
    large = replace(OVERLOADS[0], fault=replace(OVERLOADS[0].fault, likelihood=rare))
    ranked = rank_faults((large, OVERLOADS[1]))

    assert [one.fault.id for one in ranked] == ["C2/leaky@2Mohm", "C3/leaky@5Mohm"]
    by_risk = reorder(ranked, "risk", {})
    assert [one.fault.id for one in by_risk] == ["C3/leaky@5Mohm", "C2/leaky@2Mohm"]


def test_smallest_sufficient_defect_first_and_those_without_a_size_last() -> None:
    ranked = rank_faults(OVERLOADS)
    small = {(("C3",), "leaky"): 0.5}

    assert [one.fault.id for one in reorder(ranked, "smallest_defect", small)] == [
        "C3/leaky@5Mohm",
        "C2/leaky@2Mohm",
    ]


def test_no_filter_shows_all() -> None:
    audit = build()

    assert ids(audit) == [one.fault.id for one in audit.faults]
    assert hidden_faults(audit) == 0


@pytest.mark.parametrize(
    ("view", "kept"),
    [
        (View(part="c2"), {"C2/shorted", "C2/leaky@2Mohm", "C2/leaky@500Mohm"}),
        (View(kind="leaky"), {"C2/leaky@2Mohm", "C2/leaky@500Mohm"}),
        (View(part="C2", kind="shorted"), {"C2/shorted"}),
    ],
)
def test_filters(view: View, kept: set[str]) -> None:
    audit = build(view=view)

    assert set(ids(audit)) == kept
    assert hidden_faults(audit) == len(audit.faults) - len(kept)
    assert all(
        view.part.casefold() in ("", *map(str.casefold, point.parts))
        for point in shown_tipping(audit)
    )


def test_a_stage_is_its_tubes_its_parts_and_whom_they_harm() -> None:
    everything = set(ids(build()))
    kept = set(ids(build(view=View(stage="X2"))))

    assert kept
    assert kept < everything
    assert kept == set(ids(build(view=View(stage="single_ended(X2)"))))


def test_a_report_says_how_many_rows_are_hidden_and_counts_all_in_its_verdict() -> None:
    whole, part = build(), build(view=View(part="C2"))
    text = to_terminal.render(part)

    hidden = len(whole.faults) - 3
    assert f"Only part C2: {hidden} rows of {len(whole.faults)} hidden." in text
    verdict = next(line for line in text.splitlines() if line.startswith("Verdict"))
    assert verdict in to_terminal.render(whole)
    view = json.loads(to_json.render(part))["view"]
    assert view == {"rank_by": "severity", "filters": {"part": "C2"}, "hidden_faults": hidden}


@pytest.mark.parametrize(
    ("view", "message"),
    [
        (View(part="C22"), "--part C22: there is no such part"),
        (View(stage="X7"), "--stage X7: there is no such stage"),
        (View(kind="leeky"), "did you mean leaky?"),
        (View(condition="hot"), "there are: cold_start"),
    ],
)
def test_a_filter_that_nothing_answers_to_is_an_error(view: View, message: str) -> None:
    faults = [one.fault for one in build().faults]

    with pytest.raises(NetcheckError) as caught:
        check_view(view, circuit(), roles(), faults)

    assert message in str(caught.value)
