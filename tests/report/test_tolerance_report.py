"""The tolerance section: text, JSON by its schema, and exit codes by the rating system."""

from __future__ import annotations

import json

import jsonschema
import pytest
from sample_audit import build, stress

from netcheck.judge.statistics import share_of
from netcheck.judge.toleranced import (
    CASE_OF,
    COMPARISON,
    Influence,
    LimitSpread,
    Toleranced,
    Variable,
    compared_as_published,
)
from netcheck.models.facts import healthy_verdict
from netcheck.report import to_json, to_terminal
from netcheck.report.terminal.tolerance import share_words

MAINS = Variable("mains", "mains", ("VB",), 0.9, 1.1, 0.0, "a standard")
TUBE = Variable("X2 current", "emission", ("X2",), 0.65, 1.35, 0.15, "accounts")


def found(part: str = "X2", system: str = "design_maximum") -> Toleranced:
    spread = LimitSpread(
        part,
        "plate_dissipation_w",
        14.0,
        system,  # type: ignore[arg-type]
        CASE_OF[system],  # type: ignore[index]
        COMPARISON[system],  # type: ignore[index]
        10.4,
        15.4,
        18.2,
        15.4 / 14.0,
        10.5,
        8.1,
        13.2,
        share_of(12, 998, 2),
        (
            Influence("mains", 0.55, 0.97, 0.8),
            Influence("X2 current", 0.6, 0.9, 0.19),
        ),
        0,
    )
    return Toleranced(
        1000,
        1,
        "mains 207 to 253 V (a standard)",
        (MAINS, TUBE),
        (spread,),
        share_of(12, 998, 2),
        ("all independently",),
        ("it did not converge",),
    )


def test_text_tells_shares_corners_causes_and_what_was_not_solved() -> None:
    text = " ".join(to_terminal.render(build(tolerance=found()), width=140).split())

    assert "1000 units drawn (seed 1, 2 not solved): mains 207 to 253 V (a standard)" in text
    assert "X2 plate, 14 W 0.74 0.58-0.94 1.10 1.30" in text
    assert "tolerance 1.10: OVER LIMIT" in text
    assert "mains 80% (0.55 to 0.97), X2 current 19% (0.60 to 0.90)" in text
    assert "Not solved in some units: it did not converge" in text


@pytest.mark.parametrize("width", [60, 80, 140])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    text = to_terminal.render(build(tolerance=found()), width=width)

    assert max(map(len, text.splitlines())) <= width


def test_json_keeps_to_the_schema_and_holds_the_figures() -> None:
    loaded = json.loads(to_json.render(build(tolerance=found())))

    jsonschema.validate(loaded, to_json.schema_of("audit"))
    section = loaded["tolerance"]
    assert section["limits"][0]["judged_ratio"] == 1.1
    assert section["limits"][0]["units_over"]["units"] == 12
    assert section["variables"][0]["sigma"] is None
    assert section["interval"] == "Clopper-Pearson, 95%"


def test_an_audit_without_tolerance_says_nothing_of_it() -> None:
    audit = build()

    assert "over mains, parts and tubes" not in to_terminal.render(audit)
    assert json.loads(to_json.render(audit))["tolerance"] is None


def test_the_healthy_verdict_follows_the_toleranced_circuit() -> None:
    scaled = stress(10.4 / 12.73, limit=14.0, healthy=10.4 / 12.73)
    nominal = build(healthy_stresses=(scaled,), worst_drive=())
    compared = compared_as_published(nominal.healthy_stresses, found().limits)

    assert healthy_verdict(nominal) == "within_limits"
    assert healthy_verdict(build(healthy_stresses=compared, worst_drive=())) == "over_limit"


def test_shares_are_written_with_as_many_digits_as_they_have() -> None:
    assert share_words(share_of(0, 2000)) == "0 % (0 to 0.18 %)"
    assert share_words(share_of(1000, 2000)) == "50 % (48 to 52 %)"
    assert share_words(share_of(0, 0)) == "unknown"
