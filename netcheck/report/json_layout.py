"""JSON as every writer lays it out, and the schemas that come with the package.

Comes in: plain dictionaries and lists.  Goes out: text with an entry of a list a line,
which a person can search and a comparison of versions shows line by line.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib import resources
from typing import Any

Json = dict[str, Any]


def compact(value: object) -> str:
    """Return a value on one line; a number that is not finite is a bug of ours."""
    return json.dumps(value, allow_nan=False)


def laid_out(made: Mapping[str, object]) -> str:
    """Return an object with a key a line and an entry of a list a line; `indent` of json
    would be far slower."""
    lines = [f" {compact(key)}: {_entries(value)}" for key, value in made.items()]
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _entries(value: object) -> str:
    if isinstance(value, list) and value:
        return "[\n  " + ",\n  ".join(compact(entry) for entry in value) + "\n ]"
    return compact(value)


def published_schema(name: str) -> Json:
    """Return a JSON Schema by the name of its file, without its endings."""
    folder = resources.files("netcheck.report") / "schema"
    loaded: Json = json.loads((folder / f"{name}.schema.json").read_text(encoding="utf-8"))
    return loaded
