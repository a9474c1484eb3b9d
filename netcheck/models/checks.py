"""What a set of checks on audited netlists came to, ready for any writer.

Comes in: nothing; these are the values that pass from whoever decides (a policy, or
an audit without one) to the writers of text, JSON, SARIF, JUnit and the rest.  Goes
out: one `CheckReport` with a row for everything that was looked at: healthy loads,
every fault tried, tipping points, findings, waivers, and netlists that could not be
audited at all.  Rows are small, so that a folder of netlists fits into memory.

A row has an `outcome`, what it means for the exit code; a `verdict` is what the
circuit did.  A fault over a limit that no rule forbids has the outcome `pass`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from netcheck.conditions import Occasion
from netcheck.source import Span

if TYPE_CHECKING:  # the command line starts without the solver
    from netcheck.judge.base import Load

Outcome = Literal["unanswered", "fail", "unsolved", "warn", "waived", "known", "note", "pass"]
Family = Literal["netlist", "healthy", "tolerance", "fault", "tipping", "wiring", "waiver"]
Conclusion = Literal["pass", "fail", "unanswered"]
Move = Literal["new", "worse", "same", "better", "gone"]
Change = Literal["", Move]

OUTCOMES: tuple[Outcome, ...] = (
    "unanswered",
    "fail",
    "unsolved",
    "warn",
    "waived",
    "known",
    "note",
    "pass",
)
OUTCOME_WORDS: dict[Outcome, str] = {
    "unanswered": "NOT ANSWERED",
    "fail": "FAIL",
    "unsolved": "FAIL, not solved",
    "warn": "warning",
    "waived": "waived",
    "known": "known",
    "note": "note",
    "pass": "pass",
}
FAILING: frozenset[Outcome] = frozenset({"fail", "unsolved"})
"""Outcomes that end with exit code 1; `unanswered` ends with 2."""
FAMILIES: tuple[Family, ...] = (
    "netlist",
    "healthy",
    "tolerance",
    "fault",
    "tipping",
    "wiring",
    "waiver",
)


@dataclass(frozen=True, slots=True)
class Tip:
    """Where a growing defect tips a part over; value is None unless it was found."""

    victim: str
    quantity: str
    direction: str
    value: float | None
    unit: str
    status: str


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One thing that was checked.

    id: stable over runs and over lines that move: `fault/C2/leaky@2Mohm`.
    subject: the fault's id, the part, or the code of a finding.
    message: what is so, in one sentence.  rule: what decided, by its name in the
    policy; because: that rule in words.  change: against a baseline.
    bug: the row stands for a defect of this program.  made_by: of a fault at or over a limit,
    the least that brings that about.
    """

    id: str
    family: Family
    outcome: Outcome
    subject: str
    message: str
    rule: str
    because: str = ""
    parts: tuple[str, ...] = ()
    kind: str = ""
    verdict: str = ""
    likelihood: str = ""
    load: Load | None = None
    tip: Tip | None = None
    span: Span | None = None
    hint: str = ""
    change: Change = ""
    before: str = ""
    bug: bool = False
    made_by: Occasion | Literal[""] = ""


@dataclass(frozen=True, slots=True)
class CheckedFile:
    """All rows of one netlist; of a broken one only what is wrong with it."""

    file: str
    title: str
    engine: str
    conditions: tuple[str, ...]
    rows: tuple[CheckRow, ...]

    def counts(self) -> Counter[Outcome]:
        """Return how many rows have each outcome."""
        return Counter(row.outcome for row in self.rows)


@dataclass(frozen=True, slots=True)
class CheckReport:
    """The rows of all netlists, and what they were held against.

    policy: the name of the file the policy came from, or `default policy`.
    rows: what concerns no single netlist, such as a waiver that nothing used.
    baseline: the name of the file compared with, or empty.
    tool: who wrote this, with its version.
    """

    files: Sequence[CheckedFile]
    policy: str
    tool_version: str
    rows: tuple[CheckRow, ...] = ()
    baseline: str = ""
    interrupted: bool = False
    command: Literal["gate", "audit"] = "gate"

    def every_row(self) -> Iterator[tuple[str, CheckRow]]:
        """Give each row with the name of its netlist; empty where there is none."""
        for checked in self.files:
            for row in checked.rows:
                yield checked.file, row
        for row in self.rows:
            yield "", row

    def counts(self) -> Counter[Outcome]:
        """Return how many rows of all files have each outcome."""
        return Counter(row.outcome for _, row in self.every_row())

    @property
    def verdict(self) -> Conclusion:
        """Return what it all comes to; not knowing beats failing."""
        counts = self.counts()
        if counts["unanswered"]:
            return "unanswered"
        return "fail" if any(counts[outcome] for outcome in FAILING) else "pass"


def gravest_first(rows: Iterable[tuple[str, CheckRow]]) -> list[tuple[str, CheckRow]]:
    """Sort rows by outcome; within one the order of files and rows stays."""
    return sorted(rows, key=lambda pair: OUTCOMES.index(pair[1].outcome))


def shown_rows(report: CheckReport) -> list[tuple[str, CheckRow]]:
    """Return the rows a person should see without asking: all but notes and passes."""
    rows = (pair for pair in report.every_row() if pair[1].outcome not in {"pass", "note"})
    return gravest_first(rows)
