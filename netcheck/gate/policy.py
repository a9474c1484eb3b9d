"""What a policy says, and what it may say.

Comes in: the tables of a TOML file, laid over the default policy.  Goes out: a frozen
`Policy`.  Values carry units (`105%`, `20Mohm`); a share of a rating is a percentage.
The JSON Schema in `schema/policy.schema.json` is made from these models.

The policy of a project is the file that was named or, from a folder upward, the nearest
`netcheck.toml` or `pyproject.toml` with a table `[tool.netcheck.gate]`.  Mistakes are
told all at once, each with its line.
"""

from __future__ import annotations

import datetime as dt
import difflib
import json
import re
import tomllib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    WithJsonSchema,
    model_validator,
)

from netcheck.conditions import CONDITIONS, IDLE
from netcheck.errors import ManyErrors, NetcheckError
from netcheck.faults import FAULT_KINDS
from netcheck.findings import FINDING_KINDS, Level
from netcheck.likelihoods import LikelihoodClass
from netcheck.roles.table import RoleName
from netcheck.source import SourceText, Span
from netcheck.units import format_quantity, parse_quantity

POLICY_SCHEMA_ID = "urn:netcheck:policy:1.0"
SIZE_UNITS = ("ohm", "A", "%", "V", "F", "H")
_SAYS_UNIT = re.compile(r"(ohms?|[\u2126\u03a9]|[A%VFH])\s*$")

Victims = Literal["tubes", "tubes_and_transformers", "all"]
Condition = Literal["idle", "driven", "toleranced"]


def _share(value: Any) -> Any:
    if value == "any":
        return float("inf")
    if not isinstance(value, str) or not value.strip().endswith("%"):
        raise ValueError('write a share of a rating as a percentage, such as "105%"')
    try:
        share = parse_quantity(value, "%")
    except NetcheckError as error:
        raise ValueError(f"{error.message}; {error.hint}") from None
    if share <= 0:
        raise ValueError("a share of a rating has to be more than zero")
    return share


Share = Annotated[
    float,
    BeforeValidator(_share),
    WithJsonSchema({"type": "string", "pattern": r"^(any|[+]?[0-9.]+(e[+-]?[0-9]+)? ?%)$"}),
]
"""A share of a rating as a fraction; infinite for `any`."""


class Size(BaseModel):
    """The size of a defect: a percentage stays one (5 is 5 %), as in fault ids."""

    model_config = ConfigDict(frozen=True)
    value: float
    unit: str

    def __str__(self) -> str:
        if self.unit == "%":
            return f"{self.value:.4g} %"
        return format_quantity(self.value, self.unit)


def _size(text: Any) -> Any:
    if not isinstance(text, str) or not _SAYS_UNIT.search(text):
        raise ValueError('write a size with its unit, such as "20Mohm", "5%" or "10uA"')
    for unit in SIZE_UNITS:
        try:
            value = parse_quantity(text, unit)
        except NetcheckError:
            continue
        return Size(value=value * 100 if unit == "%" else value, unit=unit)
    raise ValueError(f"`{text}` is not a size with a unit, such as 20Mohm, 5% or 10uA")


DefectSize = Annotated[
    Size, BeforeValidator(_size), WithJsonSchema({"type": "string", "pattern": "^[0-9.]"})
]
Pattern = Annotated[str, Field(min_length=1)]
Patterns = tuple[Pattern, ...]


def _named(what: str, topic: str, names: Collection[str], whole: bool = False) -> AfterValidator:
    """Refuse a pattern that fits no name: its rule would never decide anything.

    whole: it is a name, and no pattern.
    """

    def check(pattern: str) -> str:
        fits = (lambda name, _: name == pattern) if whole else fnmatchcase
        if not any(fits(name, pattern.casefold()) for name in names):
            close = difflib.get_close_matches(pattern.casefold(), names, n=1)
            meant = f"is `{close[0]}` meant?" if close else f"`netcheck {topic}` lists them"
            raise ValueError(f"no {what} is called `{pattern}`; {meant}")
        return pattern

    return AfterValidator(check)


_WORDS = {word.name: word.swept_only for kind in FAULT_KINDS for word in kind.words}
_FAULT_WORDS = tuple(name for name, swept_only in _WORDS.items() if not swept_only)
_KIND = "kind of fault"

RolePattern = Annotated[Pattern, _named("role", "help drawing", tuple(RoleName))]
KindPattern = Annotated[Pattern, _named(_KIND, "faults", _FAULT_WORDS)]
SweptPattern = Annotated[Pattern, _named(_KIND, "faults --all", tuple(_WORDS))]
_CONDITIONS = tuple(each.name for each in CONDITIONS)
ConditionPattern = Annotated[Pattern, _named("condition", "help gate", _CONDITIONS)]
FindingCode = Annotated[str, _named("finding", "help audit", tuple(FINDING_KINDS), whole=True)]


class Table(BaseModel):
    """A table of a policy: every key is known."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Limits(Table):
    """The most a healthy part may take, as a share of its rating."""

    idle: Share
    driven: Share
    cold_start: Share
    overdrive: Share
    toleranced: Share
    warn_from: Share


class FaultRule(Table):
    """What the faults it fits may do.  Lists are patterns, empty lists fit all."""

    name: Pattern
    kind: tuple[KindPattern, ...] = ()
    part: Patterns = ()
    role: tuple[RolePattern, ...] = ()
    likelihood: tuple[LikelihoodClass, ...] = ()
    conditions: tuple[ConditionPattern, ...] = ()
    victims: Victims = "all"
    quantities: Patterns = ()
    max_ratio: Share
    level: Level = "error"


class TippingRule(Table):
    """The size up to which a growing defect must do no harm."""

    name: Pattern
    kind: tuple[SweptPattern, ...] = ()
    part: Patterns = ()
    role: tuple[RolePattern, ...] = ()
    victims: Victims = "tubes"
    quantities: Patterns = ()
    harmless_to: DefectSize
    level: Level = "error"


class Wiring(Table):
    """What a finding about the netlist counts for, by its level or its code."""

    error: Level
    warning: Level
    note: Level
    codes: dict[FindingCode, Level] = Field(default_factory=dict)


class Waiver(Table):
    """Something that is known, accepted for a reason, and looked at again in time."""

    reason: Annotated[str, Field(min_length=8)]
    expires: dt.date
    file: str = "*"
    part: str = ""
    fault: str = ""
    wiring: str = ""

    @model_validator(mode="after")
    def _names_something(self) -> Waiver:
        if not (self.part or self.fault or self.wiring):
            raise ValueError("a waiver names a part, a fault or the code of a wiring finding")
        return self


class Policy(Table):
    """The whole policy."""

    conditions: tuple[Condition, ...]
    exclude: Patterns
    warnings_fail: bool
    not_solved: Level
    not_judged: Level
    limits: Limits
    faults: tuple[FaultRule, ...]
    tipping: tuple[TippingRule, ...]
    wiring: Wiring
    waivers: tuple[Waiver, ...] = ()

    @model_validator(mode="after")
    def _solves_something(self) -> Policy:
        if IDLE not in self.conditions:
            raise ValueError('`conditions` has to hold "idle": everything starts from there')
        return self


def policy_schema() -> dict[str, Any]:
    """Return the JSON Schema of a policy file; every key may be left out at the top."""
    schema = Policy.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["$id"] = POLICY_SCHEMA_ID
    schema["title"] = "netcheck policy"
    schema["description"] = (
        "The table [tool.netcheck.gate] of pyproject.toml, or a whole netcheck.toml. What is left "
        "out is as in the default policy; a list that is given replaces the default one."
    )
    schema.pop("required", None)
    for name in ("Limits", "Wiring"):
        schema["$defs"][name].pop("required", None)
    return schema


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
        message = f"{shown}: {_mistake_words(each)}" if shown else _mistake_words(each)
        hint = _nearest(path) if each["type"] == "extra_forbidden" else ""
        if span is None:
            message = f"{source.name}: {message}"
        errors.append(PolicyError(message, span=span, source=source if span else None, hint=hint))
    errors.sort(key=lambda one: (one.span.line, one.span.column) if one.span else (0, 0))
    return errors[0] if len(errors) == 1 else ManyErrors(errors)


def _mistake_words(error: Any) -> str:
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


_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]#]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""^(\s*)((?:[\w-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[\w-]+|"[^"]*"))*)\s*=""")
KeyPath = Sequence[str | int]


def find_key(source: SourceText, prefix: Sequence[str], path: KeyPath) -> Span | None:
    """Return where the deepest part of `path` below `prefix` stands."""
    wanted: list[str | int] = [*prefix, *path]
    best: tuple[int, Span] | None = None
    table: list[str | int] = []
    counts: dict[str, int] = {}
    for number, line in enumerate(source.lines, 1):
        if header := _HEADER.match(line):
            table = _table(header.group(1), _key_parts(header.group(2)), counts)
            here, start, length = table, header.start(2), len(header.group(2))
        elif key := _KEY.match(line):
            here = [*table, *_key_parts(key.group(2))]
            start, length = len(key.group(1)), len(key.group(2))
        else:
            continue
        depth = len(here)
        if here == wanted[:depth] and depth > len(prefix) and (best is None or depth > best[0]):
            best = (depth, Span(source.name, number, start + 1, number, start + 1 + length))
    return best[1] if best else None


def _table(bracket: str, words: list[str], counts: dict[str, int]) -> list[str | int]:
    """Return the path of a table; one of an array carries its number."""
    if bracket == "[":
        return list(words)
    name = ".".join(words)
    counts[name] = counts.get(name, -1) + 1
    return [*words, counts[name]]


def _key_parts(text: str) -> list[str]:
    return [word.strip().strip("\"'") for word in text.split(".")]
