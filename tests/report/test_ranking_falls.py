"""What a reader sees of the ranking falls: in every demo, under every heading.

The 6V6GT demo is driven, since only driven circuits have rows of overdrive; the others are
tried at idle.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from netcheck import pipeline
from netcheck.models.audit import Audit
from netcheck.rank import group_of
from netcheck.report.console import plain_text
from netcheck.report.html.tables import fault_rows
from netcheck.report.progress import SilentProgress
from netcheck.report.terminal.ranking import write_ranking
from netcheck.report.words import group_words
from netcheck.workbench.settings import Settings

DEMOS = sorted((Path(__file__).resolve().parents[2] / "circuits").glob("*.cir"))
RATIOS = re.compile(r" (\d+(?:\.\d+)?) \(\d+(?:\.\d+)?\) ")
WIDE = 240
"""Columns, so that each fault has a line of its own."""


@pytest.fixture(scope="module", params=DEMOS, ids=lambda path: path.stem)
def demo(request: pytest.FixtureRequest) -> Audit:
    path: Path = request.param
    options = Settings(jobs=1, idle_only=not path.stem.startswith("6v6"))
    return pipeline.audit(path, options, SilentProgress())


def falls(ratios: list[float]) -> bool:
    return ratios == sorted(ratios, reverse=True)


def test_the_shown_ratio_never_rises_under_a_heading_of_the_text(demo: Audit) -> None:
    headings = {group_words(group_of(result)) for result in demo.faults}
    text = plain_text(lambda console: write_ranking(console, demo, show_all=True), WIDE)
    shown: dict[str, list[float]] = {}
    for line in text.splitlines():
        if line in headings:
            assert line not in shown  # each heading stands once
            last = shown[line] = []
        elif found := RATIOS.search(line):
            last.append(float(found.group(1)))

    assert shown.keys() == headings
    assert sum(map(len, shown.values())) == sum(one.worst is not None for one in demo.faults)
    assert all(map(falls, shown.values()))


def test_the_shown_ratio_never_rises_under_a_heading_of_the_page(demo: Audit) -> None:
    groups: dict[int, list[float]] = {}
    for row in fault_rows(demo):
        if row.ratio_words != "-":
            groups.setdefault(row.group, []).append(float(row.ratio_words.split()[0]))

    assert groups
    assert all(map(falls, groups.values()))


def test_what_only_overdrive_does_stands_last_of_its_verdict(demo: Audit) -> None:
    rows = [(one.verdict, group_of(one).beyond_use) for one in demo.faults]

    for verdict in {each for each, _ in rows}:
        beyond = [late for each, late in rows if each == verdict]
        assert beyond == sorted(beyond)
