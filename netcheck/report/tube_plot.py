"""Draws the plate curves of a tube type, or the drop of a rectifier, as PNG or SVG.

Comes in: a `TubeType` and the name of the image.  Goes out: the image's bytes.

Curves are told apart by their labels, not by color alone: grid volts stand at the end
of each curve.  The colors are those of Okabe and Ito, "Color universal design", 2008,
which people with any common color vision can tell apart.  The bytes are the same for
the same data: no date is written, and SVG ids are fixed.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from netcheck.errors import NetcheckError
from netcheck.report.words import quantity_words
from netcheck.tubes.model import rectifier_law_of
from netcheck.tubes.plate_curves import POINTS, ROOM, Curve, PlateCurves, plate_curves
from netcheck.tubes.types import OperationRow, TubeType

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FORMATS = {".png": "png", ".svg": "svg"}
BLUE, ORANGE, RED, GREEN, GREY = "#0072B2", "#E69F00", "#D55E00", "#009E73", "#666666"
DARK_GREEN = "#00553D"
SIZE_IN = (8.0, 5.6)
DPI = 130
MILLI = 1e3
SHADE = 0.10
MARKS = {"published": "o", "derived": "s", "curve": "^"}
ROW_WORDS = {
    "published": "published row, with grid volts",
    "derived": "row derived from a sheet",
    "curve": "row read from a curve",
}
LABEL_W, LABEL_H = 0.09, 0.035
"""Room a label takes, as shares of the axes; one that would lie on another is left out."""
SETTINGS: dict[Any, Any] = {
    "svg.hashsalt": "netcheck",
    "svg.fonttype": "none",
    "font.family": "DejaVu Sans",
    "font.size": 9.5,
}


def image_format(path: Path) -> str:
    """Return the format an image's name asks for."""
    if form := FORMATS.get(path.suffix.lower()):
        return form
    raise NetcheckError(
        f"cannot draw {path}: the name has to end in .png or .svg",
        hint="for example --plot curves.svg",
    )


def draw(tube: TubeType, form: str) -> bytes:
    """Return the image of a type."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib.figure import Figure

    with matplotlib.rc_context(SETTINGS):
        sections = tube.unlike_sections
        size = (SIZE_IN[0], SIZE_IN[1] * len(sections))
        figure = Figure(figsize=size, dpi=DPI, layout="constrained")
        places = figure.subplots(len(sections), squeeze=False).flat
        for axes, section in zip(places, sections, strict=True):
            if section.kind == "rectifier":
                _draw_drop(axes, section)
            else:
                _draw_curves(axes, section, plate_curves(section))
            _finish(axes)
        return _bytes(figure, form)


def _bytes(figure: Figure, form: str) -> bytes:
    stream = io.BytesIO()
    metadata: dict[str, Any] = {"Date": None} if form == "svg" else {"Software": None}
    figure.savefig(stream, format=form, metadata=metadata)
    return stream.getvalue()


def _finish(axes: Axes) -> None:
    axes.legend(
        loc="upper center",
        bbox_to_anchor=(0.5, -0.11),
        ncols=3,
        fontsize=8,
        frameon=False,
    )
    axes.grid(True, color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _draw_curves(axes: Axes, tube: TubeType, drawn: PlateCurves) -> None:
    for curve in drawn.curves:
        _draw_curve(axes, curve, drawn)
    _draw_limits(axes, drawn)
    _draw_rows(axes, tube, drawn)
    axes.set_xlim(0.0, drawn.top_v)
    axes.set_ylim(0.0, drawn.top_a * MILLI)
    axes.set_xlabel("plate volts to cathode [V]")
    axes.set_ylabel("current [mA]")
    screen = "" if drawn.screen_v is None else f", screen at {drawn.screen_v:g} V"
    axes.set_title(f"{tube.name}: {tube.description}{screen}", loc="left", fontsize=11, pad=14)


def _draw_curve(axes: Axes, curve: Curve, drawn: PlateCurves) -> None:
    zero = curve.grid_v == 0
    name = "plate current, by grid volts" if zero else None
    axes.plot(curve.plate_v, curve.plate_a * MILLI, color=BLUE, linewidth=1.5, label=name)
    if drawn.screen_v is not None:
        name = "screen current" if zero else None
        axes.plot(
            curve.plate_v,
            curve.screen_a * MILLI,
            color=ORANGE,
            linewidth=0.7,
            linestyle=(0, (4, 2)),
            label=name,
        )
    _label(axes, curve, drawn)


def _label(axes: Axes, curve: Curve, drawn: PlateCurves) -> None:
    """Write the grid volts where the curve leaves the picture."""
    inside = np.flatnonzero(curve.plate_a <= drawn.top_a)
    last = int(inside[-1])
    if curve.plate_a[last] < 0.01 * drawn.top_a:
        return
    at_top = last < len(curve.plate_v) - 1
    axes.annotate(
        f"{curve.grid_v:g} V".replace("-", "\u2212"),
        (float(curve.plate_v[last]), float(curve.plate_a[last]) * MILLI),
        xytext=(0, 3) if at_top else (3, 0),
        textcoords="offset points",
        ha="center" if at_top else "left",
        va="bottom" if at_top else "center",
        fontsize=8,
        color=BLUE,
        annotation_clip=False,
    )


def _draw_limits(axes: Axes, drawn: PlateCurves) -> None:
    if drawn.dissipation_w:
        volts = np.linspace(drawn.dissipation_w / drawn.top_a, drawn.top_v, 200)
        amps = drawn.dissipation_w / volts * MILLI
        label = f"plate dissipation {drawn.dissipation_w:g} W"
        axes.plot(volts, amps, color=RED, linewidth=1.6, linestyle="-.", label=label)
        axes.fill_between(volts, amps, drawn.top_a * MILLI, color=RED, alpha=SHADE, linewidth=0)
    if drawn.limit_v and drawn.limit_v <= drawn.top_v:
        label = f"plate volts {drawn.limit_v:g} V"
        axes.axvline(drawn.limit_v, color=GREY, linewidth=1.2, linestyle=":", label=label)
    if drawn.limit_a and drawn.limit_a <= drawn.top_a:
        label = f"cathode current {drawn.limit_a * MILLI:g} mA"
        axes.axhline(
            drawn.limit_a * MILLI, color=GREY, linewidth=1.2, linestyle=(0, (6, 2)), label=label
        )


def _draw_rows(axes: Axes, tube: TubeType, drawn: PlateCurves) -> None:
    """Mark the rows in pentode connection; those at another screen voltage are hollow."""
    rows = [row for row in tube.operation if row.connection == "pentode" and row.plate_a]
    names: set[str] = set()
    written: list[tuple[float, float]] = []
    for row in sorted(rows, key=lambda row: not _is_here(row, drawn)):
        here = _is_here(row, drawn)
        name = ROW_WORDS[row.basis] if here else "hollow: at another screen voltage"
        amps = row.plate_a or 0.0
        axes.plot(
            [row.plate_v],
            [amps * MILLI],
            marker=MARKS[row.basis],
            color=GREEN,
            markerfacecolor=GREEN if here else "white",
            linestyle="none",
            markersize=5,
            zorder=5,
            label=None if name in names else name,
        )
        names.add(name)
        place = (row.plate_v / drawn.top_v, amps / drawn.top_a)
        if all(abs(place[0] - x) > LABEL_W or abs(place[1] - y) > LABEL_H for x, y in written):
            written.append(place)
            _label_row(axes, row, amps, here)


def _is_here(row: OperationRow, drawn: PlateCurves) -> bool:
    return drawn.screen_v is None or row.screen_v == drawn.screen_v


def _label_row(axes: Axes, row: OperationRow, amps: float, here: bool) -> None:
    """Write grid volts, and screen volts where they are not those of the picture."""
    screen = "" if here else f" / {row.screen_v:g}"
    axes.annotate(
        f"{row.grid_v:g}{screen}".replace("-", "\u2212"),
        (row.plate_v, amps * MILLI),
        xytext=(5, 4),
        textcoords="offset points",
        fontsize=7,
        color=DARK_GREEN,
        bbox={"facecolor": "white", "alpha": 0.7, "linewidth": 0, "pad": 0.5},
        zorder=4,
    )


def _draw_drop(axes: Axes, tube: TubeType) -> None:
    """Draw the current of one plate over the drop, with the sheet's points on it."""
    limits = _limits_a(tube)
    top_a = ROOM * max([*(amps for _, amps in limits), *(drop.plate_a for drop in tube.drops)])
    law = rectifier_law_of(tube)
    volts = np.linspace(0.0, float(law.drop_v(top_a)), POINTS)
    label = "current of one plate, by the 3/2 law"
    axes.plot(volts, law.current_a(volts) * MILLI, color=BLUE, linewidth=1.5, label=label)
    for (words, amps), dashes in zip(limits, ("-.", (0, (6, 2)), ":"), strict=False):
        both = " (both plates)" if words.startswith("output") else ""
        label = f"{words} {amps * MILLI:g} mA{both}"
        axes.axhline(amps * MILLI, color=RED, linewidth=1.2, linestyle=dashes, label=label)
    for drop in tube.drops:
        axes.plot(
            [drop.drop_v],
            [drop.plate_a * MILLI],
            marker=MARKS[drop.basis],
            color=GREEN,
            markerfacecolor=GREEN if drop.used else "white",
            linestyle="none",
            markersize=6,
            label=ROW_WORDS[drop.basis].split(",")[0] + ("" if drop.used else ", not used"),
        )
    axes.set_xlim(0.0, max(float(volts[-1]), ROOM * max(drop.drop_v for drop in tube.drops)))
    axes.set_ylim(0.0, top_a * MILLI)
    axes.set_xlabel("drop from plate to cathode [V]")
    axes.set_ylabel("current of one plate [mA]")
    axes.set_title(f"{tube.name}: {tube.description}", loc="left", fontsize=11, pad=14)


def _limits_a(tube: TubeType) -> list[tuple[str, float]]:
    """Return the current limits in use, each with its words."""
    return [
        (quantity_words(limit.quantity), limit.value)
        for limit in tube.limits
        if limit.used and limit.condition == "any" and limit.quantity.endswith("_a")
    ]
