"""Says which tubes of a circuit are judged by data files of the user.

Comes in: a circuit and the library it was built with.  Goes out: a note for each type
that came from the user's folder, since its limits are then not those on file.
"""

from __future__ import annotations

from pathlib import PurePath

from netcheck.circuit.model import Circuit
from netcheck.findings import Finding
from netcheck.tubes.library import TubeLibrary


def own_tube_findings(circuit: Circuit, library: TubeLibrary) -> tuple[Finding, ...]:
    """Return a note for each type of the user's own; the path is left out of it."""
    first: dict[str, str] = {}
    for part in circuit.parts.values():
        if part.tube is not None:
            first.setdefault(part.tube.name, part.ref)
    return tuple(
        Finding(
            "own-tube-file",
            "note",
            f"limits and law of {name} are those of your own file {PurePath(file).name}",
            ref,
        )
        for name, ref in first.items()
        if (file := library.file_of(name))
    )
