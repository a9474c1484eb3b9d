"""The reader: a netlist file to a `FlatNetlist`.

The steps are those of the modules beside this one: decode the bytes, join the lines,
parse the cards (and those of includes), sort them into subcircuits, expand, check the
references.  Mistakes are collected over all steps and raised together; nothing in a
netlist can read outside its folder, write, or run anything.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path, PurePath, PurePosixPath

from netcheck.errors import ManyErrors, NetcheckError, NetlistError
from netcheck.findings import Finding
from netcheck.netlist.expand import Expander
from netcheck.netlist.flat import FlatNetlist
from netcheck.netlist.gather import Gathering
from netcheck.netlist.lines import ReadLimits, read_source
from netcheck.netlist.references import check_references
from netcheck.netlist.resolve import Names
from netcheck.netlist.structure import Definition, StructureBuilder
from netcheck.netlist.title import read_title, title_is_a_card
from netcheck.source import SourceText, Span

_DEFAULT_LIMITS = ReadLimits()


def read_netlist(
    path: Path, *, is_tube: Callable[[str], bool], limits: ReadLimits = _DEFAULT_LIMITS
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
    limits: ReadLimits = _DEFAULT_LIMITS,
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
