"""All cards of a netlist and of what it includes, in order.

Comes in: the main `SourceText` and its folder.  Goes out: cards, and for each line
that could not be read a `Broken` in its place, so that a mistake in a subcircuit that
nobody uses need not stop the run.

`.include` and `.lib` are followed only to files below the netlist's own folder, links
resolved: a netlist comes from a stranger as often as not.  One that points elsewhere
or to nothing is skipped with a note; if a name stays unknown, the error says so.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from netcheck.errors import NetcheckError, NetlistError, NetlistSyntaxError
from netcheck.findings import Finding
from netcheck.netlist.cards import Card, EndCard, IncludeCard
from netcheck.netlist.lines import Line, ReadLimits, logical_lines, raised_by, read_source
from netcheck.netlist.mistakes import SET_ASIDE
from netcheck.netlist.parse import parse_card
from netcheck.source import SourceText

_DRIVE = re.compile(r"[A-Za-z]:")


@dataclass(frozen=True, slots=True)
class Broken:
    """A line that could not be read."""

    line: Line
    error: NetcheckError


@dataclass(slots=True)
class Gathering:
    """What is collected while the files are read."""

    folder: Path | None
    limits: ReadLimits
    sources: dict[str, SourceText] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)
    items: list[Card | Broken] = field(default_factory=list)
    lines: int = 0
    size: int = 0
    open_files: list[Path] = field(default_factory=list)

    def read(self, source: SourceText, first: int, folder: PurePosixPath) -> None:
        """Read the cards of `source` from line `first`; `folder` is relative to ours."""
        self.sources[source.name] = source
        self.lines += len(source.lines)
        self.size += len(source.text)
        if self.lines > self.limits.lines or self.size > self.limits.file_bytes:
            raise NetlistError(
                f"the netlist is longer than {self.limits.lines} lines or "
                f"{self.limits.file_bytes} bytes, the limits",
                hint=f"{raised_by('lines', self.limits.lines)}, and so does file_bytes",
            )
        end: Line | None = None
        for line in _without_control(logical_lines(source, first)):
            if end is not None:
                self._find("after-end", "what follows `.end` was not read", line)
                return
            if line.following.startswith("!"):
                self._find(
                    "note-alone",
                    "the note below this card belongs to no part: it has "
                    "to stand on the card's own line",
                    line,
                )
            if self._set_aside(line):
                continue
            try:
                card = parse_card(line, self.limits)
                if isinstance(card.content, EndCard):
                    end = line
                elif isinstance(card.content, IncludeCard):
                    self._include(card.content, line, folder)
                else:
                    self.items.append(card)
            except NetcheckError as error:
                error.source = error.source or line.source
                self.items.append(Broken(line, error))

    def _set_aside(self, line: Line) -> bool:
        word = line.text.split()[0].lower()
        if word not in SET_ASIDE:
            return False
        self._find("card-set-aside", f"`{word}` was set aside: netcheck chooses analyses", line)
        return True

    def _find(self, rule: str, message: str, line: Line) -> None:
        self.findings.append(Finding(rule, "note", message, span=line.whole))

    def _include(self, include: IncludeCard, line: Line, folder: PurePosixPath) -> None:
        written = include.path.replace("\\", "/")
        relative, path, reason = self._target(written, folder)
        if path is None:
            shown = PurePosixPath(written).name or "?"
            self.skipped.append(shown)
            message = f"the include `{shown}` was skipped: {reason}"
            self.findings.append(Finding("include-skipped", "note", message, span=line.whole))
            return
        if path in self.open_files:
            raise _include_mistake(
                f"`{relative}` includes itself", line, "remove one of the includes"
            )
        if len(self.open_files) > self.limits.include_depth:
            depth = self.limits.include_depth
            message = f"includes nest deeper than {depth}, the limit"
            raise _include_mistake(message, line, raised_by("include_depth", depth))
        name = str(PurePosixPath(self._shown_folder()) / relative)
        source = read_source(path, name, self.limits)
        if include.section:
            source = _section(source, include.section, line)
        self.open_files.append(path)
        self.read(source, 1, relative.parent)
        self.open_files.pop()

    def _target(
        self, written: str, folder: PurePosixPath
    ) -> tuple[PurePosixPath, Path | None, str]:
        relative = folder / written
        if self.folder is None:
            return relative, None, "the netlist was not read from a folder"
        if written.startswith(("/", "~")) or _DRIVE.match(written) or not written:
            return relative, None, "its path is absolute"
        root = self.folder.resolve()
        try:
            path = (root / relative).resolve()
            inside = path.is_relative_to(root)
            found = inside and path.is_file()
        except (OSError, ValueError, RuntimeError):
            return relative, None, "its path cannot be followed"
        if not inside:
            return relative, None, "it lies outside the netlist's folder"
        if not found:
            return relative, None, "there is no such file below the netlist's folder"
        return PurePosixPath(path.relative_to(root).as_posix()), path, ""

    def _shown_folder(self) -> str:
        main = next(iter(self.sources))
        return str(PurePosixPath(main).parent)


def _without_control(lines: Iterator[Line]) -> Iterator[Line]:
    """Complain about a `.control` block once, and leave out what is in it."""
    inside = False
    for line in lines:
        word = line.text.split()[0].lower()
        if inside:
            inside = word != ".endc"
            continue
        inside = word == ".control"
        yield line


def _section(source: SourceText, section: str, line: Line) -> SourceText:
    """Blank everything outside `.lib section` ... `.endl`; lines keep their numbers."""
    kept, inside, found = [], False, False
    for text in source.lines:
        words = text.split()
        head = words[0].lower() if words else ""
        if head == ".lib" and len(words) == 2 and words[1].lower() == section.lower():
            inside = found = True
            kept.append("")
        elif head == ".endl":
            inside = False
            kept.append("")
        else:
            kept.append(text if inside else "")
    if not found:
        raise _include_mistake(f"`{source.name}` has no section `{section}`", line, "")
    return SourceText(source.name, "\n".join(kept))


def _include_mistake(message: str, line: Line, hint: str) -> NetlistSyntaxError:
    return NetlistSyntaxError(message, span=line.whole, source=line.source, hint=hint)
