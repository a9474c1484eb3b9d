"""How JSON is laid out: so that a person can search it and versions compare line by line.

Comes in: plain dictionaries and lists.  Goes out: text.  `indent` of the json library
alone opens every value, which is slow and long where there are thousands of rows.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping


def compact(value: object) -> str:
    """Return a value on one line; a number that is not finite is a bug of ours."""
    return json.dumps(value, allow_nan=False)


def opened(made: Mapping[str, object]) -> str:
    """Return an object with every value on a line of its own."""
    return json.dumps(made, indent=1, allow_nan=False) + "\n"


def laid_out(made: Mapping[str, object]) -> str:
    """Return an object with a key a line and an entry of a list a line."""
    return _spread(made, "", frozenset()) + "\n"


def nested(made: Mapping[str, object]) -> str:
    """Return an object whose `files` are laid out like it, their `conditions` on one line."""
    return _spread(made, "", frozenset({"conditions"})) + "\n"


def pointwise(made: Mapping[str, object]) -> str:
    """Return an object that is opened but for the last of its keys, a list of an entry a line."""
    *head, (key, points) = made.items()
    start = opened(dict(head))[:-3]
    return f"{start},\n {compact(key)}: {_entries(points, ' ', frozenset())}\n}}\n"


def _spread(made: Mapping[str, object], indent: str, flat: Collection[str]) -> str:
    inner = f"{indent} "
    lines = [
        f"{inner}{compact(key)}: "
        + (compact(value) if key in flat else _entries(value, inner, flat))
        for key, value in made.items()
    ]
    return "{\n" + ",\n".join(lines) + f"\n{indent}}}"


def _entries(value: object, indent: str, flat: Collection[str]) -> str:
    """Return a list with an entry a line; entries that come one by one are laid out in turn."""
    if isinstance(value, Iterator):
        entries = [_spread(entry, f"{indent} ", flat) for entry in value]
    elif isinstance(value, list):
        entries = [compact(entry) for entry in value]
    else:
        return compact(value)
    inside = ",\n".join(f"{indent} {entry}" for entry in entries)
    return f"[\n{inside}\n{indent}]" if entries else "[]"
