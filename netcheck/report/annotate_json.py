"""The annotated circuit for machines: one JSON object.

Comes in: an annotated circuit.  Goes out: groups in the order of the text report, each
with its parts, their roles with reason and confidence, and idle values in SI units to
six significant digits; unknown parts with what is beside them; findings.  The same
circuit and engine give the same bytes.
"""

from __future__ import annotations

import json
from typing import Any

from netcheck.findings import Finding
from netcheck.report import facts
from netcheck.report.annotation import AnnotatedCircuit, groups_of, load_of, neighbors
from netcheck.report.to_json import number
from netcheck.roles.base import Role, Stage
from netcheck.solve.results import NotSolved, Solved

Json = dict[str, Any]
SCHEMA_VERSION = "1.0"


def render(annotated: AnnotatedCircuit) -> str:
    """Return the annotated circuit as one JSON object."""
    return json.dumps(annotated_object(annotated), indent=1, allow_nan=False) + "\n"


def annotated_object(annotated: AnnotatedCircuit) -> Json:
    """Return the annotated circuit as plain dictionaries and lists."""
    roles, circuit, idle = annotated.roles, annotated.circuit, annotated.idle
    return {
        "schema_version": SCHEMA_VERSION,
        "circuit": {"file": facts.shown_file(annotated.file), "title": facts.title_of(circuit)},
        "engine": annotated.engine,
        "not_solved": idle.reason if isinstance(idle, NotSolved) else None,
        "groups": [
            {
                "title": group.title,
                "stage": _stage(group.stage) if group.stage else None,
                "parts": [_part(annotated, ref) for ref in group.parts],
            }
            for group in groups_of(annotated)
        ],
        "unknown": [
            {**_part(annotated, ref), "beside": list(neighbors(circuit, roles, ref))}
            for ref in roles.unrecognised
        ],
        "findings": [_finding(each) for each in facts.sorted_findings(annotated.findings)],
    }


def _stage(stage: Stage) -> Json:
    return {
        "id": stage.id,
        "kind": stage.kind,
        "form": stage.form or None,
        "tubes": list(stage.tubes),
        "connection": stage.connection,
        "bias": stage.bias,
        "confidence": number(stage.confidence),
        "evidence": list(stage.evidence),
        "alternatives": [
            {
                "kind": other.kind,
                "form": other.form or None,
                "confidence": number(other.confidence),
                "why": other.why,
            }
            for other in stage.alternatives
        ],
    }


def _part(annotated: AnnotatedCircuit, ref: str) -> Json:
    part, load = annotated.circuit[ref], load_of(annotated, ref)
    fields: Json = {
        "ref": ref,
        "kind": part.kind,
        "type": facts.type_name(part) or None if part.kind == "tube" else None,
        "value": number(part.value),
        "nets": list(part.nets),
        "roles": [_role(role) for role in annotated.roles.of_part(ref)],
        "idle": {
            "voltage_v": number(load.volts),
            "current_a": number(load.ampere),
            "power_w": number(load.watts),
            "share_of_limit": number(load.share),
            "quantity": load.quantity or None,
            "assumed_limit": load.assumed,
        },
    }
    if isinstance(annotated.idle, Solved) and ref in annotated.idle.tubes:
        state = annotated.idle.tubes[ref]
        names = ("plate_v", "screen_v", "grid_v", "cathode_v", "plate_current_a",
                 "screen_current_a", "grid_current_a", "plate_dissipation_w",
                 "screen_dissipation_w")  # fmt: skip
        fields["tube"] = {name: number(getattr(state, name)) for name in names}
    return fields


def _role(role: Role) -> Json:
    return {
        "role": role.name,
        "of": role.of,
        "why": role.why,
        "confidence": number(role.confidence),
        "source_net": role.source_net or None,
        "feeds": role.feeds or None,
    }


def _finding(finding: Finding) -> Json:
    span = finding.span
    return {
        "rule": finding.rule,
        "level": finding.level,
        "message": finding.message,
        "hint": finding.hint or None,
        "part": finding.part or None,
        "file": facts.shown_file(span.file) if span else None,
        "line": span.line if span else None,
    }
