"""The documents written as JSON, and the JSON Schema of each.

Comes in: a result, or the name of a document.  Goes out: its text, or its schema (JSON
Schema 2020-12), both by the same class.  The files in `report/schema/` are these schemas,
for those who have the package and not the program; `--remake-golden` writes them anew.
All keys are required but those with a default, which are left out where they are empty.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import import_module, resources
from typing import Any, cast

from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from netcheck.report.documents.layout import laid_out, nested, opened, pointwise
from netcheck.report.documents.objects import VERSION, Json, reader_of

_PROMISE = "Keys may be added within one schema version; required keys stay."


@dataclass(frozen=True, slots=True)
class Document:
    """One document: its name, what it is made of, the class of the whole, how it is laid out."""

    name: str
    of: str
    whole: str
    layout: Callable[[Mapping[str, object]], str]

    def load(self) -> type:
        """Return the class of the whole; only its module is loaded."""
        module, name = self.whole.split(".")
        found = getattr(import_module(f"netcheck.report.documents.{module}"), name)
        return cast(type, found)


DOCUMENTS = (
    Document("audit", "Audit", "audit.AuditObject", laid_out),
    Document("gate", "CheckReport", "checks.GateObject", nested),
    Document("sweep", "SweepCurve", "sweep.SweepObject", pointwise),
    Document("compare", "Comparison", "compare.CompareObject", opened),
    Document("annotate", "AnnotatedCircuit", "annotate.AnnotateObject", opened),
    Document("diagnosis", "Diagnosis", "diagnosis.DiagnosisObject", laid_out),
)


def render(result: object) -> str:
    """Return a result as one JSON object; the same result gives the same bytes."""
    document = next(one for one in DOCUMENTS if one.of == type(result).__name__)
    return document.layout(reader_of(document.load())(result))


def stored_schema(name: str) -> Json:
    """Return the JSON Schema of a document as it comes with the package."""
    file = resources.files("netcheck.report") / "schema" / f"{name}.schema.json"
    return cast(Json, json.loads(file.read_text(encoding="utf-8")))


def schema_of(name: str) -> Json:
    """Return the JSON Schema of a document as its class says, by its name."""
    document = next(one for one in DOCUMENTS if one.name == name)
    made = TypeAdapter(document.load()).json_schema(schema_generator=_Schema)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:netcheck:{name}:{VERSION}",
        "title": f"netcheck {name}",
        "description": f"{made.pop('description')} {_PROMISE}",
        **made,
    }


class _Schema(GenerateJsonSchema):
    """Names definitions as keys are named; says nothing twice, and no defaults."""

    def normalize_name(self, name: str) -> str:
        """Return `tipping_point` for `TippingPointObject`."""
        short = super().normalize_name(name).removesuffix("Object")
        return re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", short).lower()

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        """Return the short form where a value is of a bare type or null."""
        inner = self.generate_inner(schema["schema"])
        if set(inner) == {"type"}:
            return {"type": [inner["type"], "null"]}
        return {"anyOf": [inner, {"type": "null"}]}

    def field_title_should_be_set(self, schema: Any) -> bool:
        """Leave a key without a title; it is one."""
        return False

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        """Leave the default out: a key that has one is not written at all."""
        return self.generate_inner(schema["schema"])

    def dataclass_schema(self, schema: core_schema.DataclassSchema) -> JsonSchemaValue:
        """Leave the name of the class out, and join the lines of its docstring."""
        made = super().dataclass_schema(schema)
        del made["title"]
        return {**made, "description": " ".join(made["description"].split())}
