"""Words that the rows of the gate share.

Comes in: loads, shares and levels.  Goes out: the sentence parts for them, numbers
rounded for a person, and the outcome that a level of the policy stands for.
"""

from __future__ import annotations

import math

from netcheck.gate.policy import Level
from netcheck.report.checks import Load, Outcome
from netcheck.report.words import (
    amount,
    compared_limit,
    condition_words,
    quantity_words,
    ratio_words,
)

_SCALED = 0.005
"""From this share on, the limit compared with is not the published figure."""
_OUTCOMES: dict[Level, Outcome] = {"error": "fail", "warning": "warn", "note": "note"}


def level_outcome(level: Level, failing: Outcome = "fail") -> Outcome:
    """Return what a level of the policy makes of a row."""
    return failing if level == "error" else _OUTCOMES[level]


def share_words(share: float) -> str:
    """Write a share of a rating."""
    return "any share of its rating" if math.isinf(share) else f"{share * 100:.4g} % of its rating"


def load_words(load: Load) -> str:
    """Write a load: `X2 plate at 0.91 times its limit of 12 W (10.9 W, idle)`."""
    what = f"{load.part} {quantity_words(load.quantity)}"
    compared = compared_limit(load.value, load.limit, load.ratio)
    limit = amount(compared, load.quantity)
    if abs(compared - load.limit) > _SCALED * abs(load.limit):
        limit += f" ({amount(load.limit, load.quantity)} scaled to design-center)"
    value = amount(load.value, load.quantity)
    ratio = ratio_words(load.ratio)
    return f"{what} at {ratio} times its limit of {limit} ({value}, {_when(load.condition)})"


def _when(condition: str) -> str:
    return condition if condition == "worst drive" else condition_words(condition)
