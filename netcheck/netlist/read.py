"""The reader: a netlist file to a `FlatNetlist`.

The steps are those of the modules beside this one: decode the bytes, join the lines,
parse the cards (and those of includes), sort them into subcircuits, expand, check the
references.  Mistakes are collected over all steps and raised together; nothing in a
netlist can read outside its folder, write, or run anything.

The first line of a netlist is always its title, never a part.  Exported netlists put the
path of the drawing there; only its last component is kept, since a path tells where
somebody works.  A title that reads as a card is most likely a part that got lost, and is
a finding.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path, PurePath, PurePosixPath

from netcheck.errors import ManyErrors, NetcheckError, NetlistError
from netcheck.findings import Finding
from netcheck.netlist.cards import Card, PartCard
from netcheck.netlist.expand import Expander
from netcheck.netlist.flat import FlatElement, FlatNetlist
from netcheck.netlist.gather import Gathering
from netcheck.netlist.lines import DEFAULT_LIMITS, ReadLimits, logical_lines, read_source
from netcheck.netlist.mistakes import NO_CARD, SET_ASIDE, listed
from netcheck.netlist.parse import parse_card
from netcheck.netlist.references import check_references
from netcheck.netlist.schematics import is_schematic, read_schematic
from netcheck.netlist.scope import Definition, Names, StructureBuilder
from netcheck.netlist.sockets import SocketOf, no_socket
from netcheck.source import SourceText, Span, printable
from netcheck.units import parse_spice_value


def read_netlist(
    path: Path,
    *,
    is_tube: Callable[[str], bool],
    socket_of: SocketOf = no_socket,
    limits: ReadLimits = DEFAULT_LIMITS,
) -> FlatNetlist:
    """Read the netlist or schematic at `path`.

    `is_tube(name)` tells whether a name is that of a tube type on file, and `socket_of(name)`
    how its base is wired, for schematics.  Raises a
    `NetcheckError`: `ManyErrors` where there are several mistakes.
    """
    name = path.name if path.is_absolute() else PurePath(path).as_posix()
    source = read_source(path, name, limits)
    return _read(source, path.parent, path, is_tube, limits, socket_of)


def read_netlist_text(
    text: str,
    name: str,
    folder: Path | None,
    *,
    is_tube: Callable[[str], bool],
    limits: ReadLimits = DEFAULT_LIMITS,
) -> FlatNetlist:
    """Read a netlist from text; includes are followed below `folder`, if there is one."""
    return _read(SourceText(name, text), folder, None, is_tube, limits)


def _read(
    source: SourceText,
    folder: Path | None,
    path: Path | None,
    is_tube: Callable[[str], bool],
    limits: ReadLimits,
    socket_of: SocketOf = no_socket,
) -> FlatNetlist:
    if not source.text.strip():
        raise NetlistError(f"{source.name} is empty", hint="a netlist has a title and parts")

    def steps(netlist: SourceText) -> FlatNetlist:
        return _steps(netlist, folder, path, is_tube, limits)

    try:
        if is_schematic(source):
            return read_schematic(source, folder, is_tube, socket_of, limits, steps)
        return steps(source)
    except RecursionError:
        raise NetlistError(
            f"{source.name} nests expressions, parameters and subcircuits too deeply"
        ) from None


def _steps(
    source: SourceText,
    folder: Path | None,
    path: Path | None,
    is_tube: Callable[[str], bool],
    limits: ReadLimits,
) -> FlatNetlist:
    gathering = Gathering(folder, limits)
    if path is not None:
        gathering.open_files.append(path.resolve())
    gathering.read(source, 2, PurePosixPath())
    structure = StructureBuilder(limits.subcircuit_depth, source.name)
    top = structure.build(gathering.cards)
    structure.take_steps(gathering.stepped)
    top.errors += structure.library_errors()
    names = Names(frozenset(structure.globals))
    expander = Expander(top, names, is_tube, limits, tuple(gathering.skipped))
    elements = expander.run()
    errors = expander.errors + check_references(elements, expander, gathering.sources)
    if not elements and not errors:
        errors.append(_no_parts(source, top))
    _raise(errors, limits)
    findings = (
        *_title_findings(source, limits),
        *_stand_ins(gathering.findings, elements, is_tube),
        *structure.findings,
        *expander.log.findings,
        *_unused(top, expander.used),
    )
    return FlatNetlist(
        title=read_title(source),
        elements=tuple(elements),
        models=expander.models.models,
        sources=gathering.sources,
        findings=tuple(findings),
        skipped_includes=tuple(gathering.skipped),
        calls=tuple(expander.calls),
    )


def _no_parts(source: SourceText, top: Definition) -> NetlistError:
    inner = list(top.inner.values())
    if not inner:
        hint = "the first line is always the title" if len(source.lines) < 3 else ""
        return NetlistError(f"{source.name} holds no parts", hint=hint)
    first = max(inner, key=lambda definition: len(definition.parts))
    call = " ".join(["X1", *(pin.text for pin in first.pins), first.name])
    names = ", ".join(definition.name for definition in inner[:_NAMED])
    more = f" and {len(inner) - _NAMED} more" if len(inner) > _NAMED else ""
    return NetlistError(
        f"{source.name} holds subcircuits and no parts: {names}{more}",
        hint=f"a netlist that includes this file calls one: `{call}`, with nets for the pins",
    )


def _stand_ins(
    findings: list[Finding], elements: list[FlatElement], is_tube: Callable[[str], bool]
) -> list[Finding]:
    """Say with every include that was skipped which types on file stand in."""
    names = sorted({e.name for e in elements if e.letter == "X" and not e.body and is_tube(e.name)})
    if not names:
        return findings
    told = f"; {listed(names)} {'is' if len(names) == 1 else 'are'} taken from the tubes on file"
    return [
        replace(finding, message=finding.message + told)
        if finding.rule == "include-skipped"
        else finding
        for finding in findings
    ]


def _title_findings(source: SourceText, limits: ReadLimits) -> list[Finding]:
    if not title_is_a_card(source, limits):
        return []
    text = source.line(1)
    span = Span(source.name, 1, 1, 1, len(text) + 1)
    message = "the first line is the title, but it reads as a card: is a part lost?"
    return [Finding("title-is-a-card", "warning", message, span=span)]


def _unused(top: Definition, used: set[Definition]) -> list[Finding]:
    """Mistakes in subcircuits that nobody uses, each subcircuit once."""
    return [
        Finding(
            "unused-subcircuit-mistake",
            "note",
            f"the subcircuit `{definition.name}` is not used; it has a mistake: "
            f"{definition.errors[0].message}",
            span=definition.errors[0].span,
        )
        for definition in top.all_inner()
        if definition not in used and definition.errors
    ]


def _one_a_cause(ordered: list[NetcheckError]) -> list[NetcheckError]:
    """Keep the first of mistakes with one message, and count the others in its hint."""
    unlike = [error for error in ordered if error.message.startswith(NO_CARD)]
    if len(unlike) >= _FLOOD:
        kept = unlike[0]
        more = f"{len(unlike) - 1} more lines begin with no part's letter: is this a netlist?"
        kept.hint = f"{kept.hint}; {more}"
        ordered = [error for error in ordered if error is kept or error not in unlike]
    first: dict[str, NetcheckError] = {}
    others: dict[str, list[NetcheckError]] = {}
    for error in ordered:
        if first.setdefault(error.message, error) is not error:
            others.setdefault(error.message, []).append(error)
    for message, same in others.items():
        lines = sorted({error.span.line for error in same if error.span})
        shown = ", ".join(str(line) for line in lines[:_LINES_SHOWN])
        more = " and more" if len(lines) > _LINES_SHOWN else ""
        told = f"the same on line{'s' if len(lines) > 1 else ''} {shown}{more}"
        kept = first[message]
        kept.hint = f"{kept.hint}; {told}" if kept.hint else told
    return list(first.values())


def _raise(errors: list[NetcheckError], limits: ReadLimits) -> None:
    """Raise the mistakes in the order of the text, each cause once."""
    unique = {(str(error.span), error.message): error for error in errors}
    ordered = sorted(
        unique.values(),
        key=lambda error: (error.span is None, error.span or Span("", 0, 0, 0, 0)),
    )
    ordered = _one_a_cause(ordered)
    if not ordered:
        return
    if len(ordered) == 1:
        raise ordered[0]
    shown = ordered[: limits.errors]
    if len(ordered) > len(shown):
        shown.append(NetlistError(f"and {len(ordered) - len(shown)} more mistakes"))
    raise ManyErrors(shown)


# Up to the last separator; blanks may stand in folders below a drive, a share or a
# usual top folder, else a path ends at the first blank.
_PATHS = (
    re.compile(r"(?<!\w)(?:[A-Za-z]:[\\/]|\\\\)(?:.*[\\/])?"),
    re.compile(r"(?<!\S)[\"'(]?(?:~|/(?:home|Users|root|mnt|media|tmp|var|opt|srv))/(?:.*/)?"),
    re.compile(r"(?<!\S)[\"'(]?/(?:[^\s/]+/)+"),
)
_NAMED = 6
_FLOOD = 3
_LINES_SHOWN = 6
_LINES_OF_HEAD = 12
_DESIGNATOR = re.compile(r"[A-Za-z]{1,3}\d+\w*|V[A-Z]{1,3}")
"""With a number, or a source as people name them: VHT, VNEG.  A lost B+ matters most."""


def read_title(source: SourceText) -> str:
    """Return the title without comment marks, paths and control characters."""
    title = printable(source.line(1)).strip().lstrip("*;").strip()
    if title and not any(letter.isalnum() for letter in title):
        title = _under_the_ruler(source)
    for path in _PATHS:
        title = path.sub("", title)
    return title.strip()


def _under_the_ruler(source: SourceText) -> str:
    """Return the first comment with letters where the first line is only a ruler."""
    for text in source.lines[1:_LINES_OF_HEAD]:
        line = printable(text).strip()
        if line[:1] not in {"*", ";"}:
            return ""
        if any(letter.isalpha() for letter in line):
            return line.strip("*;-=#~ ")
    return ""


def title_is_a_card(source: SourceText, limits: ReadLimits) -> bool:
    """Tell whether the first line would read as a card."""
    first = next(logical_lines(SourceText(source.name, source.line(1))), None)
    if first is None:
        return False
    word = first.text.split()[0]
    if word.startswith("."):
        if word.lower() == ".title":
            return False
        if word.lower() in SET_ASIDE:
            return True
    elif not _DESIGNATOR.fullmatch(word):
        return False
    try:
        return _has_sense(parse_card(first, limits))
    except NetcheckError:
        return False


def _has_sense(card: Card) -> bool:
    """A sentence may parse as a resistor between two words; a value must be a number."""
    content = card.content
    if not isinstance(content, PartCard) or content.letter not in "RCLKVI":
        return True
    given = content.values[-1] if content.values else content.words[-1]
    if content.settings or not hasattr(given, "text"):
        return True
    try:
        parse_spice_value(given.text)
    except NetcheckError:
        return False
    return True
