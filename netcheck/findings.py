"""Findings: what was noticed about a netlist or circuit without stopping.

A finding has a stable rule name, the part it concerns, the place it was
written, a level and one sentence.  Levels are those of SARIF.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from netcheck.source import Span

Level = Literal["error", "warning", "note"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing noticed."""

    rule: str
    level: Level
    message: str
    part: str = ""
    span: Span | None = None
