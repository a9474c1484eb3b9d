"""Judging: what a solved state does to each part, against its limits."""

from netcheck.judge.advice import advise
from netcheck.judge.base import LimitTable, NotJudged, PartLimit, Stress
from netcheck.judge.limits import limits_of
from netcheck.judge.stress import judge_state
from netcheck.judge.verdict import (
    adds_to_health,
    condition_verdict,
    gravest,
    is_charged,
    level_of,
)

__all__ = [
    "LimitTable",
    "NotJudged",
    "PartLimit",
    "Stress",
    "adds_to_health",
    "advise",
    "condition_verdict",
    "gravest",
    "is_charged",
    "judge_state",
    "level_of",
    "limits_of",
]
