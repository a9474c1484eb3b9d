"""Tipping points on a log axis: how small a defect is enough, beside what passes.

Comes in: tipping points.  Goes out: one SVG.  The axis is the sufficient defect over
the largest that an inspection passes, so that leaks, drifts and shorted turns stand
on one line; left of 1 a defect is enough that nobody would object to.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from netcheck.models.facts import searched_wide
from netcheck.report.words import defect_words, joined, quantity_words, size
from netcheck.tipping import TippingPoint, times_what_passes

LEFT, RIGHT, ROW, TOP, WIDTH = 200, 270, 22, 40, 1000
MOST = 25


def tipping_svg(points: Sequence[TippingPoint]) -> str:
    """Return the plot of the first tipping point of each fault; empty where none is found."""
    rows: dict[str, TippingPoint] = {}
    for point in points:
        if point.status == "found" and times_what_passes(point):
            rows.setdefault(point.fault_id, point)
    if not rows:
        return ""
    shown = list(rows.values())[:MOST]
    times = [times_what_passes(point) or 1.0 for point in shown]
    low = math.floor(math.log10(min(0.1, *times)))
    high = math.ceil(math.log10(max(10.0, *times)))

    def x(value: float) -> float:
        share = (math.log10(value) - low) / (high - low)
        return LEFT + (WIDTH - LEFT - RIGHT) * share

    height = TOP + ROW * len(shown) + 44
    bottom = TOP + ROW * len(shown)
    lines = [
        f'<svg class="plot" viewBox="0 0 {WIDTH} {height}" role="img" '
        'aria-label="Smallest sufficient defect of each fault; the table below says the same">'
    ]
    lines.append(
        f'<rect class="zone" x="{LEFT}" y="{TOP - 8}" width="{x(1) - LEFT:.1f}" '
        f'height="{bottom - TOP + 8}"/>'
    )
    for power in range(low, high + 1):
        at = x(10.0**power)
        kind = "one" if power == 0 else "grid"
        lines.append(
            f'<line class="{kind}" x1="{at:.1f}" x2="{at:.1f}" y1="{TOP - 8}" y2="{bottom}"/>'
            f'<text class="tick" x="{at:.1f}" y="{bottom + 16}" text-anchor="middle">'
            f"{10.0**power:g}</text>"
        )
    lines.append(
        f'<text class="note" x="{x(1) - 6:.1f}" y="{TOP - 16}" text-anchor="end">'
        "passes an inspection</text>"
        f'<text class="note" x="{x(1) + 6:.1f}" y="{TOP - 16}">would be found</text>'
        f'<text class="tick" x="{(LEFT + WIDTH - RIGHT) / 2}" y="{bottom + 36}" '
        'text-anchor="middle">sufficient defect, times the largest that passes (log)</text>'
    )
    for number, (point, value) in enumerate(zip(shown, times, strict=True)):
        lines += _row(point, x(value), x(1.0), TOP + ROW * number + 8)
    lines.append("</svg>")
    return "".join(lines)


def _row(point: TippingPoint, at: float, one: float, y: int) -> list[str]:
    name = f"{joined(point.parts)} {defect_words(point.kind)}"
    # the search stops within 1 %: on a wide scale a third digit would pretend too much
    digits = 2 if searched_wide(point) else 3
    end = f"{point.direction} {size(point.value or 0.0, point.unit, digits)}"
    victim = f"{point.victim} {quantity_words(point.quantity)}"
    title = escape(f"{name} {end} puts {victim} over its limit")
    shape = (
        f'<path class="early" d="M{at:.1f} {y - 6}l6 6l-6 6l-6 -6z"/>'
        if at < one
        else f'<circle class="late" cx="{at:.1f}" cy="{y}" r="5"/>'
    )
    return [
        f"<g><title>{title}</title>",
        f'<text class="label" x="{LEFT - 10}" y="{y + 4}" text-anchor="end">'
        f"{escape(_short(name))}</text>",
        f'<line class="stem" x1="{one:.1f}" x2="{at:.1f}" y1="{y}" y2="{y}"/>{shape}',
        f'<text class="label" x="{WIDTH - RIGHT + 12}" y="{y + 4}">'
        f"{escape(_short(f'{end}: {victim}', 38))}</text></g>",
    ]


def _short(text: str, most: int = 25) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
