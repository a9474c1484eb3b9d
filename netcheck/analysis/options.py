"""What an audit is asked for, and how it tells of its progress."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class AuditOptions:
    """Options of one audit; `jobs` None means as many as there are processors."""

    idle_only: bool = False
    jobs: int | None = None
    meter_ohm: float | None = 10e6
    frequency_hz: float = 1000.0
    time_limit_s: float = 60.0


class Progress(Protocol):
    """Told how far a long step is."""

    def start(self, label: str, total: int) -> None:
        """Begin a step of `total` units."""

    def advance(self, count: int = 1) -> None:
        """Note that `count` units are done."""

    def finish(self) -> None:
        """End the step."""
