"""The list of kinds of fault: how each is modelled, its sizes, how likely it is.

Comes in: the register `netcheck.faults.FAULT_KINDS`.  Goes out: text for a person,
by group, each kind in full or in some lines, or JSON for a machine.
How likely each word of a kind is stands beside it for every state of the set.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from rich.console import Console

from netcheck.errors import NetcheckError
from netcheck.faults.build_state import BUILD_STATES, STATE_WORDS, level_in
from netcheck.likelihoods import LIKELIHOOD_WORDS, LikelihoodClass
from netcheck.netlist.mistakes import did_you_mean
from netcheck.report.terminal.layout import Column, hanging, heading, paragraph, safe, table
from netcheck.report.words import counted

if TYPE_CHECKING:
    from netcheck.faults.base import BuildState, FaultKind, Word

LIST_SCHEMA_VERSION = "1.2"
SHOWN_STATES: tuple[BuildState, ...] = ("new_build", "restored", "untouched_and_old", "unknown")


def look_up(kinds: Sequence[FaultKind], name: str) -> tuple[FaultKind, ...]:
    """Return the kinds of one name, group or word of an id, or say which is close."""
    wanted = name.casefold().replace(" ", "_")
    found = tuple(kind for kind in kinds if wanted in _names(kind))
    if found:
        return found
    known = {each for kind in kinds for each in _names(kind)}
    raise NetcheckError(
        f"there is no kind of fault `{name}`",
        hint=did_you_mean(wanted, known) or "`netcheck faults` lists the kinds on file",
    )


def _names(kind: FaultKind) -> set[str]:
    return {kind.name, kind.group.replace(" ", "_"), *kind.kinds}


def to_json(kinds: Sequence[FaultKind]) -> str:
    """Return kinds of fault as one JSON object."""
    listed = [
        {
            "name": kind.name,
            "title": kind.title,
            "group": kind.group,
            "kinds": list(kind.kinds),
            "does": kind.does,
            "why": kind.why,
            "limits": kind.limits,
            "examples": list(kind.examples),
            "model": kind.model,
            "defects": kind.defects,
            "likelihood": kind.likelihood,
            "likelihood_by_build": {
                word.name: dict(zip(BUILD_STATES, _levels(word, BUILD_STATES), strict=True))
                for word in kind.words
            },
            "causes": {word.name: word.cause for word in kind.words},
            "readings": kind.readings,
            "next_step": kind.next_step,
            "source": kind.source,
        }
        for kind in kinds
    ]
    return json.dumps({"schema_version": LIST_SCHEMA_VERSION, "faults": listed}, indent=1) + "\n"


def write(console: Console, kinds: Sequence[FaultKind]) -> None:
    """Write kinds of fault in short: by group, with how likely each is in each state."""
    _opening(console, kinds)
    paragraph(console, "`netcheck faults KIND` shows one kind in full, `--all` every kind.")
    columns = [Column("kind", wrap=False), Column("word in ids", wrap=False)]
    columns += [Column(STATE_WORDS[state]) for state in SHOWN_STATES]
    for group, members in _groups(kinds):
        heading(console, group)
        rows = [
            (
                kind.name if number == 0 else "",
                word.name,
                *(LIKELIHOOD_WORDS[level] for level in _levels(word, SHOWN_STATES)),
            )
            for kind in members
            for number, word in enumerate(kind.words)
            if not word.swept_only
        ]
        table(console, columns, rows)


def write_full(console: Console, kinds: Sequence[FaultKind]) -> None:
    """Write kinds of fault by group, each with model, sizes, likelihood and source."""
    _opening(console, kinds)
    for group, members in _groups(kinds):
        heading(console, group)
        for kind in members:
            _write_kind(console, kind)


def _opening(console: Console, kinds: Sequence[FaultKind]) -> None:
    paragraph(console, f"{counted(len(kinds), 'kind')} of fault on file.")
    paragraph(
        console,
        "How likely each is depends on what stands on the bench. Wear goes by the age in a part's "
        "note where there is one, and a capacitor with a stated dielectric goes by that.",
    )


def _groups(kinds: Sequence[FaultKind]) -> Iterator[tuple[str, tuple[FaultKind, ...]]]:
    for group in dict.fromkeys(kind.group for kind in kinds):
        members = tuple(kind for kind in kinds if kind.group == group)
        yield f"{group[0].upper()}{group[1:]}", members


def _levels(word: Word, states: Sequence[BuildState]) -> tuple[LikelihoodClass, ...]:
    return tuple(level_in(word.level, word.cause, state) for state in states)


def _write_kind(console: Console, kind: FaultKind) -> None:
    console.print()
    console.print(safe(kind.title, "bold"))
    ids = ", ".join(f"<parts>/{word}" for word in kind.kinds)
    for label, text in (
        ("id", ids),
        ("example", ", ".join(kind.examples)),
        ("fault", kind.does),
        ("overheats", kind.why),
        ("model", kind.model),
        ("limits", kind.limits),
        ("defects", kind.defects),
        ("likelihood", kind.likelihood),
        ("readings", kind.readings),
        ("next step", kind.next_step),
        ("source", kind.source),
    ):
        if text:
            hanging(console, f"  {label:<11} ", safe(text))
    for word in kind.words:
        levels = _levels(word, SHOWN_STATES)
        shown = ", ".join(
            f"{STATE_WORDS[state]} {LIKELIHOOD_WORDS[level]}"
            for state, level in zip(SHOWN_STATES, levels, strict=True)
        )
        if len(set(levels)) == 1:
            shown = f"{LIKELIHOOD_WORDS[levels[0]]} in any state"
        hanging(console, f"  {'by state':<11} ", safe(f"{word.name}: {shown}"))
