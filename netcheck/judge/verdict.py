"""The verdict on a condition and on a fault.

Comes in: the stresses of a faulted state with the healthy ratio beside each.
Goes out: one of six words.  Within 5 % of a limit is `at_limit`.  A fault is
charged only with what it adds: a load counts against it once it is at or over
its limit and exceeds the healthy ratio by more than `CHARGE_MARGIN` of the limit.
A healthy class-A stage at 100 % therefore makes no fault guilty; a healthy part at
125 % makes every fault `over_in_health` that leaves it there.

Of several verdicts the gravest known thing wins, and not knowing goes before
nearly: over_limit, not_solved, not_judged, at_limit, over_in_health, within_limits.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import get_args

from netcheck.conditions import is_in_use
from netcheck.judge.base import Load, Verdict
from netcheck.solve.results import NotSolved, Outcome, Solved

VERDICT_ORDER: tuple[Verdict, ...] = get_args(Verdict)
"""Gravest first, as the type lists them."""
HARMLESS: frozenset[Verdict] = frozenset({"over_in_health", "within_limits"})
"""What is said of a fault that adds nothing to count."""
GRAVITY: Mapping[Verdict, int] = {verdict: place for place, verdict in enumerate(VERDICT_ORDER)}


def gravest(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the verdict that wins; `not_judged` where there is none."""
    return min(verdicts, key=GRAVITY.__getitem__, default="not_judged")


def condition_verdict(
    outcome: Outcome,
    stresses: Sequence[Load],
    unjudged: Collection[str] = (),
    *,
    lasts: bool = True,
) -> Verdict:
    """Return the verdict on one fault under one condition.

    stresses: with healthy ratios; none where there is nothing to compare with.
    unjudged: parts without a rating that carry much more than in health.
    lasts: false for a state that the circuit leaves by itself; see `stays`.
    """
    if isinstance(outcome, NotSolved):
        return "not_solved"
    if not stresses:
        return "not_judged"
    found = [stress.verdict for stress in stresses]
    if unjudged or not lasts:
        found.append("not_judged")
    return gravest((*found, "within_limits"))


def fault_verdict(verdicts: Mapping[str, Verdict]) -> Verdict:
    """Return the verdict on a fault over all conditions.

    That a test beyond use overloads the healthy circuit is said of that condition only.
    """
    counted = (
        "within_limits" if verdict == "over_in_health" and not is_in_use(name) else verdict
        for name, verdict in verdicts.items()
    )
    return gravest(counted)


def stays(state: Solved, healthy: Solved) -> bool:
    """Say whether a circuit stays in a solved state, or the state is the cycle it makes.

    An unstable one that rests on what the netlist does not say is not held against a
    fault where the healthy circuit has the like: that is said once, of health.
    """
    found, before = state.stability, healthy.stability
    if found is None or found.stable is not False or (found.is_cycle and found.trusted):
        return True
    doubted = before is not None and before.stable is False and not before.trusted
    return doubted and not found.trusted
