"""The option `--limit NAME=VALUE`: raise or lower a bound on what a netlist may ask for.

Comes in: the words of the option, repeated.  Goes out: the audit options with them.
What is refused for a limit names it, so that the message can be answered with this.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Sequence
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck.errors import NetcheckError

if TYPE_CHECKING:
    from netcheck.solve.pool import Budget
    from netcheck.workbench.settings import Settings

DEEPEST = 200
"""Nesting beyond this would exhaust the reader itself."""
LimitOption = Annotated[
    list[str] | None,
    typer.Option(
        "--limit",
        metavar="NAME=VALUE",
        help="Bound on what a netlist may ask for, such as parts=40000, faults=10000, "
        "time=120s (of one case) or memory=8000MB (of a worker). Repeat for several.",
    ),
]


BudgetOption = Annotated[
    str | None,
    typer.Option(
        "--budget",
        metavar="TIME",
        help="How long solving one netlist may take (90s, 10min, 2h); what is not solved by "
        "then says so, the likeliest faults first.",
    ),
]
SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0}


def budget_of(text: str | None) -> Budget | None:
    """Return the budget that was asked for."""
    from netcheck.solve.pool import Budget

    if text is None:
        return None
    words = text.strip()
    unit = next((name for name in ("min", "h", "s") if words.endswith(name)), "")
    number = words.removesuffix(unit).strip()
    try:
        seconds = float(number) * SECONDS[unit]
    except (ValueError, KeyError):
        seconds = math.nan
    if not (seconds > 0.0 and math.isfinite(seconds)):
        raise NetcheckError(
            f"--budget: `{text}` is not a time above zero", hint="such as 90s, 10min or 2h"
        )
    return Budget(seconds, words)


def with_limits(options: Settings, words: Sequence[str] | None) -> Settings:
    """Return the options with every `NAME=VALUE` of `words` put in."""
    for word in words or ():
        name, _, text = word.partition("=")
        options = _with_limit(options, name.strip(), text.strip())
    return options


def _with_limit(options: Settings, name: str, text: str) -> Settings:
    if name == "time":
        return replace(options, time_limit_s=_quantity(name, text, "s"))
    if name == "memory":
        return replace(options, memory_bytes=round(_quantity(name, text, "B")))
    if name == "faults":
        return replace(options, most_faults=_count(name, text))
    known = [field.name for field in fields(options.read_limits)]
    if name in known:
        limits = replace(options.read_limits, **{name: _count(name, text)})
        return replace(options, read_limits=limits)
    every = ["time", "memory", "faults", *known]
    near = difflib.get_close_matches(name, every, n=1)
    hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(every)}"
    raise NetcheckError(f"--limit: there is no limit `{name}`", hint=hint)


def _quantity(name: str, text: str, unit: str) -> float:
    from netcheck.cli.shell import positive

    return positive(text, unit, f"--limit {name}")


def _count(name: str, text: str) -> int:
    if not (text.isascii() and text.isdigit() and int(text[:12]) > 0):
        raise NetcheckError(f"--limit {name}: `{text}` is not a whole number above zero")
    value = int(text[:12])
    if name.endswith("_depth") and value > DEEPEST:
        raise NetcheckError(
            f"--limit {name}: {value} is more than {DEEPEST}, the deepest that can be read"
        )
    return value
