"""JSON: the whole audit for machines, as the published schema says.

Comes in: an `Audit`.  Goes out: one object as text, SI units with the unit in the
key, six significant digits.  The same audit gives the same bytes: keys and lists
have a fixed order, there is no clock and no absolute path, text is ASCII with
escapes.  A number that is not finite is written as null, never as NaN.

The schema is `schema/audit.schema.json` beside this file (JSON Schema 2020-12).
Keys may be added; those the schema requires stay.
"""

from __future__ import annotations

from netcheck.circuit.model import Part, natural_key
from netcheck.findings import Finding
from netcheck.judge.base import Load
from netcheck.rank import FaultResult, risk
from netcheck.report import facts
from netcheck.report.effects_json import (
    effects_object,
    healthy_fuses,
    pairs_object,
    runaway_object,
)
from netcheck.report.json_layout import Json, laid_out, published_schema
from netcheck.report.model import SCHEMA_VERSION, Audit
from netcheck.report.numbers import number
from netcheck.report.tolerance_json import tolerance_object
from netcheck.report.view import filters, hidden_faults, shown_faults, shown_tipping
from netcheck.roles.base import Stage
from netcheck.solve.results import NotSolved, Outcome, Stability, TubeState
from netcheck.tipping import TippingPoint, times_what_passes

__all__ = ["audit_object", "number", "render", "schema"]


def render(audit: Audit) -> str:
    """Return the audit as one JSON object, one line to an entry of a list."""
    return laid_out(audit_object(audit))


def schema() -> Json:
    """Return the JSON Schema that `render` keeps to."""
    return published_schema("audit")


def audit_object(audit: Audit) -> Json:
    """Return the audit as plain dictionaries and lists, in written order."""
    roles = audit.roles
    return {
        "schema_version": SCHEMA_VERSION,
        "circuit": {"file": facts.shown_file(audit.file), "title": facts.shown_title(audit)},
        "engine": audit.engine,
        "frequency_hz": number(audit.frequency_hz),
        "meter_ohm": number(audit.meter_ohm or None),
        "stages": [_stage(stage) for stage in audit.roles.stages_in_order],
        "parts": [_part(audit, part) for part in audit.circuit],
        "healthy": _healthy(audit),
        "faults": [_fault(audit, result) for result in shown_faults(audit)],
        "tipping_points": [
            tipping_object(point) for point in facts.sorted_tipping(shown_tipping(audit))
        ],
        "findings": [_finding(finding) for finding in facts.sorted_findings(audit.findings)],
        "assumptions": list(audit.assumptions),
        "unrecognised": sorted(roles.unrecognised, key=natural_key),
        "not_judged": list(audit.not_judged),
        "view": {
            "rank_by": audit.view.rank_by,
            "filters": filters(audit.view),
            "hidden_faults": hidden_faults(audit),
        },
        "tolerance": tolerance_object(audit.tolerance) if audit.tolerance else None,
        "fuses": healthy_fuses(audit),
        "feedback": [runaway_object(found) for found in audit.runaways],
        "pairs": pairs_object(audit.pairs) if audit.pairs else None,
    }


def _stage(stage: Stage) -> Json:
    return {
        "id": stage.id,
        "kind": stage.kind,
        "tubes": list(stage.tubes),
        "connection": stage.connection,
        "bias": stage.bias,
        "evidence": list(stage.evidence),
        "confidence": number(stage.confidence),
        "form": stage.form or None,
        "sides": [list(side) for side in stage.sides] if stage.sides else None,
        "is_output": stage.is_output,
    }


def _part(audit: Audit, part: Part) -> Json:
    worst = audit.worst_of_part.get(part.ref)
    return {
        "ref": part.ref,
        "kind": part.kind,
        "value": number(part.value),
        "roles": [
            {
                "role": role.name,
                "of": role.of,
                "why": role.why,
                "confidence": number(role.confidence),
            }
            for role in audit.roles.of_part(part.ref)
        ],
        "worst": {"fault_id": worst.fault_id, **stress_object(worst.stress)} if worst else None,
        "type": facts.type_name(part) or None,
        "nets": list(part.nets),
    }


def _healthy(audit: Audit) -> Json:
    names = facts.condition_order(audit.healthy)
    return {
        "conditions": {name: _condition(audit.healthy[name]) for name in names},
        "worst_drive": [_worst_drive(drive) for drive in audit.worst_drive],
        "verdict": facts.healthy_verdict(audit),
        "stresses": [stress_object(stress) for stress in audit.healthy_stresses],
    }


def _condition(outcome: Outcome) -> Json:
    base: Json = {"reason": None, "input_v": number(outcome.input_v)}
    if isinstance(outcome, NotSolved):
        base["reason"] = outcome.reason
        nothing: Json = {"output_w": None, "primary_output_w": None, "nets": {}, "tubes": {}}
        return {"solved": False, **base, **nothing, "meter_loaded": []}
    readings = facts.meter_readings(outcome)
    tubes = sorted(outcome.tubes, key=natural_key)
    return {
        "solved": True,
        **base,
        "output_w": number(outcome.output_w),
        "primary_output_w": number(outcome.primary_output_w),
        "nets": {net: number(volts) for net, volts in readings.items()},
        "tubes": {ref: tube_object(outcome.tubes[ref]) for ref in tubes},
        "meter_loaded": sorted(outcome.readings, key=natural_key),
        "frequency_hz": number(outcome.frequency_hz),
        "distortion": number(outcome.distortion),
        "settled_share": number(outcome.settled_share),
        "notes": list(outcome.notes),
        **({"stability": stability_object(outcome.stability)} if outcome.stability else {}),
    }


def stability_object(found: Stability) -> Json:
    """Return whether an operating point holds."""
    return {
        "stable": found.stable,
        "frequency_hz": number(found.frequency_hz),
        "growth_per_s": number(found.growth_per_s),
        "trusted": found.trusted,
        "kind": found.kind,
        "reason": found.reason or None,
        "is_cycle": found.is_cycle,
    }


def tube_object(state: TubeState) -> Json:
    """Return the state of one tube."""
    return {
        "plate_v": number(state.plate_v),
        "screen_v": number(state.screen_v),
        "grid_v": number(state.grid_v),
        "cathode_v": number(state.cathode_v),
        "plate_current_a": number(state.plate_current_a),
        "screen_current_a": number(state.screen_current_a),
        "grid_current_a": number(state.grid_current_a),
        "plate_dissipation_w": number(state.plate_dissipation_w),
        "screen_dissipation_w": number(state.screen_dissipation_w),
        "cathode_current_a": number(state.cathode_current_a),
        "plate_peak_v": number(state.plate_peak_v),
        "cathode_peak_current_a": number(state.cathode_peak_current_a),
    }


def _worst_drive(drive: Load) -> Json:
    return {
        "part": drive.part,
        "quantity": drive.quantity,
        "input_v": number(drive.input_v),
        "value": number(drive.value),
        "limit": number(drive.limit),
        "ratio": number(drive.ratio),
    }


def stress_object(stress: Load) -> Json:
    """Return one judged quantity."""
    return {
        "part": stress.part,
        "quantity": stress.quantity,
        "condition": stress.condition,
        "value": number(stress.value),
        "limit": number(stress.limit),
        "ratio": number(stress.ratio),
        "healthy_ratio": number(stress.healthy_ratio),
        "rating_system": stress.rating_system,
        "comparison": stress.comparison,
    }


def _fault(audit: Audit, result: FaultResult) -> Json:
    fault = result.fault
    names = facts.condition_order(result.conditions)
    verdicts = result.condition_verdicts
    return {
        "id": fault.id,
        "parts": list(fault.parts),
        "kind": fault.kind,
        "defect": (
            {"value": number(fault.defect.value), "unit": fault.defect.unit}
            if fault.defect
            else None
        ),
        "likelihood": {
            "class": fault.likelihood.level,
            "value": number(fault.likelihood.value),
            "source": fault.likelihood.source,
        },
        "verdict": result.verdict,
        "worst": stress_object(result.worst) if result.worst else None,
        "victims": [stress_object(stress) for stress in result.victims],
        "conditions": {name: _condition(result.conditions[name]) for name in names},
        "condition_verdicts": {name: verdicts[name] for name in facts.condition_order(verdicts)},
        "gross": result.gross,
        "risk": number(risk(result)),
        "unjudged": sorted(result.unjudged, key=natural_key),
        "summary": fault.summary,
        "next_measurement": fault.next_measurement,
        **effects_object(audit.circuit, result),
    }


def tipping_object(point: TippingPoint) -> Json:
    """Return how small a defect is enough for one victim."""
    return {
        "fault_id": point.fault_id,
        "parts": list(point.parts),
        "kind": point.kind,
        "victim": point.victim,
        "quantity": point.quantity,
        "condition": point.condition,
        "direction": point.direction,
        "value": number(point.value),
        "unit": point.unit,
        "status": point.status,
        "times_what_passes": number(times_what_passes(point)),
        "searched": [number(point.searched[0]), number(point.searched[1])],
    }


def _finding(finding: Finding) -> Json:
    span = finding.span
    return {
        "rule": finding.rule,
        "part": finding.part or None,
        "line": span.line if span else None,
        "column": span.column if span else None,
        "level": finding.level,
        "message": finding.message,
        "file": facts.shown_file(span.file) if span else None,
        **({"hint": finding.hint} if finding.hint else {}),
    }
