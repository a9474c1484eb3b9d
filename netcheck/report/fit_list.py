"""How far a fitted law lies from each point it was fitted to.

Comes in: a `Measured` tube.  Goes out: a table for a person; the same table stands as
comments at the head of the data file.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.tubes.accuracy import FIGURE_WORDS
from netcheck.tubes.measured import Measured

FAR_OFF = 0.15
TITLES = ("plate V", "screen V", "grid V", "figure", "measured mA", "model mA", "off by")
WIDTHS = (8, 9, 8, 14, 12, 10, 9)


def lines(measured: Measured) -> Iterator[str]:
    """Return the table line by line, and what to think of it."""
    yield _line(TITLES)
    for each in measured.fit.comparisons:
        row = each.row
        yield _line(
            (
                f"{row.plate_v:g}",
                "-" if row.screen_v is None else f"{row.screen_v:g}",
                f"{row.grid_v:g}",
                FIGURE_WORDS[each.figure],
                f"{each.published * 1e3:.4g}",
                f"{each.model * 1e3:.4g}",
                f"{100 * each.deviation:+.1f} %",
            )
        )
    worst = max(measured.fit.comparisons, key=lambda each: abs(each.deviation))
    yield (
        f"{len(measured.rows)} points, all fitted; furthest off: {FIGURE_WORDS[worst.figure]} "
        f"{100 * worst.deviation:+.1f} %"
    )
    if abs(worst.deviation) > FAR_OFF:
        yield "A point far off is a slip in the table, a heated plate, or a tube past its emission."
    yield from _thin(measured)


def _thin(measured: Measured) -> Iterator[str]:
    """Say what the points cannot settle."""
    if len({row.grid_v for row in measured.rows}) < 2:
        yield "All points are at one grid voltage: amplification and cut-off are usual values."
    drawing = [row.plate_v if row.screen_v is None else row.screen_v for row in measured.rows]
    nearest = min(abs(row.grid_v) for row in measured.rows)
    if nearest > 0.25 * max(drawing) / measured.fit.law.amplification:
        yield "No point is near zero bias: what happens there, where faults live, is a guess."


def _line(cells: tuple[str, ...]) -> str:
    return " ".join(
        f"{cell:<{width}}" if title == "figure" else f"{cell:>{width}}"
        for cell, width, title in zip(cells, WIDTHS, TITLES, strict=True)
    ).rstrip()


def with_table(measured: Measured, text: str) -> str:
    """Return the data file with the table as comments; names stay its first paragraph."""
    table = "\n".join(f"# {line}" for line in lines(measured))
    return f"{text}\n{table}\n"
