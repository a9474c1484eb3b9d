"""The JSON report: schema, contract of keys, six digits, same bytes, nothing that is no JSON."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from sample_audit import build, circuit, solved, stress

from netcheck.circuit.model import Circuit
from netcheck.report import to_json
from netcheck.source import Span

GOLDEN = Path(__file__).parent.parent / "golden" / "report" / "audit.json"

CONTRACT = {
    "": "schema_version circuit stages parts healthy faults tipping_points findings assumptions",
    "circuit": "file title",
    "stages.0": "id kind tubes connection bias evidence",
    "parts.0": "ref kind value roles worst",
    "parts.0.roles.0": "role of why confidence",
    "healthy": "conditions worst_drive",
    "healthy.conditions.idle": "solved reason input_v output_w primary_output_w nets tubes",
    "healthy.conditions.overdrive": "solved reason input_v output_w primary_output_w nets tubes",
    "healthy.conditions.idle.tubes.X1": (
        "plate_v screen_v grid_v cathode_v plate_current_a screen_current_a grid_current_a "
        "plate_dissipation_w screen_dissipation_w"
    ),
    "healthy.worst_drive.0": "part quantity input_v value limit ratio",
    "faults.0": "id parts kind defect likelihood verdict worst victims conditions",
    "faults.1.defect": "value unit",
    "faults.0.likelihood": "class value source",
    "faults.0.worst": (
        "part quantity condition value limit ratio healthy_ratio rating_system comparison"
    ),
    "tipping_points.0": (
        "fault_id parts kind victim quantity condition direction value unit status searched"
    ),
    "findings.0": "rule part line column level message",
}


def loaded(**changes: object) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(to_json.render(build(**changes)))
    return document


def test_golden(remake_golden: bool) -> None:
    text = to_json.render(build())
    if remake_golden:
        GOLDEN.write_text(text, encoding="utf-8")

    assert text == GOLDEN.read_text(encoding="utf-8")


@cache
def valid() -> jsonschema.Draft202012Validator:
    """Return the published schema, read once for all documents."""
    return jsonschema.Draft202012Validator(to_json.schema_of("audit"))


def test_document_keeps_to_the_published_schema() -> None:
    schema = to_json.schema_of("audit")
    jsonschema.Draft202012Validator.check_schema(schema)

    valid().validate(loaded())


@pytest.mark.parametrize("place", CONTRACT)
def test_every_key_of_the_contract_is_there_and_required(place: str) -> None:
    document = loaded()
    found: Any = document
    for step in place.split(".") if place else []:
        found = found[int(step)] if step.isdigit() else found[step]

    for key in CONTRACT[place].split():
        kept = found.pop(key)
        with pytest.raises(jsonschema.ValidationError):
            valid().validate(document)
        found[key] = kept


def test_keys_may_be_added_beside() -> None:
    document = loaded()
    document["more"] = document["faults"][0]["more"] = 1

    valid().validate(document)


@pytest.mark.parametrize(
    ("place", "value"),
    [("verdict", "fine"), ("id", "no slash"), ("parts", []), ("likelihood", {"class": "often"})],
)
def test_schema_refuses_wrong_values(place: str, value: object) -> None:
    document = loaded()
    document["faults"][0][place] = value

    with pytest.raises(jsonschema.ValidationError):
        valid().validate(document)


def test_all_five_endings_are_rows_in_the_order_given() -> None:
    audit = build()

    rows = loaded()["faults"]

    assert [row["id"] for row in rows] == [result.fault.id for result in audit.faults]
    assert {row["verdict"] for row in rows} == {
        "over_limit", "not_solved", "not_judged", "at_limit", "within_limits",
    }  # fmt: skip


def test_unsolved_condition_says_why_and_has_every_key() -> None:
    idle = loaded()["faults"][3]["conditions"]["idle"]

    assert idle["solved"] is False
    assert idle["reason"] == "no operating point was found in 5 s"
    assert (idle["nets"], idle["tubes"], idle["output_w"]) == ({}, {}, None)


def test_meter_reading_replaces_the_net_it_loads() -> None:
    idle = loaded()["faults"][1]["conditions"]["idle"]

    assert idle["nets"]["g2"] == pytest.approx(8.9 * 0.955)
    assert idle["nets"]["p1"] == 190.0
    assert idle["meter_loaded"] == ["g2"]


def test_six_significant_digits_everywhere() -> None:
    nets = loaded()["healthy"]["conditions"]["full"]["nets"]

    assert nets["g10"] == 0.333333
    assert loaded()["healthy"]["conditions"]["full"]["primary_output_w"] == 4.21235


def test_nets_are_in_natural_order() -> None:
    text = to_json.render(build())

    assert text.index('"g2":') < text.index('"g10":')


@pytest.mark.parametrize("wild", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_not_finite_is_null(wild: float) -> None:
    document = loaded(
        healthy={"idle": solved("idle", wild)},
        healthy_stresses=(replace(stress(1.0), value=wild),),
    )

    assert document["healthy"]["conditions"]["idle"]["tubes"]["X2"]["plate_current_a"] is None
    valid().validate(document)


def test_order_of_mappings_and_findings_changes_no_byte() -> None:
    audit = build()
    turned = replace(
        audit,
        healthy=dict(reversed(audit.healthy.items())),
        findings=tuple(reversed(audit.findings)),
        worst_of_part=dict(reversed(audit.worst_of_part.items())),
        tipping_points=tuple(reversed(audit.tipping_points)),
    )

    assert to_json.render(turned) == to_json.render(audit)


@pytest.mark.parametrize("name", ["/home/someone/amps/small.cir", r"C:\amps\small.cir"])
def test_no_absolute_path_leaves_the_program(name: str) -> None:
    finding = replace(build().findings[0], span=Span(name, 1, 1, 1, 2))
    text = to_json.render(build(file=name, findings=(finding,), circuit=circuit(f"* {name}")))

    assert json.loads(text)["circuit"] == {"file": "small.cir", "title": "small.cir"}
    assert "amps" not in text


def test_a_relative_path_and_a_title_with_a_slash_stay() -> None:
    document = loaded(file="amps/small.cir", circuit=circuit("6V6GT, 250 V / 45 mA"))

    assert document["circuit"] == {"file": "amps/small.cir", "title": "6V6GT, 250 V / 45 mA"}


def test_worst_fault_stands_beside_each_part() -> None:
    parts = {part["ref"]: part for part in loaded()["parts"]}

    assert parts["X2"]["worst"]["fault_id"] == "C2/shorted"
    assert parts["X2"]["worst"]["ratio"] == 4.2
    assert parts["R9"]["worst"] is None
    assert parts["X2"]["type"] == "6V6GT"


def test_stages_come_in_the_order_of_the_signal() -> None:
    assert [stage["tubes"] for stage in loaded()["stages"]] == [["X1"], ["X2"]]


def test_nothing_found_is_still_a_whole_document() -> None:
    document = loaded(
        circuit=Circuit("", {}),
        healthy_stresses=(), worst_drive=(), faults=(), worst_of_part={}, tipping_points=(),
        findings=(), assumptions=(), not_judged=(), meter_ohm=None,
    )  # fmt: skip

    valid().validate(document)
    assert document["healthy"]["verdict"] == "not_judged"
