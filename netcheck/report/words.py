"""The words a person reads for the names the program uses.

Comes in: names such as `plate_dissipation_w`, `cold_start` or `over_limit`.
Goes out: the words for them, with the unit split off.  A name without an entry
is spelled out from its parts, so that a new fault or quantity reads acceptably
before anyone has written words for it.  Trade terms are American.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from netcheck.conditions import COLD_START, DRIVEN, IDLE, OCCASION_WORDS, OVERDRIVE, condition_of
from netcheck.likelihoods import LIKELIHOOD_WORDS
from netcheck.quantities import quantity_of
from netcheck.units import format_quantity

if TYPE_CHECKING:  # the lists of tubes and faults need no solver
    from netcheck.judge.base import Load, Verdict
    from netcheck.judge.seen import Seen
    from netcheck.rank import RankGroup

VERDICT_WORDS: dict[Verdict, str] = {
    "over_limit": "OVER LIMIT",
    "not_solved": "not solved",
    "not_judged": "not judged",
    "at_limit": "at limit",
    "over_in_health": "over in health",
    "within_limits": "within limits",
}
VERDICTS: tuple[Verdict, ...] = tuple(VERDICT_WORDS)

SEEN_WORDS: dict[Seen, str] = {
    IDLE: condition_of(IDLE).words,
    DRIVEN: "driven",
    "both": "both",
    OVERDRIVE: condition_of(OVERDRIVE).words,
    COLD_START: "cold",
    "nowhere": "-",
}
"""Where a fault puts a part at or over a limit."""

RANK_CLASS_WORDS = ("tubes and transformers", "other parts")


def group_words(group: RankGroup) -> str:
    """Return the heading of a group of the ranking."""
    words = [VERDICT_WORDS[group.verdict].capitalize()]
    if group.beyond_use:
        words.append(OCCASION_WORDS[OVERDRIVE])
    if group.rank_class is not None:
        words.append(RANK_CLASS_WORDS[group.rank_class])
    if group.gross:
        words.append(f"gross, {LIKELIHOOD_WORDS[group.gross]}")
    return ", ".join(words)


SCALED_NOTE = (
    "* A limit of another rating system than design-center, scaled to it because the circuit was "
    "solved at nominal values; the published figure is in the JSON report."
)


def unit_of(quantity: str) -> str:
    """Return the unit in the name of a quantity: `W` for `power_w`."""
    return quantity_of(quantity).unit


def quantity_words(quantity: str) -> str:
    """Return the words for a judged quantity, without its unit."""
    return quantity_of(quantity).words


def condition_words(condition: str) -> str:
    """Return the words for a condition."""
    return condition_of(condition).words


def defect_words(kind: str) -> str:
    """Return what grows when a fault of this kind grows."""
    from netcheck.faults import word_named

    return word_named(kind).grows or kind.replace("_", " ")


def amount(value: float, quantity: str) -> str:
    """Write the value of a judged quantity with its unit."""
    return format_quantity(value, unit_of(quantity), 3)


def limit_amount(load: Load) -> str:
    """Write the limit as compared; a star where it is not the published figure."""
    scaled = abs(load.compared_limit - load.limit) > 0.005 * abs(load.limit)
    return f"{amount(load.compared_limit, load.quantity)}{'*' if scaled else ''}"


def size(value: float, unit: str, digits: int = 3) -> str:
    """Write the size of a defect; a share is a percentage already (5 is 5 %)."""
    return f"{value:.{digits}g} %" if unit == "%" else format_quantity(value, unit, digits)


def ratio_words(ratio: float) -> str:
    """Write a ratio to a limit with as many decimals as mean something."""
    if not math.isfinite(ratio):
        return "?"
    return f"{ratio:.2f}" if abs(ratio) < 10 else f"{ratio:.0f}"


def decimal(value: float | None, places: int = 1) -> str:
    """Write a number with fixed decimals; a dash where there is none."""
    if value is None:
        return "-"
    if not math.isfinite(value):
        return "?"
    text = f"{value:.{places}f}"
    return text.lstrip("-") if float(text) == 0 else text


def counted(number: int, noun: str, plural: str = "") -> str:
    """Write `1 fault` or `3 faults`."""
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


def joined(words: tuple[str, ...] | list[str]) -> str:
    """Write `a, b and c`."""
    *most, last = words or ("",)
    return f"{', '.join(most)} and {last}" if most else last
