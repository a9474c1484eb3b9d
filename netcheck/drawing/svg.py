"""The drawing as SVG text, and with the same ink as PNG.

Comes in: a drawing and annotations.  Goes out: one `<svg>` that stands alone or
inside a page; the bytes of a picture.  Ids and `data-part` / `data-net` attributes are the
same for every fault; `fragments` gives what a page has to put into which element to show
another.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from html import escape
from typing import TYPE_CHECKING, Any

from netcheck.drawing.annotations import Annotations
from netcheck.drawing.model import Drawing
from netcheck.drawing.paint import (
    Circle,
    Group,
    Ink,
    Line,
    Shape,
    Text,
    heading_group,
    net_groups,
    paint,
    part_group,
    volts_group,
)
from netcheck.drawing.style import STYLES, UNIT_PX, Style

if TYPE_CHECKING:
    from matplotlib.axes import Axes


HEADING_ROOM = 4.5
FONTS = "'DejaVu Sans', Verdana, Arial, Helvetica, sans-serif"
PREFIX = "nc-"
"""Of classes and ids, so that nothing collides within a page."""


@dataclass(frozen=True, slots=True)
class Fragment:
    """What one element of the drawing holds: its classes, its title, and its markup."""

    classes: str
    title: str
    markup: str


def to_svg(drawing: Drawing, annotations: Annotations | None = None) -> str:
    """Return the drawing as one SVG element with its own style sheet."""
    annotations = annotations or Annotations()
    box = drawing.box
    left, top = box.left * UNIT_PX, (box.top - HEADING_ROOM) * UNIT_PX
    width, height = box.width * UNIT_PX, (box.height + HEADING_ROOM) * UNIT_PX
    name = escape(drawing.title or "schematic")
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{PREFIX}drawing" role="img" '
        f'aria-label="Schematic: {name}" width="{_n(width)}" height="{_n(height)}" '
        f'viewBox="{_n(left)} {_n(top)} {_n(width)} {_n(height)}">',
        f"<style>{stylesheet()}</style>",
        f'<rect class="{PREFIX}paper" x="{_n(left)}" y="{_n(top)}" width="{_n(width)}" '
        f'height="{_n(height)}"/>',
        *_group(paint(drawing, annotations)),
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def fragments(drawing: Drawing, annotations: Annotations) -> dict[str, Fragment]:
    """Return, by element id, what changes from one fault to another.

    A page sets `class` and the inner markup of the element; the title is part of the
    markup.  The ids are those of `to_svg`.
    """
    groups = [part_group(part, annotations) for part in drawing.parts]
    groups += [volts_group(label, annotations) for label in drawing.volts]
    groups += net_groups(drawing, annotations)
    groups.append(heading_group(drawing, annotations))
    return {PREFIX + group.id: fragment(group) for group in groups}


def fragment(group: Group) -> Fragment:
    """Return what the element of one group holds."""
    return Fragment(_classes(group), group.title, "".join(_inside(group)))


def stylesheet() -> str:
    """Return the style sheet of all drawings."""
    rules = [f".{PREFIX}drawing text{{font-family:{FONTS}}}"]
    rules += [f".{PREFIX}{name}{{{_rule(style)}}}" for name, style in STYLES.items()]
    return "".join(rules)


def _rule(style: Style) -> str:
    pieces = [f"fill:{style.fill or 'none'}", f"stroke:{style.stroke or 'none'}"]
    if style.width:
        pieces.append(f"stroke-width:{style.width:g}")
        pieces.append("stroke-linejoin:round;stroke-linecap:round")
    if style.dash:
        pieces.append("stroke-dasharray:" + " ".join(f"{each:g}" for each in style.dash))
    if style.size:
        pieces.append(f"font-size:{style.size:g}px")
    if style.bold:
        pieces.append("font-weight:bold")
    return ";".join(pieces)


def _classes(group: Group) -> str:
    # `g-` before each word: `changed` and `fault` are also names of styles
    return " ".join(f"{PREFIX}g-{name}" for name in group.kind.split())


def _group(group: Group) -> list[str]:
    data = "".join(f' {name}="{escape(value)}"' for name, value in group.data)
    return [
        f'<g id="{PREFIX}{group.id}" class="{_classes(group)}"{data}>',
        *_inside(group),
        "</g>",
    ]


def _inside(group: Group) -> list[str]:
    lines = [f"<title>{escape(group.title)}</title>"] if group.title else []
    lines += [_ink(ink) for ink in group.inks]
    for inner in group.groups:
        lines += _group(inner)
    return lines


def _ink(ink: Ink) -> str:
    match ink:
        case Line(points=points, style=style):
            return f'<polyline class="{PREFIX}{style}" points="{_points(points)}"/>'
        case Shape(points=points, style=style):
            return f'<polygon class="{PREFIX}{style}" points="{_points(points)}"/>'
        case Circle(center=(x, y), radius=radius, style=style):
            return (
                f'<circle class="{PREFIX}{style}" cx="{_n(x * UNIT_PX)}" cy="{_n(y * UNIT_PX)}" '
                f'r="{_n(radius * UNIT_PX)}"/>'
            )
        case Text(at=(x, y), text=text, style=style, anchor=anchor):
            place = f' text-anchor="{anchor}"' if anchor != "start" else ""
            return (
                f'<text class="{PREFIX}{style}" x="{_n(x * UNIT_PX)}" y="{_n(y * UNIT_PX)}"'
                f"{place}>{escape(text, quote=False)}</text>"
            )


@lru_cache(maxsize=8192)  # a symbol has the same points in every state of a page
def _points(points: tuple[tuple[float, float], ...]) -> str:
    return " ".join(f"{_n(x * UNIT_PX)},{_n(y * UNIT_PX)}" for x, y in points)


@lru_cache(maxsize=16384)
def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


POINTS_PER_INCH = 72.0
LARGEST_PX = 12_000


def to_png(drawing: Drawing, annotations: Annotations | None = None, scale: float = 2.0) -> bytes:
    """Return the drawing as PNG; `scale` is pixels of the picture per pixel of the SVG."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    box = drawing.box
    top = box.top - HEADING_ROOM
    width, height = box.width * UNIT_PX, (box.bottom - top) * UNIT_PX
    scale = min(scale, LARGEST_PX / max(width, height))
    # One SVG pixel is one point, so that widths and sizes of type carry over.
    figure = Figure(figsize=(width / POINTS_PER_INCH, height / POINTS_PER_INCH), facecolor="white")
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    axes.set_xlim(box.left, box.right)
    axes.set_ylim(box.bottom, top)
    for order, ink in enumerate(_inks(paint(drawing, annotations or Annotations()))):
        _draw(axes, ink, order)
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=POINTS_PER_INCH * scale, metadata={"Software": None})
    return buffer.getvalue()


def _inks(group: Group) -> Iterator[Ink]:
    yield from group.inks
    for inner in group.groups:
        yield from _inks(inner)


def _draw(axes: Axes, ink: Ink, order: int) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Circle as RoundPatch
    from matplotlib.patches import Polygon

    style = STYLES[ink.style]
    pen: dict[str, Any] = {"linewidth": style.width, "zorder": order}
    if style.dash:
        pen["linestyle"] = (0, tuple(each / style.width for each in style.dash))
    match ink:
        case Line(points=points):
            x, y = zip(*points, strict=True)
            axes.add_line(
                Line2D(
                    x, y, color=style.stroke, solid_joinstyle="round", solid_capstyle="round", **pen
                )
            )
        case Text(at=(x, y), text=text, anchor=anchor):
            side = {"start": "left", "middle": "center", "end": "right"}[anchor]
            axes.text(
                x,
                y,
                text,
                fontsize=style.size,
                color=style.fill,
                ha=side,
                va="baseline",
                fontweight="bold" if style.bold else "normal",
                zorder=order,
                parse_math=False,
                family="DejaVu Sans",
            )
        case Shape(points=points):
            axes.add_patch(Polygon(points, closed=True, **pen, **_face(style.stroke, style.fill)))
        case Circle(center=center, radius=radius):
            axes.add_patch(RoundPatch(center, radius, **pen, **_face(style.stroke, style.fill)))


def _face(stroke: str, fill: str) -> dict[str, str]:
    return {"edgecolor": stroke or "none", "facecolor": fill or "none"}
