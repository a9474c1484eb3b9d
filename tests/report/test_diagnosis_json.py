"""The JSON of a diagnosis: schema, types, what is infinite and what has no figure."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import jsonschema
import pytest
from sample_diagnosis import HOSTILE, INF, NOTHING_READ, READINGS, SAMPLE, hostile, many

from netcheck.models.diagnosis import Diagnosis
from netcheck.report import to_json

WRONG: dict[str, Any] = {"wrong": ["type"]}
Path = tuple[str | int, ...]


def loaded(diagnosis: Diagnosis = SAMPLE) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(to_json.render(diagnosis))
    return document


def validator() -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(to_json.schema_of("diagnosis"))


def leaves(value: Any, path: Path = ()) -> Iterator[Path]:
    """Yield the path of everything that holds nothing else."""
    pairs = value.items() if isinstance(value, dict) else enumerate(value)
    for key, inner in pairs:
        if isinstance(inner, dict | list) and inner:
            yield from leaves(inner, (*path, key))
        else:
            yield (*path, key)


def objects(value: Any, path: Path = ()) -> Iterator[Path]:
    """Yield the path of every object."""
    if isinstance(value, dict):
        yield path
    pairs = value.items() if isinstance(value, dict) else enumerate(value)
    for key, inner in pairs:
        if isinstance(inner, dict | list):
            yield from objects(inner, (*path, key))


def at(document: Any, path: Path) -> Any:
    for key in path:
        document = document[key]
    return document


@pytest.mark.parametrize("diagnosis", [SAMPLE, NOTHING_READ, many(), hostile()])
def test_document_keeps_to_the_published_schema(diagnosis: Diagnosis) -> None:
    jsonschema.Draft202012Validator.check_schema(to_json.schema_of("diagnosis"))

    validator().validate(loaded(diagnosis))


def test_changing_the_type_of_any_value_breaks_the_schema() -> None:
    document, check = loaded(), validator()
    paths = list(leaves(document))
    passed = []
    for path in paths:
        changed = copy.deepcopy(document)
        at(changed, path[:-1])[path[-1]] = WRONG
        if check.is_valid(changed):
            passed.append(path)

    assert len(paths) > 200
    assert passed == []


def test_every_key_is_required() -> None:
    document, check = loaded(), validator()
    passed = []
    for path in objects(document):
        if path and path[-1] == "infinite":
            continue
        for key in at(document, path):
            changed = copy.deepcopy(document)
            del at(changed, path)[key]
            if check.is_valid(changed):
                passed.append((*path, key))

    assert passed == []


def test_keys_may_be_added_beside() -> None:
    document = loaded()
    document["more"] = document["causes"][0]["more"] = 1

    validator().validate(document)


def test_an_open_circuit_is_null_and_named_infinite() -> None:
    reading = loaded()["readings"][1]

    assert reading["value"] is None
    assert reading["away"] is None
    assert reading["infinite"] == {"value": 1, "away": 1}


def test_a_figure_below_all_numbers_keeps_its_sign() -> None:
    line = replace(READINGS[0], away=-INF)

    reading = loaded(replace(NOTHING_READ, readings=(line,)))["readings"][0]

    assert reading["infinite"] == {"away": -1}


def test_what_has_no_figure_is_null_and_not_infinite() -> None:
    document = loaded()
    ripple, probe = document["readings"][2], document["probes"][0]["foretold"][1]

    assert (ripple["value"], ripple["unit"], ripple["nominal"]) == (1.0, None, None)
    assert ripple["infinite"] == {}
    assert (probe["value"], probe["infinite"]) == (None, {})
    assert document["causes"][1]["explained"][2]["likelihood"] == 0.9


def test_every_cause_and_every_probe_is_there() -> None:
    assert len(loaded(many())["causes"]) == 30
    assert [one["rank"] for one in loaded(many())["causes"]] == list(range(1, 31))
    assert len(loaded()["probes"]) == 4


def test_no_number_is_outside_of_json_and_the_bytes_are_the_same() -> None:
    text = to_json.render(SAMPLE)

    assert not [word for word in ("NaN", "Infinity") if word in text]
    assert text.isascii()
    assert text == to_json.render(replace(SAMPLE))


def test_text_of_strangers_comes_back_as_it_was() -> None:
    document = loaded(hostile())

    assert document["circuit"]["title"] == SAMPLE.title + HOSTILE
    assert document["readings"][0]["part"] == HOSTILE


def test_an_absolute_path_is_not_told() -> None:
    document = loaded(replace(SAMPLE, file="/" + "srv/bench/amp.cir"))

    assert document["circuit"]["file"] == "amp.cir"
