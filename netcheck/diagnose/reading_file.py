"""Readings and evidence as a user hands them over: options, a list, or a filled-in bench sheet.

Comes in: text, and the circuit it is about.  Goes out: readings and evidence whose nets and
parts are there.  A file is one of two: lines such as `V(g4)=-31.2V@tubes_out` or
`glow(X4)=yes` (also as cells `V(g4),-31.2V,tubes_out`; `#` begins a comment), or the CSV of
`netcheck expect` with its last column filled in.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from netcheck.circuit.model import Circuit
from netcheck.diagnose.evidence import EVIDENCE_KINDS, Evidence, check_evidence, parse_evidence
from netcheck.diagnose.next_probe import point_wanted
from netcheck.diagnose.plan import Plan, Wanted
from netcheck.diagnose.readings import OPEN_WORDS, Reading, parse_reading
from netcheck.diagnose.situations import IDLE, POWER_OFF, SITUATIONS, TUBES_OUT
from netcheck.errors import ManyErrors, NetcheckError
from netcheck.netlist.suggest import did_you_mean, listed
from netcheck.roles.base import Roles
from netcheck.source import SourceText, Span
from netcheck.units import parse_quantity

MOST_BYTES = 1_000_000
MOST_READINGS = 200
"""More readings than a bench sheet has lines are a mistake, and slow."""
SHEET_COLUMNS = ("id", "reading")
SKIPPED = "skip"
_WORD = re.compile(r"\s*(\w+)")
_CURRENT_KINDS = ("resistor", "inductor", "voltage_source", "tube")


@dataclass(frozen=True, slots=True)
class Known:
    """What was read and seen; skipped: readings that were asked for and not made."""

    readings: tuple[Reading, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    skipped: tuple[str, ...] = ()

    def with_more(self, other: Known) -> Known:
        """Return both; a point read twice counts with its last reading."""
        last = {_place(one): one for one in (*self.readings, *other.readings)}
        seen = {(one.kind, one.part): one for one in (*self.evidence, *other.evidence)}
        return Known(tuple(last.values()), tuple(seen.values()), (*self.skipped, *other.skipped))


def _place(reading: Reading) -> tuple[str, str, str, str]:
    return reading.kind, reading.first, reading.second, reading.situation


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
        """Read one reading or one piece of evidence."""
        word = _WORD.match(text)
        kind = word.group(1).casefold() if word else ""
        if kind in EVIDENCE_KINDS or kind == "discoloured":
            evidence = parse_evidence(text)
            check_evidence(evidence, self.circuit, self.roles)
            return Known(evidence=(evidence,))
        return Known((self.checked(parse_reading(text)),))

    def checked(self, reading: Reading) -> Reading:
        """Return a reading with the names of the netlist; complains of what is not there."""
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
        if known is None:
            near = did_you_mean(name, self.circuit.nets)
            raise NetcheckError(
                f"there is no net {name} in this circuit",
                hint=near or f"there are {listed(self.circuit.nets)}",
            )
        return known

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
                role.name == "coupling_capacitor" and role.feeds in part.nets
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
        if errors:
            raise errors[0] if len(errors) == 1 else ManyErrors(errors)
        return known

    def _list(
        self, source: SourceText, rows: Sequence[tuple[int, list[str]]]
    ) -> Iterator[Known | NetcheckError]:
        for number, cells in rows:
            text = _joined(cells)
            try:
                if text.rpartition("=")[2].partition("@")[0].strip().casefold() == SKIPPED:
                    yield Known(skipped=(text.replace(" ", ""),))
                else:
                    yield self.text(text)
            except NetcheckError as error:
                yield _at(source, number, error)

    def _sheet(
        self, source: SourceText, head: Sequence[str], rows: Sequence[tuple[int, list[str]]]
    ) -> Iterator[Known | NetcheckError]:
        lines = self._sheet_lines()
        at_id, at_reading = head.index("id"), head.index("reading")
        for number, cells in rows:
            if len(cells) <= max(at_id, at_reading) or not cells[at_reading].strip():
                continue
            try:
                yield Known((self._sheet_reading(lines, cells[at_id], cells[at_reading]),))
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
    ) -> Reading:
        if line_id.strip().casefold() not in lines:
            raise NetcheckError(
                f"the bench sheet of this circuit has no line `{line_id}` that can be weighed",
                hint=did_you_mean(line_id, lines) or "is it the sheet of this netlist?",
            )
        key, wanted = lines[line_id.strip().casefold()]
        if wanted.unit == "ohm" and text.strip().casefold() in OPEN_WORDS:
            value = math.inf
        else:
            value = parse_quantity(text.strip(), wanted.unit)
        if wanted.unit == "W":
            return Reading("watts", wanted.tubes[0], "", value, key)
        point = point_wanted(wanted, key)
        if point is None:
            raise NetcheckError(f"`{line_id}` is no measurement: both probes are on {wanted.net_a}")
        return Reading(point.kind, point.first, point.second, value / wanted.scale, key)


def _content(path: Path) -> str:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise NetcheckError(f"{path} is larger than {MOST_BYTES // 1000} kB", hint="readings?")
        return path.read_text("utf-8-sig")
    except UnicodeDecodeError as error:
        raise NetcheckError(f"{path} is not UTF-8 text") from error
    except OSError as error:
        raise NetcheckError(f"{path} cannot be read: {error.strerror or error}") from error


def _rows(source: SourceText) -> Iterator[tuple[int, list[str]]]:
    """Yield line numbers and cells of lines that are neither empty nor comments."""
    try:
        reader = csv.reader(source.text.splitlines(keepends=True), strict=True)
        for cells in reader:
            if cells and any(cell.strip() for cell in cells) and not cells[0].startswith("#"):
                yield reader.line_num, cells
    except csv.Error as error:
        raise _at(source, reader.line_num, NetcheckError(f"this is not CSV: {error}")) from error


def _joined(cells: Sequence[str]) -> str:
    """Return the text of one reading: `V(a,b)=2V@idle`, however it was cut into cells."""
    text = ",".join(cell.strip() for cell in cells).strip(",")
    if "=" in text:
        return text
    what, bracket, rest = text.partition(")")
    values = [cell for cell in rest.lstrip(",").split(",") if cell]
    if not values and not bracket:
        what, _, value = text.partition(",")
        return f"{what}={value}"
    situation = f"@{values[1]}" if len(values) > 1 else ""
    error = f"+-{values[2]}" if len(values) > 2 else ""
    return f"{what}{bracket}={values[0] if values else ''}{error}{situation}"


def _at(source: SourceText, number: int, error: NetcheckError) -> NetcheckError:
    """Return an error with the line it is about."""
    end = len(source.line(number)) + 1
    span = Span(source.name, number, 1, number, max(end, 2))
    return NetcheckError(error.message, span=span, source=source, hint=error.hint)
