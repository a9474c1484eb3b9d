"""Of a long library only what is called is read.

A collection of some hundred tube models is included for the sake of two of them, and to
parse every card costs more than all else that is done with a netlist.  So the inside of a
subcircuit of a long included file waits until all calls are known.  Its head and its `.ends`
are read at once: it is there by name, whoever asks for it.

Comes in: logical lines.  Goes out: the same with bodies in place of their lines, and which
bodies are called.  A body that reaches out (an include) or has no end is not held back.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from netcheck.netlist.lines import Line

LONG_LINES = 1000
"""A library up to here is read whole, and mistakes in what nobody calls are notes.  Chosen:
a thousand lines take a tenth of a second."""

_WORD = re.compile(r"[^\s\"'{}(),=]+")
_REACHES_OUT = frozenset({".inc", ".include", ".lib", ".end", ".endl"})


@dataclass(slots=True)
class Body:
    """What stands between a `.subckt` and its `.ends`, not read yet."""

    name: str
    lines: list[Line] = field(default_factory=list)


def hold_back_bodies(lines: Iterable[Line]) -> Iterator[Line | Body]:
    """Yield lines as they come, but those inside an outermost subcircuit as one `Body`."""
    body: Body | None = None
    depth = 0
    for line in lines:
        word = first_word(line)
        if word == ".subckt":
            depth += 1
        elif word == ".ends":
            depth -= 1
        if body is None:
            yield line
            if word == ".subckt":
                body, depth = Body("".join(line.text.split()[1:2]).lower()), 1
        elif depth == 0:
            yield from (body, line)
            body = None
        elif word in _REACHES_OUT:
            yield from (*body.lines, line)
            body = None
        else:
            body.lines.append(line)
    if body is not None:
        yield from body.lines


def called_names(lines: Iterable[Line], bodies: Iterable[Body]) -> set[str]:
    """Return the lower-case words of every call on `lines`, and of the bodies these call."""
    by_name: dict[str, list[Body]] = {}
    for body in bodies:
        by_name.setdefault(body.name, []).append(body)
    called: set[str] = set()
    to_read = [list(lines)]
    while to_read:
        for line in to_read.pop():
            if line.text.lstrip()[:1] not in {"x", "X"}:
                continue
            for word in {word.lower() for word in _WORD.findall(line.text)} - called:
                called.add(word)
                to_read += [body.lines for body in by_name.get(word, ())]
    return called


def first_word(line: Line) -> str:
    """Return the lower-case word that a line begins with."""
    return line.text.split(None, 1)[0].lower()
