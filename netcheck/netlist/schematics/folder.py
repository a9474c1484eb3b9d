"""Files beside a schematic: symbols and sheets, never anything above its folder.

Names come from the schematic, which is a stranger's: each is looked for below the folder
only, links resolved, and what is read in all is bounded like a netlist with its includes.
Case is ignored, since such schematics were mostly drawn where file names have none.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from netcheck.errors import NetlistError
from netcheck.netlist.lines import ReadLimits, raised_by, read_source
from netcheck.source import SourceText

MOST_FILES = 500
"""Sheets and symbol files of one schematic."""
MOST_ENTRIES = 20_000
"""Entries of one folder that are looked at."""


@dataclass(slots=True)
class SheetFolder:
    """The folder a schematic was read from, and what has been read of it.

    shown: the folder as messages name it, relative to where the user stands.
    """

    root: Path | None
    shown: PurePosixPath
    limits: ReadLimits
    size: int = 0
    files: dict[PurePosixPath, SourceText | None] = field(default_factory=dict)
    _listed: dict[Path, dict[str, str]] = field(default_factory=dict)

    def read(self, *names: PurePosixPath) -> SourceText | None:
        """Return the first of some files, named relative to the folder, that is there."""
        for name in names:
            if name not in self.files:
                self.files[name] = self._read(name)
            if (source := self.files[name]) is not None:
                return source
        return None

    def _read(self, name: PurePosixPath) -> SourceText | None:
        path = self._path(name)
        if path is None:
            return None
        if len(self.files) >= MOST_FILES:
            raise NetlistError(f"the schematic asks for more than {MOST_FILES} files, the limit")
        source = read_source(path, str(self.shown / name), self.limits)
        self.size += len(source.text)
        if self.size > self.limits.file_bytes:
            raise NetlistError(
                f"the schematic and its files are larger than {self.limits.file_bytes} bytes, "
                "the limit",
                hint=raised_by("file_bytes", self.limits.file_bytes),
            )
        return source

    def _path(self, name: PurePosixPath) -> Path | None:
        if self.root is None or name.is_absolute() or ".." in name.parts or not name.parts:
            return None
        try:
            root = self.root.resolve()
            here = root
            for part in name.parts:
                found = self._entries(here).get(part.casefold())
                if found is None:
                    return None
                here = here / found
            here = here.resolve()
            return here if here.is_relative_to(root) and here.is_file() else None
        except (OSError, ValueError, RuntimeError):
            return None

    def _entries(self, folder: Path) -> dict[str, str]:
        if folder not in self._listed:
            names: dict[str, str] = {}
            with os.scandir(folder) as entries:
                for number, entry in enumerate(entries):
                    if number >= MOST_ENTRIES:
                        break
                    names.setdefault(entry.name.casefold(), entry.name)
            self._listed[folder] = names
        return self._listed[folder]
