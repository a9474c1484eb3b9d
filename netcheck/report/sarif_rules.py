"""What each SARIF rule of netcheck means, and what to do about it.

Comes in: a row.  Goes out: the id of its rule, and for an id the descriptor with a
help text.  Kinds of fault speak for themselves through the register of faults;
findings about a netlist through that of findings.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from netcheck.findings import FINDING_KINDS
from netcheck.models.checks import CheckRow
from netcheck.report.words import quantity_words

if TYPE_CHECKING:
    from netcheck.faults.base import FaultKind

Json = dict[str, Any]

_FAMILIES: dict[str, tuple[str, str]] = {
    "netlist": (
        "The netlist could not be audited",
        "Correct what the message names. A netlist that cannot be read or solved passes nothing.",
    ),
    "tolerance": (
        "Built units at their tolerances",
        "Loads when parts, tubes and mains stand at the ends of their tolerances.",
    ),
    "waiver": (
        "A waiver has expired or is not needed",
        "Remove the waiver, or renew it with a reason that still holds.",
    ),
}


def rule_id(row: CheckRow) -> str:
    """Return the id of the rule that a row is a result of."""
    if row.family == "healthy":
        return f"healthy/{row.load.quantity if row.load else 'unsolved'}"
    if row.family in {"fault", "tipping", "wiring"} and row.kind:
        return f"{row.family}/{row.kind}"
    return row.family


def descriptor(name: str) -> Json:
    """Return the description of one rule, with help."""
    title, text = _words(name)
    return {
        "id": name,
        "name": "".join(word.capitalize() for word in _letters(name).split()),
        "shortDescription": {"text": title},
        "fullDescription": {"text": text},
        "help": {"text": f"{title}. {text}"},
    }


def _letters(name: str) -> str:
    return "".join(sign if sign.isalnum() else " " for sign in name)


def _words(name: str) -> tuple[str, str]:
    family, _, kind = name.partition("/")
    if family == "healthy" and kind != "unsolved":
        return (
            f"Load of the healthy circuit: {quantity_words(kind)}",
            "The healthy circuit loads a part beyond the share of its rating that the policy "
            "allows. Change the circuit or the part.",
        )
    if family == "healthy":
        return (
            "The healthy circuit was not solved or not judged",
            "What has no solution or no rating cannot be called within limits.",
        )
    if family == "fault":
        return _of_fault(kind)
    if family == "tipping":
        title, _ = _of_fault(kind)
        return (
            f"How small a defect is enough: {title}",
            "The growing defect puts a part over its limit earlier than the policy allows. "
            "A lower grid leak, more bias or a better part moves the tipping point away.",
        )
    if family == "wiring":
        known = FINDING_KINDS.get(kind)
        if known is None:
            return (f"About the netlist: {kind}", "The message says it.")
        return (known.title, f"{known.why} Source: {known.source}.")
    return _FAMILIES.get(family, (family, "See the message."))


def _of_fault(kind: str) -> tuple[str, str]:
    found = _kinds().get(kind)
    if found is None:
        return (f"Fault: {kind.replace('_', ' ')}", "A single fault of the circuit.")
    text = f"{found.model} Likelihood: {found.likelihood} Next step: {found.next_step}"
    return f"Fault: {found.title}", f"{text} Source: {found.source}"


@cache
def _kinds() -> dict[str, FaultKind]:
    """Return the kinds of fault by the word in their ids; the first one listed wins."""
    from netcheck.faults import FAULT_KINDS

    kinds: dict[str, FaultKind] = {}
    for kind in FAULT_KINDS:
        for word in kind.kinds:
            kinds.setdefault(word, kind)
    return kinds
