"""The run of the gate: one netlist after the other, rows kept and audits let go.

Comes in: netlists, policy, baseline, and either the function that audits one here or
what was decided of each elsewhere (`spread.py`).  Goes out: one `CheckReport`.  A
netlist that cannot be audited is a row, and the others go on; an interrupt ends the run
with what was finished.  No solver at all ends it at once.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from netcheck import __version__
from netcheck.errors import NetcheckError, SolverUnavailableError
from netcheck.gate.baseline import Baseline, compare, compare_files
from netcheck.gate.decide import Decided, broken, decide, skipped, unanswered, waiver_rows
from netcheck.gate.policy import FoundPolicy
from netcheck.models.audit import Audit
from netcheck.models.checks import CheckReport
from netcheck.models.packed import PackedFiles
from netcheck.netlist.lines import DEFAULT_LIMITS, read_source
from netcheck.netlist.schematics.below import ENDINGS as SCHEMATIC_ENDINGS
from netcheck.netlist.schematics.below import sheets_below

TRACEBACK_VARIABLE = "NETCHECK_TRACEBACK"
AuditOne = Callable[[Path], Audit]


def run_gate(
    netlists: Sequence[Netlist],
    found: FoundPolicy,
    audit_one: AuditOne,
    today: dt.date,
    baseline: Baseline | None = None,
) -> CheckReport:
    """Audit all netlists, one after the other, and hold each against the policy."""
    decisions = (decide_one(netlist, found, audit_one, today) for netlist in netlists)
    return gather(netlists, found, decisions, today, baseline)


def gather(
    netlists: Sequence[Netlist],
    found: FoundPolicy,
    decisions: Iterator[Decided],
    today: dt.date,
    baseline: Baseline | None = None,
) -> CheckReport:
    """Make one report of what was decided of each netlist, in their order."""
    policy = found.policy
    files = PackedFiles()
    names = [netlist.name for netlist in netlists]
    used: set[int] = set()
    interrupted = False
    for netlist in netlists:
        if interrupted:
            files.append(skipped(netlist.name))
            continue
        try:
            decided = next(decisions)
        except KeyboardInterrupt:
            interrupted = True
            files.append(skipped(netlist.name))
            continue
        interrupted = decided.interrupted
        used |= decided.waivers_used
        files.append(compare(decided.checked, baseline) if baseline else decided.checked)
    rows = () if interrupted else waiver_rows(policy.waivers, used, names, today)
    gone = compare_files(names, baseline) if baseline else ()
    return CheckReport(
        files,
        found.name,
        __version__,
        (*rows, *gone),
        baseline.name if baseline else "",
        interrupted,
    )


def decide_one(
    netlist: Netlist, found: FoundPolicy, audit_one: AuditOne, today: dt.date
) -> Decided:
    """Audit one netlist; whatever goes wrong with it is a row."""
    given = netlist.path.as_posix()
    try:
        return decide(audit_one(netlist.path), found.policy, netlist.name, today)
    except SolverUnavailableError:
        raise
    except NetcheckError as error:
        return Decided(unanswered(error, netlist.name, given))
    except Exception as error:
        if os.environ.get(TRACEBACK_VARIABLE) == "1":
            raise
        return Decided(broken(error, netlist.name))


ENDINGS = frozenset({".cir", ".ckt", ".net", ".sp", ".spi", ".spice"})
"""Usual endings of SPICE netlists; `.lib` and `.inc` are for including.  Common practice."""
ALL_ENDINGS = ENDINGS | SCHEMATIC_ENDINGS


@dataclass(frozen=True, slots=True)
class Netlist:
    """A netlist to audit: the path to open, and the name to show."""

    path: Path
    name: str


def find_netlists(given: Sequence[Path], exclude: Sequence[str], here: Path) -> list[Netlist]:
    """Return the netlists of all paths; raises NetcheckError where a path has none."""
    found: list[Netlist] = []
    seen: set[Path] = set()
    taken: set[str] = set()
    for path in given:
        listed = list(_below(path, exclude)) if path.is_dir() else [path]
        if path.is_dir() and not listed:
            raise NetcheckError(
                f"there is no netlist in {path.name or path}",
                hint=f"netlists of a folder end in {', '.join(sorted(ALL_ENDINGS))}",
            )
        for one in listed:
            if not one.exists():
                raise NetcheckError(f"there is no file {one}")
            real = Path(os.path.realpath(one))
            if real not in seen:
                seen.add(real)
                folder = path if path.is_dir() else None
                named = _named(one, folder, here, taken)
                taken.add(named.name)
                found.append(named)
    return found


def _below(folder: Path, exclude: Sequence[str]) -> Iterator[Path]:
    for place, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        below = _sheets_below(Path(place), files)
        for name in sorted(files):
            path = Path(place) / name
            relative = path.relative_to(folder).as_posix()
            if path.suffix.lower() not in ALL_ENDINGS or name.startswith("."):
                continue
            if name.casefold() in below:
                continue
            if not any(fnmatchcase(relative, pattern) for pattern in exclude):
                yield path


def _sheets_below(place: Path, files: Sequence[str]) -> set[str]:
    """Return the sheets of a folder that others of it use: they are no amplifiers alone.

    Of sheets that only use each other none is left out, so that the mistake is a row.
    """
    uses: dict[str, frozenset[str]] = {}
    for name in files:
        path = place / name
        if path.suffix.lower() in SCHEMATIC_ENDINGS:
            with contextlib.suppress(NetcheckError):
                text = read_source(path, name, DEFAULT_LIMITS).text
                uses[name.casefold()] = sheets_below(text) - {name.casefold()}
    used = frozenset().union(*uses.values())
    below: set[str] = set()
    found = [name for name in uses if name not in used]
    while found:
        more = uses.get(found.pop(), frozenset()) - below
        below |= more
        found += more
    return below


def _named(path: Path, folder: Path | None, here: Path, taken: set[str]) -> Netlist:
    """Name a netlist relative to `here`, or after its folder where it lies elsewhere.

    folder: the one that was named and has the netlist below it, if it was a folder.
    """
    absolute = _plain(path)
    if absolute.is_relative_to(here):
        relative = absolute.relative_to(here)
        return Netlist(relative, relative.as_posix())
    if not path.is_absolute():
        return Netlist(path, path.as_posix())
    parts = absolute.parts
    length = 1 if folder is None else len(absolute.relative_to(_plain(folder)).parts) + 1
    while (name := "/".join(parts[-length:])) in taken and length < len(parts) - 1:
        length += 1
    return Netlist(path, name)


def _plain(path: Path) -> Path:
    return Path(os.path.normpath(path.absolute()))
