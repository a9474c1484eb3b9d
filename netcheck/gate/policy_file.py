"""The policy of a project: found, read, laid over the default one, and checked.

Comes in: a file that was named, or the folder to look from, upward: the nearest
`netcheck.toml`, or `pyproject.toml` with a table `[tool.netcheck.gate]`.  Goes out:
the `Policy` and the name of its file.  Mistakes are told all at once, each with its
line.
"""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from netcheck.errors import ManyErrors, NetcheckError
from netcheck.gate.policy import (
    FaultRule,
    Limits,
    Policy,
    Table,
    TippingRule,
    Waiver,
    Wiring,
)
from netcheck.gate.toml_place import find_key
from netcheck.source import SourceText, Span

OWN_FILE = "netcheck.toml"
PROJECT_FILE = "pyproject.toml"
PROJECT_TABLE = ("tool", "netcheck", "gate")
DEFAULT_NAME = "default policy"
LARGEST_BYTES = 1_000_000
_TABLES: dict[str, type[Table]] = {
    "limits": Limits,
    "faults": FaultRule,
    "tipping": TippingRule,
    "wiring": Wiring,
    "waivers": Waiver,
}
_MERGED = ("limits", "wiring")


class PolicyError(NetcheckError):
    """A policy file cannot be read, or says something that is no policy."""


@dataclass(frozen=True, slots=True)
class FoundPolicy:
    """A policy, and the name of the file it came from."""

    policy: Policy
    name: str


def default_text() -> str:
    """Return the text of the default policy."""
    return (resources.files("netcheck.gate") / "default_policy.toml").read_text(encoding="utf-8")


def stored_schema() -> dict[str, Any]:
    """Return the published JSON Schema of policies."""
    text = (resources.files("netcheck.gate") / "schema" / "policy.schema.json").read_text("utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def find_policy(named: Path | None, start: Path) -> FoundPolicy:
    """Return the policy of the file that was named, else of the nearest one."""
    if named is not None:
        source, table = _read(named)
        given = _table_of(table, named)
        if given is None:
            raise PolicyError(
                f"{source.name} has no table [{'.'.join(PROJECT_TABLE)}]",
                hint="a pyproject.toml holds the policy in that table, a netcheck.toml as a whole",
            )
        return FoundPolicy(_checked(given, source, _prefix(named)), source.name)
    for folder in (start, *start.parents):
        for name in (OWN_FILE, PROJECT_FILE):
            file = folder / name
            if file.is_file():
                source, table = _read(file)
                given = _table_of(table, file)
                if given is not None:
                    return FoundPolicy(_checked(given, source, _prefix(file)), source.name)
    return FoundPolicy(default_policy(), DEFAULT_NAME)


def default_policy() -> Policy:
    """Return the policy of a project that has none."""
    return Policy.model_validate(tomllib.loads(default_text()))


def parse_policy(text: str, name: str = OWN_FILE) -> Policy:
    """Return the policy that the text of a `netcheck.toml` says."""
    source = SourceText(name, text)
    return _checked(_loads(source), source, ())


def _prefix(file: Path) -> tuple[str, ...]:
    return PROJECT_TABLE if file.name == PROJECT_FILE else ()


def _read(file: Path) -> tuple[SourceText, dict[str, Any]]:
    try:
        if file.stat().st_size > LARGEST_BYTES:
            raise PolicyError(f"{file.name} is larger than a policy could be (1 MB)")
        source = SourceText(file.name, file.read_text(encoding="utf-8"))
    except OSError as error:
        raise PolicyError(f"cannot read {file.name}: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise PolicyError(f"{file.name} is not UTF-8 text") from error
    return source, _loads(source)


def _loads(source: SourceText) -> dict[str, Any]:
    try:
        return tomllib.loads(source.text)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"line (\d+), column (\d+)", str(error))
        span = None
        if place:
            line, column = int(place.group(1)), int(place.group(2))
            span = Span(source.name, line, column, line, column + 1)
        what = re.sub(r" \(at .*\)$", "", str(error))
        message = f"{'' if span else source.name + ': '}this is not TOML: {what}"
        raise PolicyError(message, span=span, source=source) from None


def _table_of(loaded: dict[str, Any], file: Path) -> dict[str, Any] | None:
    """Return the policy's table; None in a pyproject.toml that has none."""
    for word in _prefix(file):
        loaded = loaded.get(word, {})
        if not isinstance(loaded, dict):
            return None
        if not loaded:
            return None
    return loaded


def _checked(given: dict[str, Any], source: SourceText, prefix: tuple[str, ...]) -> Policy:
    merged = tomllib.loads(default_text())
    for key, value in given.items():
        if key in _MERGED and isinstance(value, dict):
            merged[key] = {**merged[key], **value}
        else:
            merged[key] = value
    try:
        return Policy.model_validate(merged)
    except ValidationError as error:
        raise _told(error, source, prefix) from None


def _told(error: ValidationError, source: SourceText, prefix: tuple[str, ...]) -> NetcheckError:
    """Return what pydantic found as errors of ours, in the order of the file."""
    errors = []
    for each in error.errors(include_url=False):
        path = [step for step in each["loc"] if isinstance(step, str | int)]
        span = find_key(source, prefix, path)
        shown = ".".join(str(step + 1) if isinstance(step, int) else step for step in path)
        message = f"{shown}: {_words(each)}" if shown else _words(each)
        hint = _nearest(path) if each["type"] == "extra_forbidden" else ""
        if span is None:
            message = f"{source.name}: {message}"
        errors.append(PolicyError(message, span=span, source=source if span else None, hint=hint))
    errors.sort(key=lambda one: (one.span.line, one.span.column) if one.span else (0, 0))
    return errors[0] if len(errors) == 1 else ManyErrors(errors)


def _words(error: Any) -> str:
    """Return the reason without the library's own way of putting it."""
    kind, text = error["type"], str(error["msg"])
    if kind == "extra_forbidden":
        return "a policy has no such key"
    if kind == "missing":
        return "this is needed"
    return text.removeprefix("Value error, ").replace("Input should be", "this should be")


def _nearest(path: list[str | int]) -> str:
    """Return which known key is close to an unknown one, or all of them."""
    model = _TABLES.get(str(path[0]), Policy) if len(path) > 1 else Policy
    known = list(model.model_fields)
    close = difflib.get_close_matches(str(path[-1]), known, n=1)
    return f"is `{close[0]}` meant?" if close else f"known keys: {', '.join(known)}"
