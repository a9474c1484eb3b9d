"""Many operating points of one deck in one `dc` command: what is altered follows a table.

Comes in: a deck, and for each name that `alter` takes in it one value a point.  Goes out:
all vectors at all points as one array.  The points are numbered; a source of ours is swept
over the numbers, and each element that some point alters becomes one that reads a table
over that number: a resistor a current of volts times a tabulated conductance, a source one
that follows the table, a tube's current a product with it.  The engine sets up once and
starts each point from the one before, which costs a fifth of altering and solving anew
(`tests/bench`).

A point is left as soon as it moves less than the tolerance, so that it is off by as much;
with the default, a thousandth, a shorted part read ten times its watts.  With `RELTOL`
all nets of all faults of two demos are within 3e-6 of volts solved to 1e-8 (measured).
ngspice ends a sweep at a point that it cannot solve: that point stays empty, and the sweep
goes on behind it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from netcheck.solve.deck import MIN_RESISTANCE_OHM, Deck
from netcheck.solve.ngspice import Engine

Array = NDArray[np.float64]

RELTOL = 1e-7
MOST_ITERATIONS = 100
MAX_INDUCTOR_V = 1e-3
"""At DC an ideal winding has no voltage; more means a poisoned solve."""
NUMBER = "vkk"
"""The source that is swept over the numbers of the points; its node is `kk`."""
MOST_RESTARTS = 8
"""A sweep that was cut short more often is given up: its points are solved one by one."""


def solve_points(engine: Engine, deck: Deck, tables: Mapping[str, Array], count: int) -> Array:
    """Return (vectors, points) in the order of `deck.vectors`; nan where not solved.

    tables: by the name that `alter` takes, (points,); ohms, volts, amperes or factors.
    Raises EngineFailure where the deck is refused.
    """
    engine.load(tabled_lines(deck, tables))
    rows = np.full((len(deck.vectors), count), np.nan)
    begin, restarts = 0, 0
    while begin < count and restarts <= MOST_RESTARTS:
        found = engine.dc_sweep(NUMBER, begin, count - 1, deck.vectors)
        done = found.shape[1]
        rows[:, begin : begin + done] = found
        begin += done + 1  # the point that ended the sweep stays empty
        restarts += 1
    return rows


def tabled_lines(deck: Deck, tables: Mapping[str, Array]) -> list[str]:
    """Return the lines of a deck in which the named elements follow tables."""
    wanted = {name.lstrip("@").partition("[")[0]: values for name, values in tables.items()}
    *cards, options, end = deck.lines
    lines: list[str] = []
    for card in cards:
        name = card.partition(" ")[0]
        values = wanted.pop(name, None)
        if values is None or name[0] in "cl":  # at rest neither does anything
            lines.append(card)
        else:
            lines += _following(card, name, values)
    if wanted:
        raise ValueError(f"not in the deck: {', '.join(wanted)}")
    lines += [
        f"{NUMBER} kk 0 0",
        f"{options} reltol={RELTOL:g} vntol=1e-9 itl2={MOST_ITERATIONS}",
        end,
    ]
    return lines


def _following(card: str, name: str, values: Array) -> list[str]:
    """Return the cards of an element that follows a table, and of the table."""
    _, first, second, rest = card.split(" ", 3)
    table = f"tab_{name}"
    value = f"v({table})"
    match name[0]:
        case "r":
            values = 1.0 / np.maximum(values, MIN_RESISTANCE_OHM)
            cards = [f"bt_{name} {first} {second} i=v({first},{second})*{value}"]
        case "v":  # its own current stays to be read, and to control others
            inner = f"in_{name}"
            cards = [f"{name} {first} {inner} 0", f"et_{name} {inner} {second} {table} 0 1"]
        case "i":
            cards = [f"gt_{name} {first} {second} {table} 0 1"]
        case "b":
            cards = [f"{name} {first} {second} i={value}*({rest.removeprefix('i=')})"]
        case "g":
            control = rest.split()[0]
            cards = [f"bt_{name} {first} {second} i={value}*v({control})"]
        case _:
            raise ValueError(f"{name} cannot follow a table")
    return [*cards, f"b{table} {table} 0 v=pwl(v(kk),{_points(values)})"]


def _points(values: Array) -> str:
    """Return the corners of a table: numbers and values, the numbers rising.

    ngspice crashes on a table whose numbers do not rise, or that has one corner alone.
    """
    if not np.isfinite(values).all():
        raise ValueError("a table needs finite values")
    last = len(values) - 1
    same = values[1:] == values[:-1]
    corners = [at for at in range(1, last) if not (same[at - 1] and same[at])]
    places = [0, *corners, last] if last > 0 else [0]
    text = [f"{at},{values[at]:.12g}" for at in places]
    if last <= 0:
        text.append(f"1,{values[0]:.12g}")
    return ",".join(text)


def over_windings(deck: Deck, rows: Array) -> NDArray[np.bool_]:
    """Say of each column whether a winding has a voltage that no winding has at DC."""
    unsound = np.zeros(rows.shape[1], dtype=bool)
    for first, second in deck.winding.values():
        near = rows[deck.place[first]] if first != "0" else 0.0
        unsound |= np.abs(near - rows[deck.place[second]]) > MAX_INDUCTOR_V
    return unsound
