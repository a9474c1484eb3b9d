"""Progress on standard error: a bar for a person, nothing for a pipe or a log.

Comes in: a label and a total from the pipeline.  Goes out: the bar, which is gone
when the work is done, so that the report stands alone.
"""

from __future__ import annotations

import sys
from contextlib import AbstractContextManager
from types import TracebackType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress, TaskID


class SilentProgress(AbstractContextManager["SilentProgress"]):
    """Says nothing."""

    def start(self, label: str, total: int) -> None:
        """Take note of nothing."""

    def advance(self, count: int = 1) -> None:
        """Take note of nothing."""

    def finish(self) -> None:
        """Take note of nothing."""

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave nothing behind."""


class BarProgress(SilentProgress):
    """One bar, replaced at every step of the work."""

    def __init__(self, console: Console | None = None) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
        from rich.progress import Progress as RichProgress

        columns = (
            TextColumn("{task.description}", markup=False),
            BarColumn(bar_width=20),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
        )
        self._bar: Progress = RichProgress(
            *columns, console=console or Console(stderr=True), transient=True
        )
        self._task: TaskID | None = None

    def start(self, label: str, total: int) -> None:
        """Show a new bar."""
        self.finish()
        self._bar.start()
        self._task = self._bar.add_task(label, total=total)

    def advance(self, count: int = 1) -> None:
        """Move the bar on."""
        if self._task is not None:
            self._bar.advance(self._task, count)

    def finish(self) -> None:
        """Take the bar away."""
        if self._task is not None:
            self._bar.remove_task(self._task)
            self._task = None
            self._bar.stop()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Give the terminal back, whatever happened."""
        self._bar.stop()


def progress_for_terminal() -> SilentProgress:
    """Return a bar if somebody watches standard error, else silence."""
    return BarProgress() if sys.stderr.isatty() else SilentProgress()
