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
from pathlib import Path, PurePath, PurePosixPath

from netcheck.errors import ManyErrors, NetcheckError, NetlistError
from netcheck.findings import Finding
from netcheck.netlist.cards import Card, PartCard
from netcheck.netlist.expand import Expander, check_references
from netcheck.netlist.flat import FlatNetlist
from netcheck.netlist.gather import Gathering
from netcheck.netlist.lines import DEFAULT_LIMITS, ReadLimits, logical_lines, read_source
from netcheck.netlist.mistakes import SET_ASIDE
from netcheck.netlist.parse import parse_card
from netcheck.netlist.scope import Definition, Names, StructureBuilder
from netcheck.source import SourceText, Span, printable
from netcheck.units import parse_spice_value


def read_netlist(
    path: Path, *, is_tube: Callable[[str], bool], limits: ReadLimits = DEFAULT_LIMITS
) -> FlatNetlist:
    """Read the netlist at `path`.

    `is_tube(name)` tells whether a name is that of a tube type on file.  Raises a
    `NetcheckError`: `ManyErrors` where there are several mistakes.
    """
    name = path.name if path.is_absolute() else PurePath(path).as_posix()
    source = read_source(path, name, limits)
    return _read(source, path.parent, path, is_tube, limits)


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
) -> FlatNetlist:
    if not source.text.strip():
        raise NetlistError(f"{source.name} is empty", hint="a netlist has a title and parts")
    try:
        return _steps(source, folder, path, is_tube, limits)
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
    structure = StructureBuilder(limits.subcircuit_depth)
    top = structure.build(gathering.items)
    names = Names(frozenset(structure.globals))
    expander = Expander(top, names, is_tube, limits, tuple(gathering.skipped))
    elements = expander.run()
    errors = expander.errors + check_references(elements, expander, gathering.sources)
    if not elements and not errors:
        errors.append(NetlistError(f"{source.name} holds no parts", hint=_no_parts_hint(source)))
    _raise(errors, limits)
    findings = (
        *_title_findings(source, limits),
        *gathering.findings,
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
    )


def _no_parts_hint(source: SourceText) -> str:
    return "the first line is always the title" if len(source.lines) < 3 else ""


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


def _raise(errors: list[NetcheckError], limits: ReadLimits) -> None:
    """Raise the mistakes in the order of the text, each once."""
    unique = {(str(error.span), error.message): error for error in errors}
    ordered = sorted(
        unique.values(),
        key=lambda error: (error.span is None, error.span or Span("", 0, 0, 0, 0)),
    )
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
_DESIGNATOR = re.compile(r"[A-Za-z]{1,3}\d+\w*|V[A-Z]{1,3}")
"""With a number, or a source as people name them: VHT, VNEG.  A lost B+ matters most."""


def read_title(source: SourceText) -> str:
    """Return the title without comment marks, paths and control characters."""
    title = printable(source.line(1)).strip().lstrip("*;").strip()
    for path in _PATHS:
        title = path.sub("", title)
    return title.strip()


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
