"""A schematic of any form to the cards it stands for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path, PurePosixPath

from netcheck.netlist.lines import ReadLimits
from netcheck.netlist.schematics.asc.translate import translate_asc
from netcheck.netlist.schematics.drawn import Translation
from netcheck.netlist.schematics.folder import SheetFolder
from netcheck.netlist.schematics.forms import list_name
from netcheck.netlist.schematics.lists.translate import translate_netlist, translate_sheets
from netcheck.netlist.sockets import SocketOf
from netcheck.source import SourceText


def translate(
    source: SourceText,
    folder: Path | None,
    shown: PurePosixPath,
    limits: ReadLimits,
    is_tube: Callable[[str], bool],
    socket_of: SocketOf,
) -> Translation:
    """Translate a schematic; `shown` is its folder as messages name it."""
    beside = SheetFolder(folder, shown, limits)
    match list_name(source):
        case "export":
            return translate_netlist(source, beside, is_tube, socket_of)
        case "kicad_sch":
            return translate_sheets(source, beside, is_tube, socket_of)
    return translate_asc(source, beside, is_tube)
