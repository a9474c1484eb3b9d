"""Question and answer at the bench: asks for the next reading until one cause stands out.

Comes in: an investigation, and somebody who answers.  Goes out: the investigation with
the answers.  Every answer is written to a log at once: the log is a list of readings,
which `--readings` takes, and a session that was broken off goes on from it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from netcheck.diagnose.investigation import Investigation
from netcheck.diagnose.next_probe import Proposal
from netcheck.diagnose.reading_file import SKIPPED, Known, Reader
from netcheck.errors import NetcheckError

STOP_WORDS = ("stop", "quit", "end", "")
HEADER = (
    "# netcheck diagnose: readings and evidence, one a line; this file is read again to go on\n"
)

Answer = Callable[[Investigation, Proposal], str | None]
"""Given what is known and what is asked: what was typed, or None at the end of input."""
Complain = Callable[[NetcheckError], None]


@dataclass(frozen=True)
class Log:
    """A file of answers."""

    path: Path | None

    def begin(self) -> None:
        """Start the file where there is none."""
        if self.path is not None and not self.path.exists():
            self.add(HEADER.rstrip("\n"))

    def add(self, line: str) -> None:
        """Write one line, so that nothing is lost whatever happens next."""
        if self.path is None:
            return
        try:
            with self.path.open("a", encoding="utf-8") as file:
                file.write(f"{line}\n")
        except OSError as error:
            raise NetcheckError(
                f"the log {self.path} cannot be written: {error.strerror or error}"
            ) from error


def ask_on(
    investigation: Investigation,
    reader: Reader,
    log: Log,
    skipped: tuple[str, ...],
    answer: Answer,
    complain: Complain,
) -> Investigation:
    """Ask until one cause stands out, nothing splits the rest, or nobody answers."""
    before = frozenset(one.replace(f"={SKIPPED}", "") for one in skipped)
    investigation = replace(investigation, passed=before)
    log.begin()
    while not investigation.settled:
        proposal = investigation.proposals[0]
        text = answer(investigation, proposal)
        if text is None or text.strip().casefold() in STOP_WORDS:
            return investigation
        asked = proposal.point.asked
        if text.strip().casefold() == SKIPPED:
            log.add(asked.replace("?", SKIPPED))
            passed = investigation.passed | {proposal.point.text}
            investigation = replace(investigation, passed=passed)
            continue
        try:
            known = reader.text(text if "=" in text else asked.replace("?", text.strip()))
        except NetcheckError as error:
            complain(error)
            continue
        for line in (one.text for each in (known.readings, known.evidence) for one in each):
            log.add(line)
        investigation = _with(investigation, known)
    return investigation


def _with(investigation: Investigation, known: Known) -> Investigation:
    before = Known(investigation.readings, investigation.evidence)
    after = before.with_more(known)
    return replace(investigation, readings=after.readings, evidence=after.evidence)
