"""Where in a TOML file a key stands, for the error that names it.

Comes in: the text, and the path to a value as (`limits`, `idle`) or (`faults`, 1,
`kind`).  Goes out: the span of the key or of the nearest table around it.  Python's
own TOML reader keeps no places, so this looks for headers and keys line by line; it
is a help for the eye, and finds nothing rather than something wrong in text that is
written in an unusual way.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from netcheck.source import SourceText, Span

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]#]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""^(\s*)((?:[\w-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[\w-]+|"[^"]*"))*)\s*=""")
Path = Sequence[str | int]


def find_key(source: SourceText, prefix: Sequence[str], path: Path) -> Span | None:
    """Return where the deepest part of `path` below `prefix` stands."""
    wanted: list[str | int] = [*prefix, *path]
    best: tuple[int, Span] | None = None
    table: list[str | int] = []
    counts: dict[str, int] = {}
    for number, line in enumerate(source.lines, 1):
        if header := _HEADER.match(line):
            table = _table(header.group(1), _words(header.group(2)), counts)
            here, start, length = table, header.start(2), len(header.group(2))
        elif key := _KEY.match(line):
            here = [*table, *_words(key.group(2))]
            start, length = len(key.group(1)), len(key.group(2))
        else:
            continue
        depth = len(here)
        if here == wanted[:depth] and depth > len(prefix) and (best is None or depth > best[0]):
            best = (depth, Span(source.name, number, start + 1, number, start + 1 + length))
    return best[1] if best else None


def _table(bracket: str, words: list[str], counts: dict[str, int]) -> list[str | int]:
    """Return the path of a table; one of an array carries its number."""
    if bracket == "[":
        return list(words)
    name = ".".join(words)
    counts[name] = counts.get(name, -1) + 1
    return [*words, counts[name]]


def _words(text: str) -> list[str]:
    return [word.strip().strip("\"'") for word in text.split(".")]
