"""Question and answer at the bench: asks for the next reading until one cause stands out.

Comes in: an investigation, and somebody who answers.  Goes out: the investigation with
the answers.  Every answer is written to a log at once: the log is a list of readings,
which `--readings` takes, and a session that was broken off goes on from it.  What was known
before the first question is written too, so that the log is the whole of a session.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from netcheck.diagnose.dictionary import Point
from netcheck.diagnose.investigation import Investigation
from netcheck.diagnose.next_probe import Proposal
from netcheck.diagnose.reading_file import SKIPPED, Known, Reader
from netcheck.errors import NetcheckError

STOP_WORDS = ("stop", "quit", "end")
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

    def begin(self, bench: str, lines: Sequence[str] = ()) -> None:
        """Start the file where there is none, and write lines that it does not have yet.

        bench: what is measured with, and what; it has to be given again to go on.
        """
        if self.path is None:
            return
        try:
            before = self.path.read_bytes() if self.path.exists() else b""
        except OSError as error:
            raise self._unwritable(error) from error
        if not before:
            self.add(HEADER.rstrip("\n"))
            self.add(f"# {bench}")
        elif not before.endswith(b"\n"):
            self.add("")
        for line in lines:
            self.add(line)

    def add(self, line: str) -> None:
        """Write one line, so that nothing is lost whatever happens next."""
        if self.path is None:
            return
        try:
            with self.path.open("a", encoding="utf-8") as file:
                file.write(f"{line}\n")
        except OSError as error:
            raise self._unwritable(error) from error

    def _unwritable(self, error: OSError) -> NetcheckError:
        return NetcheckError(f"the log {self.path} cannot be written: {error.strerror or error}")


def ask_on(
    investigation: Investigation,
    reader: Reader,
    log: Log,
    skipped: tuple[str, ...],
    answer: Answer,
    complain: Complain,
    logged: tuple[str, ...] = (),
) -> Investigation:
    """Ask until one cause stands out, nothing splits the rest, or nobody answers.

    skipped: points that cannot be read; logged: lines that the log has already.
    """
    known = Known(investigation.readings, investigation.evidence, skipped)
    log.begin(_bench_words(investigation), [line for line in known.lines() if line not in logged])
    investigation = replace(investigation, passed=frozenset(skipped))
    while not investigation.settled:
        proposal = investigation.proposals[0]
        text = answer(investigation, proposal)
        if text is None or text.strip().casefold() in STOP_WORDS:
            return investigation
        try:
            known = reader.text(_typed(text.strip(), proposal.point))
        except NetcheckError as error:
            complain(error)
            continue
        for line in known.lines():
            log.add(line)
        investigation = _with(investigation, known)
    return investigation


def _typed(text: str, point: Point) -> str:
    """Return an answer as a whole reading; one that is whole already is left as it is."""
    if not text:
        raise NetcheckError(
            "nothing was typed", hint=f"a value, `{SKIPPED}` if it cannot be read, or `stop`"
        )
    if "=" in text:
        return text
    place, _, situation = point.asked.rpartition("=?")
    return f"{place}={text}{situation}"


def _with(investigation: Investigation, known: Known) -> Investigation:
    before = Known(investigation.readings, investigation.evidence)
    after = before.with_more(known)
    passed = investigation.passed | set(known.skipped)
    return replace(investigation, readings=after.readings, evidence=after.evidence, passed=passed)


def _bench_words(investigation: Investigation) -> str:
    """Return what the options say of the bench, for who goes on with a log."""
    options = investigation.basis.dictionary.options
    age = "" if options.age_years is None else f", --age {options.age_years:g}y"
    return (
        f"{options.meter.words}; --mains {options.mains or 'none'}, --build {options.build}{age}: "
        "give the same to go on"
    )
