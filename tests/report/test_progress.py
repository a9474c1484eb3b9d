"""Progress: a bar only where somebody watches, and the terminal given back in any case."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from netcheck.report.progress import BarProgress, SilentProgress, progress_for_terminal


def test_no_bar_where_standard_error_is_no_terminal() -> None:
    assert type(progress_for_terminal()) is SilentProgress


def test_silence_writes_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    with SilentProgress() as progress:
        progress.start("faults", 3)
        progress.advance(2)
        progress.finish()

    assert capsys.readouterr() == ("", "")


def test_bar_counts_and_shows_the_label_as_text() -> None:
    terminal = Console(file=io.StringIO(), force_terminal=True, width=80)
    with BarProgress(terminal) as progress:
        progress.start("faults", 3)
        progress.finish()
        progress.start("[red]driven[/]", 7)
        progress.advance()
        progress._bar.refresh()

    text = terminal.file.getvalue()  # type: ignore[attr-defined]
    assert "[red]driven[/]" in text
    assert "1/7" in text


def test_bar_stops_when_the_work_fails() -> None:
    bar = BarProgress(Console(file=io.StringIO(), force_terminal=True))

    def work() -> None:
        with bar:
            bar.start("faults", 3)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        work()

    assert not bar._bar.live.is_started
