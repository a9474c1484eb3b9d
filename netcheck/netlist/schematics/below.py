"""Which sheets a schematic has below it, so that a folder's list names only the top one.

Comes in: the text of a schematic, not understood.  Goes out: file names, in lower case and
without folders.  A sheet may be listed that is not there; nothing is opened.
"""

from __future__ import annotations

import re

ENDINGS = frozenset({".asc", ".kicad_sch"})
_SHEET_FILE = re.compile(r'\(\s*property\s+"Sheet ?file"\s+"([^"\n]*)"', re.IGNORECASE)
_SYMBOL = re.compile(r"^SYMBOL (.+?) -?\d+ -?\d+ [RM]\d+\s*$", re.MULTILINE | re.IGNORECASE)


def sheets_below(text: str) -> frozenset[str]:
    """Return the file names of the sheets that a schematic of either form refers to."""
    files = _SHEET_FILE.findall(text)
    files += [f"{name}.asc" for name in _SYMBOL.findall(text)]
    return frozenset(re.split(r"[\\/]", file)[-1].casefold() for file in files)
