"""The verdict on a condition and on a fault.

Comes in: the stresses of a faulted state with the healthy ratio beside each.
Goes out: one of five words.  Within 5 % of a limit is `at_limit`.  A fault is
charged only with what it adds: a stress counts against it once it is at or over
its limit and exceeds the healthy ratio by more than `CHARGE_MARGIN` of the limit.
A healthy class-A stage at 100 % therefore makes no fault guilty.

Of several verdicts the gravest known thing wins, and not knowing goes before
nearly: over_limit, not_solved, not_judged, at_limit, within_limits.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import get_args

from netcheck.judge.base import (
    AT_LIMIT_BAND,
    CHARGE_MARGIN,
    Stress,
    Verdict,
)
from netcheck.solve.results import NotSolved, Outcome

VERDICT_ORDER: tuple[Verdict, ...] = get_args(Verdict)
"""Gravest first, as the type lists them."""
LOWEST_AT_LIMIT, HIGHEST_AT_LIMIT = 1.0 - AT_LIMIT_BAND, 1.0 + AT_LIMIT_BAND
"""Ratios to a limit between these are `at_limit`; nothing else works them out."""
GRAVITY: Mapping[Verdict, int] = {verdict: place for place, verdict in enumerate(VERDICT_ORDER)}


def ratio_verdict(ratio: float) -> Verdict:
    """Return where a ratio to a limit stands; not a number is `not_judged`."""
    if math.isnan(ratio):
        return "not_judged"
    if ratio > HIGHEST_AT_LIMIT:
        return "over_limit"
    return "at_limit" if ratio >= LOWEST_AT_LIMIT else "within_limits"


def level_of(stress: Stress) -> Verdict:
    """Return where a stress stands against its limit, whoever is to blame."""
    return ratio_verdict(stress.ratio)


def adds_to_health(stress: Stress) -> bool:
    """Say whether a stress exceeds the healthy one by more than the charge margin."""
    return stress.ratio - stress.healthy_ratio > CHARGE_MARGIN


def is_charged(stress: Stress) -> bool:
    """Say whether a stress at or over its limit is the fault's doing."""
    return stress.ratio >= LOWEST_AT_LIMIT and adds_to_health(stress)


def gravest(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the verdict that wins; `not_judged` where there is none."""
    return min(verdicts, key=GRAVITY.__getitem__, default="not_judged")


def condition_verdict(
    outcome: Outcome, stresses: Sequence[Stress], unjudged: Collection[str] = ()
) -> Verdict:
    """Return the verdict on one fault under one condition.

    stresses: with healthy ratios; none where there is nothing to compare with.
    unjudged: parts without a rating that carry much more than in health.
    """
    if isinstance(outcome, NotSolved):
        return "not_solved"
    if not stresses:
        return "not_judged"
    found = [level_of(stress) for stress in stresses if is_charged(stress)]
    if unjudged:
        found.append("not_judged")
    return gravest((*found, "within_limits"))
