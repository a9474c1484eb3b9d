"""Schematics as input: read by their own formats, handed on as the cards of a netlist.

A schematic goes the way of every netlist: it is translated into cards here, the reader
expands and checks them, and what the reader says is told of the parts on the sheet.  The
readers of schematics are loaded when one is read.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path, PurePosixPath

from netcheck.errors import NetcheckError, NetlistError
from netcheck.netlist.flat import FlatNetlist
from netcheck.netlist.lines import ReadLimits
from netcheck.netlist.schematics.forms import is_asc, list_name, refuse_old_form
from netcheck.netlist.sockets import SocketOf
from netcheck.source import SourceText

__all__ = ["is_schematic", "read_schematic"]


def is_schematic(source: SourceText) -> bool:
    """Tell a schematic by its content, or by its ending; an older form is refused."""
    refuse_old_form(source)
    return is_asc(source) or bool(list_name(source))


def read_schematic(
    source: SourceText,
    folder: Path | None,
    is_tube: Callable[[str], bool],
    socket_of: SocketOf,
    limits: ReadLimits,
    read: Callable[[SourceText], FlatNetlist],
) -> FlatNetlist:
    """Read a schematic; `read` is the reader of netlists for the text of its cards."""
    from netcheck.netlist.schematics.relocate import Relocation
    from netcheck.netlist.schematics.translate import translate

    shown = PurePosixPath(source.name).parent
    translation = translate(source, folder, shown, limits, is_tube, socket_of)
    if not translation.cards:
        raise NetlistError(f"{source.name} holds no parts")
    relocation = Relocation(source.name, translation)
    try:
        netlist = relocation.netlist(read(SourceText(source.name, translation.text)))
    except NetcheckError as error:
        raise relocation.error(error) from None
    return replace(netlist, findings=(*translation.findings, *netlist.findings))
