"""A comparison for machines: one JSON object, SI units, six significant digits.

Comes in: a `Comparison`.  Goes out: the object as text.  Its schema is
`schema/compare.schema.json` beside this file (JSON Schema 2020-12).
"""

from __future__ import annotations

import json

from netcheck.circuit.model import Part
from netcheck.rank import FaultResult
from netcheck.report import facts
from netcheck.report.comparison import Comparison, over_limit
from netcheck.report.json_layout import Json, published_schema
from netcheck.report.model import Audit
from netcheck.report.numbers import number
from netcheck.report.to_json import stress_object, tipping_object

SCHEMA_VERSION = "1.0"


def render(comparison: Comparison) -> str:
    """Return the comparison as one JSON object."""
    return json.dumps(compare_object(comparison), indent=1, allow_nan=False) + "\n"


def schema() -> Json:
    """Return the JSON Schema that `render` keeps to."""
    return published_schema("compare")


def compare_object(comparison: Comparison) -> Json:
    """Return the comparison as plain dictionaries and lists."""
    return {
        "schema_version": SCHEMA_VERSION,
        "before": _side(comparison.before),
        "after": _side(comparison.after),
        "renamed": {
            after: before for after, before in comparison.before_name.items() if after != before
        },
        "parts": [
            {"what": one.what, "before": _part(one.before), "after": _part(one.after)}
            for one in comparison.parts
        ],
        "loads": [
            {
                "part": one.part,
                "quantity": one.quantity,
                "before": stress_object(one.before) if one.before else None,
                "after": stress_object(one.after) if one.after else None,
            }
            for one in comparison.loads
        ],
        "tipping_points": [
            {
                "fault_id": one.fault_id,
                "better": one.better,
                "before": tipping_object(one.before) if one.before else None,
                "after": tipping_object(one.after) if one.after else None,
            }
            for one in comparison.tipping
        ],
        "faults": [
            {
                "fault_id": one.fault_id,
                "better": one.better,
                "before": _fault(one.before, one.before_place),
                "after": _fault(one.after, one.after_place),
            }
            for one in comparison.faults
        ],
    }


def _side(audit: Audit) -> Json:
    return {
        "file": facts.shown_file(audit.file),
        "title": facts.shown_title(audit),
        "healthy_verdict": facts.healthy_verdict(audit),
        "faults": len(audit.faults),
        "over_limit": over_limit(audit),
        "engine": audit.engine,
    }


def _part(part: Part | None) -> Json | None:
    if part is None:
        return None
    kind = facts.type_name(part) if part.kind == "tube" else ""
    return {
        "ref": part.ref,
        "kind": part.kind,
        "value": number(part.value),
        "type": kind or None,
        "nets": list(part.nets),
    }


def _fault(result: FaultResult | None, place: int) -> Json | None:
    if result is None:
        return None
    worst = result.victims[0] if result.victims else None
    return {
        "id": result.fault.id,
        "place": place,
        "verdict": result.verdict,
        "worst": stress_object(worst) if worst else None,
    }
