"""A sweep for machines: JSON and CSV.

Comes in: a `SweepCurve`.  Goes out: one object, or one row a size, condition and tube,
SI units with the unit in the key, six significant digits.  The schema of the object is
`schema/sweep.schema.json` beside this file (JSON Schema 2020-12).
"""

from __future__ import annotations

import csv
import io
import json

from netcheck.circuit.model import natural_key
from netcheck.judge.base import Load
from netcheck.report import facts
from netcheck.report.json_layout import Json, published_schema
from netcheck.report.numbers import number
from netcheck.report.sweep_model import SweepCurve, SweepPoint
from netcheck.report.to_json import stress_object, tipping_object, tube_object
from netcheck.solve.results import NotSolved, Solved

SCHEMA_VERSION = "1.0"
COLUMNS = (
    "plate_dissipation_w screen_dissipation_w plate_v screen_v grid_v cathode_v plate_current_a "
    "screen_current_a grid_current_a"
).split()


def render_json(curve: SweepCurve) -> str:
    """Return the sweep as one JSON object, one line a size."""
    head = json.dumps(_head(curve), indent=1, allow_nan=False)[:-2]
    rows = ",\n  ".join(json.dumps(_point(curve, one), allow_nan=False) for one in curve.points)
    return f'{head},\n "points": [\n  {rows}\n ]\n}}\n'


def schema() -> Json:
    """Return the JSON Schema that `render_json` keeps to."""
    return published_schema("sweep")


def _head(curve: SweepCurve) -> Json:
    fault = curve.fault
    return {
        "schema_version": SCHEMA_VERSION,
        "circuit": {
            "file": facts.shown_file(curve.file),
            "title": facts.title_of(curve.circuit),
        },
        "fault_id": fault.id,
        "parts": list(fault.parts),
        "kind": fault.kind,
        "unit": fault.unit,
        "from": number(fault.from_value),
        "to": number(fault.to_value),
        "logarithmic": fault.logarithmic,
        "conditions": facts.condition_order(curve.conditions),
        "frequency_hz": number(curve.frequency_hz),
        "engine": curve.engine,
        "tipping_points": [tipping_object(point) for point in facts.sorted_tipping(curve.tipping)],
        "assumptions": list(curve.assumptions),
    }


def _point(curve: SweepCurve, point: SweepPoint) -> Json:
    return {
        "size": number(point.size),
        "tips": [f"{tip.victim} {tip.quantity}" for tip in point.tips],
        "conditions": {
            name: _state(point, name) for name in facts.condition_order(curve.conditions)
        },
    }


def _state(point: SweepPoint, name: str) -> Json:
    outcome = point.outcomes[name]
    if isinstance(outcome, NotSolved):
        return {"solved": False, "reason": outcome.reason, "tubes": {}, "stresses": []}
    tubes = sorted(outcome.tubes, key=natural_key)
    return {
        "solved": True,
        "reason": None,
        "tubes": {ref: tube_object(outcome.tubes[ref]) for ref in tubes},
        "stresses": [stress_object(one) for one in _loud(point.stresses.get(name, ()))],
    }


def _loud(stresses: tuple[Load, ...]) -> list[Load]:
    """Return the stresses from the highest ratio down."""
    return sorted(stresses, key=lambda one: (-one.ratio, natural_key(one.part), one.quantity))


def render_csv(curve: SweepCurve) -> str:
    """Return one row a size, condition and tube, with the worst part of the row's state."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    unit = "percent" if curve.fault.unit == "%" else curve.fault.unit.lower()
    lead = ("fault_id", f"size_{unit}", "condition", "tips", "tube")
    writer.writerow([*lead, *COLUMNS, "worst_part", "worst_quantity", "worst_ratio", "not_solved"])
    for point in curve.points:
        for name in facts.condition_order(curve.conditions):
            writer.writerows(_rows(curve, point, name))
    return buffer.getvalue()


def _rows(curve: SweepCurve, point: SweepPoint, name: str) -> list[list[object]]:
    outcome = point.outcomes[name]
    tips = " ".join(f"{tip.victim}:{tip.quantity}" for tip in point.tips)
    lead: list[object] = [curve.fault.id, number(point.size), name, tips]
    if not isinstance(outcome, Solved):
        return [[*lead, "", *("" for _ in COLUMNS), "", "", "", outcome.reason]]
    worst = point.worst(name)
    tail = [worst.part, worst.quantity, number(worst.ratio), ""] if worst else ["", "", "", ""]
    return [
        [*lead, ref, *(number(getattr(state, column)) for column in COLUMNS), *tail]
        for ref, state in sorted(outcome.tubes.items(), key=lambda item: natural_key(item[0]))
    ]
