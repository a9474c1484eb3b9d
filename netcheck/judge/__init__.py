"""Judging: what a solved state does to each part, against its limits."""

from netcheck.judge.advice import advise
from netcheck.judge.base import LimitTable, Load, NotJudged, PartLimit
from netcheck.judge.limits import limits_of
from netcheck.judge.stress import judge_state
from netcheck.judge.verdict import (
    condition_verdict,
    fault_verdict,
    gravest,
)

__all__ = [
    "LimitTable",
    "Load",
    "NotJudged",
    "PartLimit",
    "advise",
    "condition_verdict",
    "fault_verdict",
    "gravest",
    "judge_state",
    "limits_of",
]
