"""JSON objects declared once: how a value is read into them, and the schema they make."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Annotated, Any, ClassVar

import jsonschema
import pytest
from pydantic import Field

import netcheck.report
from netcheck.report.documents.objects import Figure, From, Number, Text, Written, reader_of
from netcheck.report.to_json import DOCUMENTS, schema_of, stored_schema

SCHEMAS = Path(netcheck.report.__file__).parent / "schema"
NAMES = [document.name for document in DOCUMENTS]


@pytest.mark.parametrize("name", NAMES)
def test_the_schema_that_ships_is_that_of_the_classes(name: str, remake_golden: bool) -> None:
    file = SCHEMAS / f"{name}.schema.json"
    if remake_golden:
        file.write_text(json.dumps(schema_of(name), indent=1) + "\n", encoding="utf-8")

    assert schema_of(name) == stored_schema(name)


@pytest.mark.parametrize("name", NAMES)
def test_the_schema_says_what_it_is_of_and_that_keys_may_come(name: str) -> None:
    schema = schema_of(name)
    jsonschema.Draft202012Validator.check_schema(schema)

    assert schema["$id"] == f"urn:netcheck:{name}:1.0"
    assert schema["description"].endswith("required keys stay.")
    assert "additionalProperties" not in schema


@dataclass(frozen=True, slots=True)
class Cold:
    OF: ClassVar[type] = str
    why: Annotated[str, From(str)]


@dataclass(frozen=True, slots=True)
class Warm:
    OF: ClassVar[type] = float
    degrees: Annotated[Number, From(lambda value: value)]


@dataclass(frozen=True, slots=True)
class Whole:
    """One of each form of key."""

    klass: Annotated[str, Field(alias="class"), From("inner.name")]
    ratio: Figure
    kind: Text
    loud: Annotated[str, Written(str.upper)]
    states: dict[str, Cold | Warm]
    worst: Cold | None
    ends: list[Figure]
    hint: str = ""


def read(**changes: Any) -> dict[str, Any]:
    given: dict[str, Any] = {
        "inner": SimpleNamespace(name="common"), "ratio": 1.23456789, "kind": "", "loud": "a",
        "states": {"idle": 20.0, "full": "no power"}, "worst": None, "ends": (1.0, math.inf),
        "hint": "",
    }  # fmt: skip
    return reader_of(Whole)(SimpleNamespace(**{**given, **changes}))


def test_keys_come_in_the_order_of_the_fields_and_values_as_they_are_declared() -> None:
    assert list(read().items()) == [
        ("class", "common"),
        ("ratio", 1.23457),
        ("kind", None),
        ("loud", "A"),
        ("states", {"idle": {"degrees": 20.0}, "full": {"why": "no power"}}),
        ("worst", None),
        ("ends", [1.0, None]),
    ]


def test_a_key_with_a_default_is_there_where_it_says_something() -> None:
    assert read(hint="turn it off")["hint"] == "turn it off"


def test_a_value_that_lacks_what_a_key_needs_is_a_bug_and_no_null() -> None:
    with pytest.raises(AttributeError):
        reader_of(Whole)(SimpleNamespace(ratio=1.0))
