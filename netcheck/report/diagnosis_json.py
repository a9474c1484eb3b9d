"""A diagnosis as JSON, for machines.

Comes in: a `Diagnosis`.  Goes out: one object as text, SI values with their unit
beside, six significant digits, an entry of a list a line.  A number that is not finite
is null: where `infinite` names its key it is without bound (ohms of an open circuit,
`1`; `-1` below all numbers), else there is no figure.  The same diagnosis gives the
same bytes.  The schema is `schema/diagnosis.schema.json` beside this file.
"""

from __future__ import annotations

import math

from netcheck.report.diagnosis_model import (
    CauseLine,
    Diagnosis,
    Explained,
    Foretold,
    GroupLine,
    ProbeLine,
    ReadingLine,
)
from netcheck.report.facts import shown_file
from netcheck.report.json_layout import Json, laid_out, published_schema
from netcheck.report.numbers import number

SCHEMA_VERSION = "1.0"


def render(diagnosis: Diagnosis) -> str:
    """Return the diagnosis as one JSON object."""
    return laid_out(diagnosis_object(diagnosis))


def schema() -> Json:
    """Return the JSON Schema that `render` keeps to."""
    return published_schema("diagnosis")


def diagnosis_object(diagnosis: Diagnosis) -> Json:
    """Return the diagnosis as plain dictionaries and lists, in written order."""
    return {
        "schema_version": SCHEMA_VERSION,
        "circuit": {"file": shown_file(diagnosis.file), "title": diagnosis.title},
        "engine": diagnosis.engine,
        "meter": diagnosis.meter,
        "readings": [_reading(line) for line in diagnosis.readings],
        "evidence": [{"text": one.text, "words": one.words} for one in diagnosis.evidence],
        "causes": [_cause(rank, one) for rank, one in enumerate(diagnosis.causes, 1)],
        "groups": [_group(one) for one in diagnosis.groups],
        "probes": [_probe(one) for one in diagnosis.probes],
        "settled": diagnosis.settled or None,
        "doubtful": list(diagnosis.doubtful),
        "refused": list(diagnosis.refused),
        "unsolved": list(diagnosis.unsolved),
        "cautions": [{"text": one.text, "source": one.source} for one in diagnosis.cautions],
        "assumptions": list(diagnosis.assumptions),
    }


def _numbers(**values: float) -> Json:
    """Return the numbers, and beside them which of them are without bound."""
    infinite = {key: 1 if value > 0 else -1 for key, value in values.items() if math.isinf(value)}
    return {**{key: number(value) for key, value in values.items()}, "infinite": infinite}


def _reading(line: ReadingLine) -> Json:
    return {
        "text": line.text,
        "situation": line.situation,
        "unit": line.unit,
        "net_a": line.net_a or None,
        "net_b": line.net_b or None,
        "part": line.part or None,
        **_numbers(
            value=line.value, nominal=line.nominal, low=line.low, high=line.high, away=line.away
        ),
    }


def _cause(rank: int, cause: CauseLine) -> Json:
    return {
        "rank": rank,
        "id": cause.id,
        "parts": list(cause.parts),
        "kind": cause.kind or None,
        "words": cause.words,
        "probability": number(cause.probability),
        "prior": number(cause.prior),
        "group": cause.group,
        "best_size": cause.defect or None,
        "smallest_size": cause.smallest or None,
        "largest_size": cause.largest or None,
        "explained": [_explained(one) for one in cause.explained],
        "evidence": [number(one) for one in cause.evidence],
        "overheats": list(cause.overheats),
        "next_step": cause.next_step or None,
    }


def _explained(explained: Explained) -> Json:
    return {
        **_numbers(
            expected=explained.expected,
            low=explained.low,
            high=explained.high,
            away=explained.away,
        ),
        "likelihood": number(explained.likelihood),
    }


def _group(group: GroupLine) -> Json:
    return {
        "number": group.number,
        "probability": number(group.probability),
        "causes": list(group.causes),
        "splits": group.splits or None,
    }


def _probe(probe: ProbeLine) -> Json:
    return {
        "id": probe.id,
        "what": probe.what,
        "situation": probe.situation,
        "reading": probe.reading,
        "red": probe.red,
        "black": probe.black,
        "unit": probe.unit,
        "gain_bit": number(probe.gain_bit),
        "effort": number(probe.effort),
        "foretold": [_foretold(one) for one in probe.foretold],
    }


def _foretold(foretold: Foretold) -> Json:
    return {
        "cause": foretold.cause,
        **_numbers(value=foretold.value, low=foretold.low, high=foretold.high),
    }
