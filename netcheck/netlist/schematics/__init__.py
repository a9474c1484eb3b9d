"""Schematics as input: read by their own formats, handed on as the cards of a netlist.

A schematic goes the way of every netlist: it is translated into cards here, the reader
expands and checks them, and what the reader says is told of the parts on the sheet.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path, PurePosixPath

from netcheck.errors import NetcheckError
from netcheck.netlist.flat import FlatNetlist
from netcheck.netlist.lines import ReadLimits
from netcheck.netlist.schematics.asc import translate_asc
from netcheck.netlist.schematics.asc_sheet import is_asc
from netcheck.netlist.schematics.drawn import Translation
from netcheck.netlist.schematics.folder import SheetFolder
from netcheck.netlist.schematics.relocate import Relocation
from netcheck.source import SourceText

__all__ = ["is_schematic", "read_schematic"]


def is_schematic(source: SourceText) -> bool:
    """Tell a schematic by its content, or by its ending."""
    return is_asc(source)


def read_schematic(
    source: SourceText,
    folder: Path | None,
    is_tube: Callable[[str], bool],
    limits: ReadLimits,
    read: Callable[[SourceText], FlatNetlist],
) -> FlatNetlist:
    """Read a schematic; `read` is the reader of netlists for the text of its cards."""
    shown = PurePosixPath(source.name).parent
    translation = _translate(source, SheetFolder(folder, shown, limits), is_tube)
    relocation = Relocation(source.name, translation)
    try:
        netlist = relocation.netlist(read(SourceText(source.name, translation.text)))
    except NetcheckError as error:
        raise relocation.error(error) from None
    return replace(netlist, findings=(*translation.findings, *netlist.findings))


def _translate(
    source: SourceText, folder: SheetFolder, is_tube: Callable[[str], bool]
) -> Translation:
    return translate_asc(source, folder, is_tube)
