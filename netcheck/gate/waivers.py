"""Waivers: what is known and accepted, for a reason and until a date.

Comes in: the rows of a netlist, the waivers of the policy, and today's date.  Goes
out: the rows, with those that a waiver fits marked as waived.  An expired waiver
waives nothing and says so; one that nothing needed says so at the end of the run.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace

from netcheck.gate.fits import matches
from netcheck.gate.policy import Waiver
from netcheck.report.checks import CheckRow

_WAIVABLE = frozenset({"fail", "unsolved", "warn"})


@dataclass(frozen=True, slots=True)
class Waived:
    """Rows after waiving, and the numbers of the waivers they needed."""

    rows: tuple[CheckRow, ...]
    used: frozenset[int]


def apply_waivers(
    rows: Iterable[CheckRow], file: str, waivers: Sequence[Waiver], today: dt.date
) -> Waived:
    """Return the rows of one netlist with the waivers applied to them."""
    used: set[int] = set()
    made = []
    for row in rows:
        fitting = [
            (number, waiver)
            for number, waiver in enumerate(waivers)
            if row.outcome in _WAIVABLE and _fits(waiver, row, file)
        ]
        used |= {number for number, _ in fitting}
        made.append(_waived(row, fitting, today))
    return Waived(tuple(made), frozenset(used))


def _waived(row: CheckRow, fitting: Sequence[tuple[int, Waiver]], today: dt.date) -> CheckRow:
    """Return the row waived by the first waiver that holds, if one does."""
    for number, waiver in fitting:
        if waiver.expires >= today:
            because = f"waived until {waiver.expires.isoformat()}: {waiver.reason}"
            because += f" (else: {row.because})"
            return replace(row, outcome="waived", rule=waiver_name(number), because=because)
    if fitting:
        note = f"the waiver of it expired on {fitting[-1][1].expires.isoformat()}"
        return replace(row, because=f"{row.because}; {note}".lstrip("; "))
    return row


def waiver_rows(
    waivers: Sequence[Waiver], used: Collection[int], files: Sequence[str], today: dt.date
) -> tuple[CheckRow, ...]:
    """Return a warning for each waiver that has expired or that nothing needed.

    One that names a file which was not looked at may well be needed.
    """
    rows = []
    for number, waiver in enumerate(waivers):
        if waiver.expires < today:
            state, said = "expired", f"expired on {waiver.expires.isoformat()}"
        elif number not in used and any(matches((waiver.file,), (file,)) for file in files):
            state, said = "unused", "is not needed by anything that was looked at"
        else:
            continue
        rows.append(
            CheckRow(
                f"waiver/{state}/{_target(waiver)}",
                "waiver",
                "warn",
                waiver_name(number),
                f"the waiver of {_target(waiver)} {said} (its reason: {waiver.reason})",
                waiver_name(number),
                "a waiver is kept only as long as it is needed, and renewed on purpose",
                verdict=state,
            )
        )
    return tuple(rows)


def waiver_name(number: int) -> str:
    """Return how a waiver is called: by its place in the policy."""
    return f"waivers: number {number + 1}"


def _target(waiver: Waiver) -> str:
    named = [waiver.fault, waiver.part, waiver.wiring]
    where = "" if waiver.file == "*" else f" in {waiver.file}"
    return f"{' '.join(word for word in named if word)}{where}"


def _fits(waiver: Waiver, row: CheckRow, file: str) -> bool:
    """Everything the waiver names has to fit; a fault stands for its tipping points too."""
    if not matches((waiver.file,), (file, file.rpartition("/")[2])):
        return False
    if waiver.part and not matches((waiver.part,), row.parts or ("",)):
        return False
    if waiver.fault and not (
        row.family in {"fault", "tipping"} and matches((waiver.fault,), (row.subject,))
    ):
        return False
    return not waiver.wiring or (
        row.family == "wiring" and matches((waiver.wiring,), (row.subject,))
    )
