"""Reading the small rating tables that ship in `data/`.

Comes in: the name of a CSV file.  Goes out: its rows as dictionaries of text.  A
row without a source is refused, so that no figure can enter without saying who
published it.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from functools import cache
from importlib.resources import files


@cache
def rows(name: str) -> tuple[Mapping[str, str], ...]:
    """Return the rows of `data/<name>.csv` in file order.

    Raises ValueError where a row has a blank field or no source: the table is
    ours, so that is a bug and not a user's mistake.
    """
    text = (files("netcheck.ratings") / "data" / f"{name}.csv").read_text(encoding="utf-8")
    table = tuple(csv.DictReader(text.splitlines()))
    for number, row in enumerate(table, start=2):
        if "source" not in row or any(not (value or "").strip() for value in row.values()):
            raise ValueError(f"{name}.csv line {number}: a blank field or no source")
    return table
