"""Readings and evidence as a user hands them over: options, a list, a filled-in bench sheet, or
answers to the program's questions.

Comes in: text, and the circuit it is about; an investigation, and somebody who answers.  Goes
out: readings and evidence whose nets and parts are there; the investigation with the answers.
A file is one of two: lines such as `V(g4)=-31.2V@tubes_out` or `glow(X4)=yes` (also as cells
`V(g4),-31.2V,tubes_out`; `#` begins a comment), or the CSV of `netcheck expect` with its last
column filled in, with commas, semicolons or tabs.  `skip` for a value says that the reading
cannot be made.

The dialog asks for the next reading until one cause stands out.  Every answer is written to a
log at once, and so is what was known before the first question: the log is a list of readings,
which `--readings` takes, so that a session that was broken off goes on from it.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from netcheck.circuit.model import GROUND, Circuit
from netcheck.diagnose.dictionary import Point
from netcheck.diagnose.evidence import EVIDENCE_KINDS, Evidence, check_evidence, parse_evidence
from netcheck.diagnose.investigation import Investigation
from netcheck.diagnose.next_probe import Proposal, point_wanted
from netcheck.diagnose.plan import Plan, Wanted
from netcheck.diagnose.posterior import point_of
from netcheck.diagnose.readings import (
    OPEN_WORDS,
    Reading,
    ReadingKind,
    check_ohms,
    parse_reading,
)
from netcheck.diagnose.situations import IDLE, POWER_OFF, SITUATIONS, TUBES_OUT
from netcheck.errors import ManyErrors, NetcheckError
from netcheck.netlist.mistakes import did_you_mean, listed
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName
from netcheck.source import SourceText, Span
from netcheck.units import format_quantity, parse_quantity

MOST_BYTES = 1_000_000
MOST_READINGS = 200
"""More readings than a bench sheet has lines are a mistake, and slow."""
MOST_LINES = 2_000
MOST_MISTAKES = 20
"""A file with more is no list of readings; the others are counted."""
MOST: Mapping[ReadingKind, tuple[float, str]] = {
    "volts": (1e5, "V"), "leak": (1e5, "V"), "amperes": (1e3, "A"), "watts": (1e5, "W"),
}  # fmt: skip
"""More cannot stand in a tube amplifier: a slip of the prefix."""
SHEET_COLUMNS = ("id", "reading")
SKIPPED = "skip"
_WORD = re.compile(r"\s*(\w+)")
_SKIP = re.compile(rf"(.*=)\s*{SKIPPED}\s*(@.*)?", re.IGNORECASE)
_COMMENT = re.compile(r"(?:^|\s)#.*")
_CURRENT_KINDS = ("resistor", "inductor", "voltage_source", "tube")


@dataclass(frozen=True, slots=True)
class Known:
    """What was read and seen; skipped: points that cannot be read, as `V(g4)@idle`."""

    readings: tuple[Reading, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    skipped: tuple[str, ...] = ()

    def with_more(self, other: Known) -> Known:
        """Return both; a point read twice counts with its last reading."""
        last = {point_of(one): one for one in (*self.readings, *other.readings)}
        seen = {_about(one): one for one in (*self.evidence, *other.evidence)}
        skipped = tuple(dict.fromkeys((*self.skipped, *other.skipped)))
        return Known(tuple(last.values()), tuple(seen.values()), skipped)

    def lines(self) -> tuple[str, ...]:
        """Return all of it as it can be typed again."""
        places = (one.rpartition("@") for one in self.skipped)
        skipped = (f"{place}={SKIPPED}@{situation}" for place, _, situation in places)
        read, seen = (one.text for one in self.readings), (one.text for one in self.evidence)
        return (*read, *seen, *skipped)


def _about(evidence: Evidence) -> tuple[str, str, str]:
    """Return what is told once only; of work that was done recently there may be several."""
    return evidence.kind, evidence.part, evidence.word if evidence.kind == "recent" else ""


class Reader:
    """Reads what is said about one circuit."""

    def __init__(self, circuit: Circuit, roles: Roles) -> None:
        self.circuit, self.roles = circuit, roles
        self._nets = {net.casefold(): net for net in circuit.nets}
        self._refs = {ref.casefold(): ref for ref in circuit.parts}

    def texts(self, texts: Iterable[str], option: str) -> Known:
        """Read the values of an option, each one reading or piece of evidence."""
        known = Known()
        for text in texts:
            try:
                known = known.with_more(self.text(text))
            except NetcheckError as error:
                raise NetcheckError(f"{option}: {error.message}", hint=error.hint) from error
        return known

    def text(self, text: str) -> Known:
        """Read one reading, one that cannot be made, or one piece of evidence."""
        text = text.strip()
        word = _WORD.match(text)
        kind = word.group(1).casefold() if word else ""
        if kind in EVIDENCE_KINDS or kind == "discoloured":
            evidence = parse_evidence(text)
            evidence = replace(evidence, part=self._ref(evidence.part))
            check_evidence(evidence, self.circuit, self.roles)
            return Known(evidence=(evidence,))
        if skip := _SKIP.fullmatch(text):
            value = "yes" if kind == "ripple" else "1"
            left_out = parse_reading(f"{skip.group(1)}{value}{skip.group(2) or ''}")
            return Known(skipped=(point_of(self.checked(left_out)).text,))
        return Known((self.checked(parse_reading(text)),))

    def checked(self, reading: Reading) -> Reading:
        """Return a reading with the names of the netlist; complains of what cannot be."""
        _check_size(reading)
        if reading.kind in ("volts", "ohms"):
            first, second = self._net(reading.first), self._net(reading.second)
            if first == second:
                raise NetcheckError(f"`{reading.text}` is read from {first} to itself")
            return replace(reading, first=first, second=second)
        if reading.kind == "ripple":
            return replace(reading, first=self._net(reading.first))
        return replace(reading, first=self._part(reading))

    def _net(self, name: str) -> str:
        known = self._nets.get(name.casefold())
        if known is None and name.casefold() == "gnd":
            return GROUND
        if known is None:
            near = did_you_mean(name, self.circuit.nets)
            raise NetcheckError(
                f"there is no net {name} in this circuit",
                hint=near or f"there are {listed(self.circuit.nets)}",
            )
        return known

    def _ref(self, name: str) -> str:
        """Return a part's name as the netlist has it; one that is not there stays as it is."""
        return self._refs.get(name.casefold(), name)

    def _part(self, reading: Reading) -> str:
        ref = self._refs.get(reading.first.casefold(), "")
        fit = [one for one in self.circuit.parts if self._can_be_read(reading.kind, one)]
        if ref and ref in fit:
            return ref
        what = {"amperes": "a current", "watts": "a plate's watts", "leak": "a leak"}
        missing = (
            f"{what[reading.kind]} cannot be read of {ref}"
            if ref
            else f"there is no part {reading.first} in this circuit"
        )
        near = did_you_mean(reading.first, fit)
        raise NetcheckError(missing, hint=near or f"it can be read of {listed(fit) or 'nothing'}")

    def _can_be_read(self, kind: str, ref: str) -> bool:
        part = self.circuit[ref]
        if kind == "leak":
            return any(
                role.name == RoleName.COUPLING_CAPACITOR and role.feeds in part.nets
                for role in self.roles.of_part(ref)
            )
        is_tube = part.kind == "tube" and part.has_pin("grid")
        if kind == "watts":
            return is_tube
        return part.kind in _CURRENT_KINDS and (part.kind != "tube" or is_tube)

    def file(self, path: Path, name: str) -> Known:
        """Read a file of readings; all its mistakes are told at once."""
        source = SourceText(name, _content(path))
        rows = list(_rows(source))
        if len(rows) > MOST_LINES:
            raise NetcheckError(f"{name} has {len(rows)} lines, more than {MOST_LINES}")
        head = [cell.strip().casefold() for cell in rows[0][1]] if rows else []
        if all(column in head for column in SHEET_COLUMNS):
            pieces = self._sheet(source, head, rows[1:])
        else:
            pieces = self._list(source, rows)
        known, errors = Known(), []
        for piece in pieces:
            if isinstance(piece, NetcheckError):
                errors.append(piece)
            else:
                known = known.with_more(piece)
        if len(known.readings) > MOST_READINGS:
            errors.append(NetcheckError(f"{name} has more than {MOST_READINGS} readings"))
        if len(errors) > MOST_MISTAKES:
            more = NetcheckError(
                f"{name} has {len(errors) - MOST_MISTAKES} more mistakes",
                hint="is it a list of readings, or a bench sheet?",
            )
            errors = [*errors[:MOST_MISTAKES], more]
        if errors:
            raise errors[0] if len(errors) == 1 else ManyErrors(errors)
        return known

    def _list(
        self, source: SourceText, rows: Sequence[tuple[int, list[str]]]
    ) -> Iterator[Known | NetcheckError]:
        for number, cells in rows:
            try:
                yield self.text(_joined(cells))
            except NetcheckError as error:
                yield _at(source, number, error)

    def _sheet(
        self, source: SourceText, head: Sequence[str], rows: Sequence[tuple[int, list[str]]]
    ) -> Iterator[Known | NetcheckError]:
        lines = self._sheet_lines()
        at_id, at_reading = head.index("id"), head.index("reading")
        for number, cells in rows:
            is_line = len(cells) > max(at_id, at_reading)
            if is_line and not cells[at_reading].strip():
                continue
            try:
                if is_line:
                    yield self._sheet_reading(lines, cells[at_id], cells[at_reading])
                elif "/" not in cells[0] or "=" in cells[0]:  # a line of a log below the sheet
                    yield self.text(_joined(cells))
            except NetcheckError as error:
                yield _at(source, number, error)

    def _sheet_lines(self) -> dict[str, tuple[str, Wanted]]:
        plan = Plan(self.circuit, self.roles)
        lists = {POWER_OFF.key: plan.power_off(), TUBES_OUT.key: plan.tubes_out()}
        lists |= {
            one.key: plan.idle() if one.key == IDLE.key else plan.reduced()
            for one in SITUATIONS
            if one.key not in lists
        }
        return {
            f"{key}/{wanted.name}".casefold(): (key, wanted)
            for key, all_wanted in lists.items()
            for wanted in all_wanted
        }

    def _sheet_reading(
        self, lines: dict[str, tuple[str, Wanted]], line_id: str, text: str
    ) -> Known:
        if line_id.strip().casefold() not in lines:
            behind_lamp = line_id.strip().casefold().startswith("lamp/")
            raise NetcheckError(
                f"the bench sheet of this circuit has no line `{line_id}` that can be weighed",
                hint="what was read behind the lamp is not weighed: leave it empty"
                if behind_lamp
                else did_you_mean(line_id, lines) or "is it the sheet of this netlist?",
            )
        key, wanted = lines[line_id.strip().casefold()]
        point = point_wanted(wanted, key)
        if text.strip().casefold() == SKIPPED:
            return Known(skipped=(point.text,) if point else ())
        if wanted.unit == "ohm" and text.strip().casefold() in OPEN_WORDS:
            value = math.inf
        else:
            value = parse_quantity(text.strip(), wanted.unit)
        if wanted.unit == "W":
            watts = Reading("watts", wanted.tubes[0], "", value, key)
            return Known((self.checked(watts),))
        if point is None:
            raise NetcheckError(f"`{line_id}` is no measurement: both probes are on {wanted.net_a}")
        read = Reading(point.kind, point.first, point.second, value / wanted.scale, key)
        return Known((self.checked(read),))


def _check_size(reading: Reading) -> None:
    """Complain of a value that no meter can have shown."""
    check_ohms(reading)
    most, unit = MOST.get(reading.kind, (math.inf, ""))
    if max(abs(reading.value), reading.accuracy) > most:
        raise NetcheckError(
            f"`{reading.text}` cannot be: it is more than {format_quantity(most, unit)}",
            hint="is the prefix right?",
        )


def _content(path: Path) -> str:
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
        if len(content) > MOST_BYTES:
            raise NetcheckError(
                f"{path} is larger than {MOST_BYTES // 1000} kB: that is no list of readings"
            )
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise NetcheckError(f"{path} is not UTF-8 text") from error
    except OSError as error:
        raise NetcheckError(f"{path} cannot be read: {error.strerror or error}") from error


def _rows(source: SourceText) -> Iterator[tuple[int, list[str]]]:
    """Yield line numbers and cells of lines that are neither empty nor comments."""
    text = [f"{line}\n" for line in source.lines]
    reader = csv.reader(text, strict=True, delimiter=_delimiter(source))
    last = 0
    try:
        for cells in reader:
            is_comment = bool(cells) and cells[0].lstrip().startswith("#")
            if any(cell.strip() for cell in cells) and not is_comment:
                yield last + 1, cells
            last = reader.line_num
    except csv.Error as error:
        raise _at(source, last + 1, NetcheckError(f"this is not CSV: {error}")) from error


def _delimiter(source: SourceText) -> str:
    """Return what stands between cells; only the head of a sheet can say that it is no comma."""
    first = next((line for line in source.lines if line.strip()), "").casefold()
    heads = {mark: [cell.strip(' "') for cell in first.split(mark)] for mark in ";\t"}
    fit = (mark for mark, head in heads.items() if all(one in head for one in SHEET_COLUMNS))
    return next(fit, ",")


def _joined(cells: Sequence[str]) -> str:
    """Return the text of one reading: `V(a,b)=2V@idle`, however it was cut into cells."""
    text = _COMMENT.sub("", ",".join(cell.strip() for cell in cells)).strip(" ,")
    if "=" in text or "," not in text:
        return text
    what, bracket, rest = text.partition(")")
    values = [cell.strip() for cell in rest.lstrip(" ,").split(",") if cell.strip()]
    if not values and not bracket:
        what, _, value = text.partition(",")
        return f"{what}={value}"
    situation = f"@{values[1]}" if len(values) > 1 else ""
    error = f"+-{values[2]}" if len(values) > 2 else ""
    meter = f" by {values[3]}" if len(values) > 3 else ""
    if len(values) > 4:
        raise NetcheckError(
            f"`{text}` has {len(values)} cells after the reading's name",
            hint="value, situation, error and meter, such as V(g4),-31.2V,idle,0.1V,20kohm/V",
        )
    return f"{what}{bracket}={values[0] if values else ''}{error}{situation}{meter}"


def _at(source: SourceText, number: int, error: NetcheckError) -> NetcheckError:
    """Return an error with the line it is about."""
    end = len(source.line(number)) + 1
    span = Span(source.name, number, 1, number, max(end, 2))
    return NetcheckError(error.message, span=span, source=source, hint=error.hint)


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
