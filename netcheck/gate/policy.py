"""What a policy says, and what it may say.

Comes in: the tables of a TOML file, laid over the default policy.  Goes out: a frozen
`Policy`.  Values carry units (`105%`, `20Mohm`); a share of a rating is a percentage.
The JSON Schema in `schema/policy.schema.json` is made from these models.
"""

from __future__ import annotations

import datetime as dt
import re
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from netcheck.errors import NetcheckError
from netcheck.units import format_quantity, parse_quantity

POLICY_SCHEMA_ID = "urn:netcheck:policy:1.0"
SIZE_UNITS = ("ohm", "A", "%", "V", "F", "H")
_SAYS_UNIT = re.compile(r"(ohms?|[\u2126\u03a9]|[A%VFH])\s*$")

Level = Literal["error", "warning", "note"]
Victims = Literal["tubes", "tubes_and_transformers", "all"]
Condition = Literal["idle", "driven", "toleranced"]
LikelihoodName = Literal["very_common", "common", "occasional", "rare"]


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
    kind: Patterns = ()
    part: Patterns = ()
    role: Patterns = ()
    likelihood: tuple[LikelihoodName, ...] = ()
    conditions: Patterns = ()
    victims: Victims = "all"
    quantities: Patterns = ()
    max_ratio: Share
    level: Level = "error"


class TippingRule(Table):
    """The size up to which a growing defect must do no harm."""

    name: Pattern
    kind: Patterns = ()
    part: Patterns = ()
    role: Patterns = ()
    victims: Victims = "tubes"
    quantities: Patterns = ()
    harmless_to: DefectSize
    level: Level = "error"


class Wiring(Table):
    """What a finding about the netlist counts for, by its level or its code."""

    error: Level
    warning: Level
    note: Level
    codes: dict[str, Level] = Field(default_factory=dict)


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
        if "idle" not in self.conditions:
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
