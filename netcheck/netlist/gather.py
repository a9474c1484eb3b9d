"""All cards of a netlist and of what it includes, in order.

Comes in: the main `SourceText` and its folder.  Goes out: cards, and for each line
that could not be read a `Broken` in its place, so that a mistake in a subcircuit that
nobody uses need not stop the run.  A block of commands is set aside whole, with a finding:
no word of it reaches anything that could run it.

`.include` and `.lib` are followed only to files below the netlist's own folder, links
resolved: a netlist comes from a stranger as often as not.  One that points elsewhere
or to nothing is skipped with a note, unless a file of that name lies beside the netlist; if
a name stays unknown, the error says so.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath

from netcheck.errors import NetcheckError, NetlistError, NetlistSyntaxError
from netcheck.findings import Finding
from netcheck.netlist.called import LONG_LINES, Body, called_names, hold_back_bodies
from netcheck.netlist.cards import Card, EndCard, IncludeCard, PartCard
from netcheck.netlist.lines import Line, ReadLimits, logical_lines, raised_by, read_source
from netcheck.netlist.mistakes import SET_ASIDE
from netcheck.netlist.notes import unmarked_note
from netcheck.netlist.parse import parse_card
from netcheck.source import SourceText, Span

_DRIVE = re.compile(r"[A-Za-z]:")
_INCLUDES = re.compile(r"\s*\.(inc|lib)", re.IGNORECASE)
_ALTER = frozenset({"alter", "alterparam", "altermod"})
_STEP = re.compile(
    r"\s*\.step\s+(?:(?:lin|dec|oct)\s+)?param\s+([A-Za-z_]\w*)\s+(?:list\s+)?([^\s,]+)",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Broken:
    """A line that could not be read; `included` where it stands in another file."""

    line: Line
    error: NetcheckError
    included: bool = False


@dataclass(slots=True)
class Gathering:
    """What is collected while the files are read."""

    folder: Path | None
    limits: ReadLimits
    sources: dict[str, SourceText] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)
    items: list[Card | Broken | Body] = field(default_factory=list)
    lines: int = 0
    size: int = 0
    open_files: list[Path] = field(default_factory=list)
    stepped: list[Card] = field(default_factory=list)

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
        ended = False
        lines: Iterator[Line | Body] = self._without_control(logical_lines(source, first))
        if self._is_included(source) and len(source.lines) > LONG_LINES:
            lines = hold_back_bodies(self._without_control(logical_lines(source, first)))
        for line in lines:
            if isinstance(line, Body):
                self.items.append(line)
                continue
            if ended:
                self._find("after-end", "what follows `.end` was not read", line)
                return
            ended = self._take(line, folder)
        if source.name == next(iter(self.sources)):
            self._read_bodies()

    def _is_included(self, source: SourceText) -> bool:
        return source.name != next(iter(self.sources))

    def _take(self, line: Line, folder: PurePosixPath) -> bool:
        """Read one line and keep what it says; tells whether it is the end of its file."""
        if line.following.startswith("!"):
            self._find(
                "note-alone",
                "the note below this card belongs to no part: it has "
                "to stand on the card's own line",
                line,
            )
        if self._set_aside(line):
            return False
        try:
            card = parse_card(line, self.limits)
            if isinstance(card.content, EndCard):
                return True
            if isinstance(card.content, IncludeCard):
                self._include(card.content, line, folder)
            else:
                self._remark(card)
                self.items.append(card)
        except NetcheckError as error:
            error.source = error.source or line.source
            is_card = not _INCLUDES.match(line.text)
            self.items.append(Broken(line, error, self._is_included(line.source) and is_card))
        return False

    def _read_bodies(self) -> None:
        """Read what was held back of long libraries and is called; the rest is let go."""
        held = self.items
        bodies = [item for item in held if isinstance(item, Body)]
        if not bodies:
            return
        called = called_names((item.line for item in held if not isinstance(item, Body)), bodies)
        self.items = []
        for item in held:
            if not isinstance(item, Body):
                self.items.append(item)
            elif item.name in called:
                for line in item.lines:
                    self._take(line, PurePosixPath())

    @property
    def cards(self) -> list[Card | Broken]:
        """What was read, in order."""
        return [item for item in self.items if not isinstance(item, Body)]

    def _without_control(self, lines: Iterator[Line]) -> Iterator[Line]:
        """Set aside `.control` ... `.endc`, once a block; one that never ends is a mistake."""
        block: list[Line] = []
        for line in lines:
            word = line.text.split()[0].lower()
            if word == ".control" or block:
                block.append(line)
                if word == ".endc":
                    self._find_commands(block)
                    block = []
                continue
            yield line
        if block:
            message = "`.control` has no `.endc`: every card below it would be lost"
            self.items.append(Broken(block[0], _include_mistake(message, block[0], "close it")))

    def _find_commands(self, block: list[Line]) -> None:
        words = {line.text.split()[0].lower() for line in block}
        altered = " it alters parts, and the values on their cards count" if words & _ALTER else ""
        message = f"the commands up to `.endc` were set aside: none of them is run{altered and ';'}"
        self.findings.append(
            Finding("control-set-aside", "warning", message + altered, span=block[0].whole)
        )

    def _step(self, line: Line) -> None:
        """Keep the first value of `.step param NAME ...`, for where nothing else sets it."""
        match = _STEP.match(line.text)
        if match is None:
            return
        text = f".param {match.group(1)}={match.group(2)}"
        try:
            self.stepped.append(parse_card(replace(line, text=text, starts=(0,)), self.limits))
        except NetcheckError:
            return

    def _remark(self, card: Card) -> None:
        comment = unmarked_note(card.line) if isinstance(card.content, PartCard) else None
        if comment is None:
            return
        text = comment.text.strip()[:40]
        end = comment.column + max(len(comment.text.rstrip()), 1)
        span = Span(card.line.source.name, comment.line, comment.column, comment.line, end)
        message = f"the comment `{text}` was not read: a part note begins with `;!`"
        self.findings.append(
            Finding("note-without-mark", "warning", message, card.content.ref.text, span)  # type: ignore[union-attr]
        )

    def _set_aside(self, line: Line) -> bool:
        word = line.text.split()[0].lower()
        if word not in SET_ASIDE:
            return False
        if word == ".step":
            self._step(line)
        self._find("card-set-aside", f"`{word}` was set aside: netcheck chooses analyses", line)
        return True

    def _find(self, rule: str, message: str, line: Line) -> None:
        self.findings.append(Finding(rule, "note", message, span=line.whole))

    def _include(self, include: IncludeCard, line: Line, folder: PurePosixPath) -> None:
        written = include.path.replace("\\", "/")
        relative, path, reason = self._target(written, folder)
        if path is None and self.folder is not None:
            beside = self._target(PurePosixPath(written).name, PurePosixPath())
            relative, path = (beside[0], beside[1]) if beside[1] else (relative, None)
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
        if reason:
            message = f"{reason}: `{relative}` in the netlist's folder was read in its place"
            self.findings.append(Finding("include-moved", "note", message, span=line.whole))
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
