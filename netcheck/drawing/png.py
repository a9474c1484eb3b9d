"""The drawing as PNG.

Comes in: a drawing and annotations.  Goes out: the bytes of a picture, with the same
ink as the SVG.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from netcheck.drawing.annotations import Annotations
from netcheck.drawing.model import Drawing
from netcheck.drawing.paint import Circle, Group, Ink, Line, Shape, Text, paint
from netcheck.drawing.style import STYLES
from netcheck.drawing.svg import HEADING_ROOM
from netcheck.drawing.text import UNIT_PX

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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
