"""The netlists that files and folders stand for.

Comes in: paths as the user gave them.  Goes out: each netlist once, in a fixed order,
with the name the report calls it by: relative to where the user stands, never a path
of the machine.  A file that is named is taken whatever it is called; of a folder,
those with a usual ending.  Hidden folders are passed over and links to folders are
not followed.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from netcheck.errors import NetcheckError

ENDINGS = frozenset({".cir", ".ckt", ".net", ".sp", ".spi", ".spice"})
"""Usual endings of SPICE netlists; `.lib` and `.inc` are for including.  Common practice."""


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
                hint=f"netlists of a folder end in {', '.join(sorted(ENDINGS))}",
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
        for name in sorted(files):
            path = Path(place) / name
            relative = path.relative_to(folder).as_posix()
            if path.suffix.lower() not in ENDINGS or name.startswith("."):
                continue
            if not any(fnmatchcase(relative, pattern) for pattern in exclude):
                yield path


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
