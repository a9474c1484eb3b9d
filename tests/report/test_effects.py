"""Where faults show, fuses, heat, feedback and pairs: text and JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import jsonschema
from sample_audit import build, circuit, stress

from netcheck.circuit.model import Circuit
from netcheck.judge.fed_back import FeedbackCase, Runaway
from netcheck.judge.paired import Pair, Pairs
from netcheck.models.audit import Audit
from netcheck.report import to_json, to_terminal
from netcheck.solve.results import PartState, Solved

RUNAWAY = Runaway(
    "X2",
    "fixed",
    470e3,
    100e3,
    "a sheet",
    1900.0,
    4.9e-4,
    (3e-6, 2e-6),
    (
        FeedbackCase("X2/grid_emission@1uA", "settles", 0.14, 1.5e-6, 13.2),
        FeedbackCase("X2/grid_emission@5uA", "runs_away", None, 2e-3, 133.0),
    ),
)
PAIR = Pair(
    "C2/leaky@2Mohm",
    "X2/weak@30%",
    "hides",
    "X2",
    "one keeps the other cool",
    "within_limits",
    None,
    stress(2.0, healthy=0.9),
    (),
    "",
    2,
)
PAIRS = Pairs((PAIR, replace(PAIR, kind="causes", second_id="R3/open")), 4950, 120, 100, 40)


def fused() -> Audit:
    """The sample with a fuse that carries little in every state."""
    audit = build()
    note = replace(audit.circuit["R9"].note, fuse_a=0.5)
    parts = dict(audit.circuit.parts) | {"R9": replace(audit.circuit["R9"], note=note)}
    made: Circuit = replace(circuit(), parts=parts)
    low = PartState(0.1, 0.1, 0.1, 0.1, 0.01)

    def loaded(outcome: Any) -> Any:
        if not isinstance(outcome, Solved):
            return outcome
        return replace(outcome, parts={**outcome.parts, "R9": low})

    return replace(
        audit,
        circuit=made,
        healthy={name: loaded(one) for name, one in audit.healthy.items()},
        faults=tuple(
            replace(one, conditions={name: loaded(state) for name, state in one.conditions.items()})
            for one in audit.faults
        ),
    )


def document(audit: Audit) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(to_json.render(audit))
    jsonschema.validate(loaded, to_json.schema_of("audit"))
    return loaded


def test_json_says_where_each_fault_shows_and_how_hot_it_gets() -> None:
    faults = document(build())["faults"]

    assert {"seen", "fuse", "heat"} <= set(faults[0])
    assert all(fault["fuse"] is None for fault in faults)
    assert any(fault["heat"] for fault in faults)


def test_json_of_feedback_and_pairs_keeps_to_the_schema() -> None:
    found = document(build(runaways=(RUNAWAY,), pairs=PAIRS))

    assert found["feedback"][0]["published_limit_ohm"] == 100e3
    assert found["pairs"]["not_tried"] == 4850
    assert found["pairs"]["plausible_not_tried"] == 20
    assert found["pairs"]["pairs"][0]["first_alone"]["ratio"] == 2.0


def test_json_of_fuses_keeps_to_the_schema() -> None:
    found = document(fused())

    assert found["fuses"][0]["opening"] == "holds"
    over = [one for one in found["faults"] if one["verdict"] == "over_limit" and one["heat"]]
    assert over
    assert all(one["fuse"]["quiet_overload"] for one in over)


def test_text_names_the_quiet_overloads_and_a_missing_fuse() -> None:
    assert "The netlist has no fuse" in to_terminal.render(build())
    text = " ".join(to_terminal.render(fused()).split())
    assert "Something cooks quietly" in text
    assert "R9 carries at most 100 mA, 0.20 times its rating" in text


def test_text_of_feedback_and_pairs() -> None:
    text = " ".join(to_terminal.render(build(runaways=(RUNAWAY,), pairs=PAIRS)).split())

    assert "X2/grid_emission@5uA: RUNS AWAY; 2 mA from the grid, plate at 133 W" in text
    assert "100 kohm (fixed bias)" in text
    assert "100 were solved; 4850 were not tried, 20 of them plausible" in text
    assert "C2/leaky@2Mohm (X2 plate 2.00 times its limit alone) is hidden by X2/weak@30%" in text
