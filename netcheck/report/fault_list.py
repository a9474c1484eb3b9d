"""The list of kinds of fault: how each is modelled, its sizes, how likely it is.

Comes in: the register `netcheck.faults.FAULT_KINDS`.  Goes out: text for a person
or JSON for a machine.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console

from netcheck.report.terminal.layout import hanging, heading, paragraph, safe
from netcheck.report.words import counted

if TYPE_CHECKING:
    from netcheck.faults.base import FaultKind

LIST_SCHEMA_VERSION = "1.0"


def to_json(kinds: Sequence[FaultKind]) -> str:
    """Return kinds of fault as one JSON object."""
    listed = [
        {
            "name": kind.name,
            "title": kind.title,
            "kinds": list(kind.kinds),
            "model": kind.model,
            "defects": kind.defects,
            "likelihood": kind.likelihood,
            "readings": kind.readings,
            "next_step": kind.next_step,
            "source": kind.source,
        }
        for kind in kinds
    ]
    return json.dumps({"schema_version": LIST_SCHEMA_VERSION, "faults": listed}, indent=1) + "\n"


def write(console: Console, kinds: Sequence[FaultKind]) -> None:
    """Write kinds of fault, each with model, sizes, likelihood and source."""
    paragraph(console, f"{counted(len(kinds), 'kind')} of fault on file.")
    for kind in kinds:
        heading(console, kind.title)
        ids = ", ".join(f"<parts>/{word}" for word in kind.kinds)
        for label, text in (
            ("id", ids),
            ("model", kind.model),
            ("defects", kind.defects),
            ("likelihood", kind.likelihood),
            ("readings", kind.readings),
            ("next step", kind.next_step),
            ("source", kind.source),
        ):
            if text:
                hanging(console, f"{label:<11} ", safe(text))
