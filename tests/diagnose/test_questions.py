"""Question and answer: a scripted person, a log that is always whole, and what ends the loop."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from netcheck.diagnose.dictionary import Dictionary
from netcheck.diagnose.evidence import parse_evidence
from netcheck.diagnose.investigation import HOT_RISK, SAFER, STANDS_OUT, Basis, Investigation
from netcheck.diagnose.next_probe import Proposal
from netcheck.diagnose.reading_file import HEADER, STOP_WORDS, Known, Log, Reader, ask_on
from netcheck.diagnose.readings import parse_reading
from netcheck.errors import NetcheckError


class Person:
    """Answers one line after the other, and keeps what was asked and complained of."""

    def __init__(self, *lines: str) -> None:
        self.lines: Iterator[str] = iter(lines)
        self.asked: list[str] = []
        self.known: list[Investigation] = []
        self.complaints: list[NetcheckError] = []

    def __call__(self, investigation: Investigation, proposal: Proposal) -> str | None:
        self.asked.append(proposal.point.text)
        self.known.append(investigation)
        return next(self.lines, None)


class Bench(Person):
    """Reads every point of a unit whose fault is known, at the middle of its units."""

    def __init__(self, dictionary: Dictionary, row: int, most: int = 12) -> None:
        super().__init__()
        self.dictionary, self.row, self.most = dictionary, row, most

    def __call__(self, investigation: Investigation, proposal: Proposal) -> str | None:
        super().__call__(investigation, proposal)
        point = proposal.point
        units = self.dictionary.foresee(point, 0.0).units[self.row]
        value = float(np.median(units))
        if len(self.asked) > self.most:
            return None
        return f"{10.0**value:.6g}" if point.kind == "ohms" else f"{value:.6g}"


@pytest.fixture(scope="module")
def reader(dictionary: Dictionary) -> Reader:
    return Reader(dictionary.circuit, dictionary.roles)


@pytest.fixture(scope="module")
def start(basis: Basis) -> Investigation:
    """One reading as a sound unit has it, so that much is left to ask."""
    return Investigation(basis, (parse_reading("V(ht)=268V"),))


def ask(
    start: Investigation,
    reader: Reader,
    person: Person,
    log: Path | None = None,
    known: Known | None = None,
) -> Investigation:
    """Ask as the command does: what the log holds is known before."""
    known = known or Known(start.readings, start.evidence)
    if log is not None and log.exists():
        known = reader.file(log, "log").with_more(known)
    begun = replace(start, readings=known.readings, evidence=known.evidence)
    logged = reader.file(log, "log").lines() if log is not None and log.exists() else ()
    return ask_on(begun, reader, Log(log), known.skipped, person, person.complaints.append, logged)


def logged(log: Path) -> list[str]:
    head, bench, *lines = log.read_text().splitlines()
    assert bench.startswith("# digital meter, 10 Mohm; --mains 230V, --build unknown: ")
    return [head, *lines]


def said(investigation: Investigation) -> Mapping[str, float]:
    return {one.text.partition("=")[0]: one.value for one in investigation.readings}


def test_a_number_answers_what_was_asked(start: Investigation, reader: Reader) -> None:
    person = Person("1", "2")

    end = ask(start, reader, person)

    assert len(end.readings) == 3
    assert [f"{one.text.partition('=')[0]}@{one.situation}" for one in end.readings] == [
        "V(ht)@idle", *person.asked[:2],
    ]  # fmt: skip
    assert [one.value for one in end.readings[1:]] == [1.0, 2.0]
    assert len(person.asked) == len(set(person.asked)) == 3


def test_every_answer_is_in_the_log_before_the_next_question(
    start: Investigation, reader: Reader, tmp_path: Path
) -> None:
    log = tmp_path / "log"
    seen: list[list[str]] = []

    class Looking(Person):
        def __call__(self, investigation: Investigation, proposal: Proposal) -> str | None:
            seen.append(logged(log))
            return super().__call__(investigation, proposal)

    person = Looking("1", "skip", "glow(X2)=no")
    ask(start, reader, person, log)

    assert [len(lines) for lines in seen] == [2, 3, 4, 5]
    assert seen[0] == [HEADER.rstrip("\n"), "V(ht)=268V@idle"]
    assert seen[-1][2:] == [
        person.asked[0].replace("@", f"={'1ohm' if person.asked[0][0] == 'R' else '1V'}@"),
        person.asked[1].replace("@", "=skip@"),
        "glow(X2)=no",
    ]


def test_a_session_that_was_broken_off_goes_on_as_if_in_one_go(
    start: Investigation, reader: Reader, tmp_path: Path
) -> None:
    lines = ("open", "skip", "V(k2)=14.1V", "hum=no", "skip", "245")
    whole = Person(*lines)
    at_once = ask(start, reader, whole)

    log = tmp_path / "log"
    asked: list[str] = []
    later = replace(start, readings=())
    for first in range(0, len(lines), 2):
        person = Person(*lines[first : first + 2])
        begun = start if first == 0 else later
        broken_off = ask(begun, reader, person, log)
        asked += person.asked[:2]

    assert asked == whole.asked[:-1]
    assert broken_off.readings == at_once.readings
    assert broken_off.evidence == at_once.evidence
    assert broken_off.passed == at_once.passed
    assert np.array_equal(broken_off.posterior.node, at_once.posterior.node)


def test_resuming_writes_nothing_twice(
    start: Investigation, reader: Reader, tmp_path: Path
) -> None:
    log = tmp_path / "log"
    ask(start, reader, Person("1", "skip"), log)
    before = log.read_text()

    ask(start, reader, Person(), log)

    assert log.read_text() == before


def test_a_later_reading_of_an_option_is_written_too(
    start: Investigation, reader: Reader, tmp_path: Path
) -> None:
    log = tmp_path / "log"
    log.write_text("V(ht)=268V@idle\nV(ht)=9V@idle")

    ask(start, reader, Person(), log)

    lines = log.read_text().splitlines()
    assert lines == ["V(ht)=268V@idle", "V(ht)=9V@idle", "V(ht)=268V@idle"]
    assert said(ask(replace(start, readings=()), reader, Person(), log)) == {"V(ht)": 268.0}


def test_what_was_skipped_is_not_asked_again(
    start: Investigation, reader: Reader, tmp_path: Path
) -> None:
    log = tmp_path / "log"
    person = Person("skip", "skip", "skip")
    end = ask(start, reader, person, log)
    again = Person("1")
    ask(start, reader, again, log)

    assert set(person.asked[:3]) == end.passed
    assert len(set(person.asked)) == 4
    assert again.asked[0] == person.asked[3]
    assert not end.passed & set(again.asked)


@pytest.mark.parametrize(
    ("nonsense", "said"),
    [
        ("nonsense", "is not a value"),
        ("12kW", "is not a value in"),
        ("", "nothing was typed"),
        ("   ", "nothing was typed"),
        ("V(q)=1V", "there is no net q"),
        ("glow(X2)=maybe", "glow cannot be `maybe`"),
        ("=", "is not a reading"),
        ("-5V\x1b[31m", "is not a value"),
    ],
)
def test_nonsense_is_complained_of_and_asked_again(
    start: Investigation, reader: Reader, tmp_path: Path, nonsense: str, said: str
) -> None:
    log = tmp_path / "log"
    person = Person(f"{nonsense}\n", "1\n")

    end = ask(start, reader, person, log)

    assert [said in one.message for one in person.complaints] == [True]
    assert "\n" not in person.complaints[0].message
    assert person.asked[0] == person.asked[1] != person.asked[2]
    assert len(end.readings) == 2
    assert len(logged(log)) == 3


def test_another_reading_or_sign_is_taken_as_an_answer(
    start: Investigation, reader: Reader
) -> None:
    person = Person("V(k2) = 15V\n", "GLOW(x2)=no\n", "V(p1)=skip\n")

    end = ask(start, reader, person)

    assert said(end) == {"V(ht)": 268.0, "V(k2)": 15.0}
    assert [one.text for one in end.evidence] == ["glow(X2)=no"]
    assert end.passed == {"V(p1)@idle"}
    assert person.complaints == []


def test_a_corrected_reading_replaces_the_first(start: Investigation, reader: Reader) -> None:
    assert said(ask(start, reader, Person("V(ht)=270V"))) == {"V(ht)": 270.0}


@pytest.mark.parametrize("word", [*STOP_WORDS, "STOP\n", None])
def test_stop_and_the_end_of_input_end_the_questions(
    start: Investigation, reader: Reader, word: str | None
) -> None:
    person = Person(*([word] if word is not None else []))

    assert ask(start, reader, person).readings == start.readings
    assert len(person.asked) == 1


@pytest.mark.parametrize("place", ["none/log", "."])
def test_a_log_that_cannot_be_written_is_told_before_the_first_question(
    start: Investigation, reader: Reader, tmp_path: Path, place: str
) -> None:
    person = Person("1")

    with pytest.raises(NetcheckError, match=r"the log .* cannot be written: "):
        ask_on(start, reader, Log(tmp_path / place), (), person, person.complaints.append)

    assert person.asked == []


def test_the_loop_ends_when_one_cause_stands_out(
    start: Investigation, reader: Reader, dictionary: Dictionary, row_of: Callable[[str], int]
) -> None:
    bench = Bench(dictionary, row_of("R4/open"))

    end = ask(replace(start, readings=()), reader, bench)

    first = end.posterior.hypotheses.causes[int(end.posterior.cause.argmax())]
    assert end.settled == "one cause stands out"
    assert first.id == "R4/open"
    assert end.posterior.every.max() >= STANDS_OUT
    assert len(end.readings) <= 8
    assert all(one.posterior.every.max() < STANDS_OUT for one in bench.known)


def test_the_loop_ends_when_nothing_splits_the_rest(start: Investigation, reader: Reader) -> None:
    every: Sequence[str] = [point.text for point, _ in start.points(start.situations)]
    person = Person("never asked")

    end = ask(start, reader, person, known=Known(start.readings, (), tuple(every)))

    assert person.asked == []
    assert end.settled == "no reading of the bench sheet splits what is left"


def test_nothing_is_asked_of_hot_tubes_at_full_mains(start: Investigation, reader: Reader) -> None:
    seen = parse_evidence("glow(X2)=yes")
    cool, hot = Person(*["skip"] * 40), Person(*["skip"] * 40)

    ask(start, reader, cool)
    end = ask(replace(start, evidence=(seen,)), reader, hot)

    assert any(one.endswith("@idle") for one in cool.asked)
    assert hot.asked
    assert not any(one.endswith("@idle") for one in hot.asked)
    assert SAFER.key not in end.situations, "the basis is told to solve no reduced mains"
    assert "well over its limit" in end.refused[0]


def test_readings_of_a_hot_plate_end_questions_at_full_mains(
    start: Investigation, reader: Reader, dictionary: Dictionary, row_of: Callable[[str], int]
) -> None:
    bench = Bench(dictionary, row_of("C4/shorted"))

    end = ask(replace(start, readings=()), reader, bench)

    hot = [one for one in bench.asked if one.endswith("@idle")]
    likely = [float(known.hot_risk) for known in bench.known]
    first = end.posterior.hypotheses.causes[int(end.posterior.cause.argmax())]
    assert first.id == "C4/shorted"
    assert end.refused
    assert all(likely[bench.asked.index(one)] <= HOT_RISK for one in hot)


def test_a_glow_reported_as_an_answer_ends_questions_at_full_mains(
    start: Investigation, reader: Reader
) -> None:
    person = Person("skip", "glow(X2)=yes", *["skip"] * 40)

    ask(start, reader, person)

    assert len(person.asked) > 2
    assert not any(one.endswith("@idle") for one in person.asked[2:])
