"""A sweep as a picture: watts, volts and amperes of a tube against the size of the fault.

Comes in: a `SweepCurve` and the name of the image.  Goes out: its bytes.  The fault
grows to the right.  Solved sizes are dots, limits are broken lines, and a line from
top to bottom stands at the size that first puts a tube or transformer over a limit.
Curves differ in mark as well as in color (Okabe and Ito, "Color universal design",
2008).  The same sweep gives the same bytes: no date, fixed ids.
"""

from __future__ import annotations

import io
import math
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from netcheck.conditions import IDLE
from netcheck.models import facts
from netcheck.models.sweep import SweepCurve
from netcheck.report.tube_plot import BLUE, DPI, GREEN, GREY, ORANGE, RED, SETTINGS, image_format
from netcheck.report.words import (
    condition_words,
    defect_words,
    joined,
    quantity_words,
    size,
)
from netcheck.solve.results import TubeState
from netcheck.tipping import TippingPoint

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SIZE_IN = (9.6, 7.2)
WIDE = 20.0
"""Beyond this ratio of largest to smallest a panel of watts is logarithmic."""


class Line(NamedTuple):
    """One curve: the field of `TubeState`, its factor, how it looks."""

    field: str
    factor: float
    label: str
    color: str
    mark: str
    limit: str = ""


PANELS: tuple[tuple[str, tuple[Line, ...]], ...] = (
    (
        "dissipation [W]",
        (
            Line("plate_dissipation_w", 1.0, "plate", BLUE, "o", "plate_dissipation_w"),
            Line("screen_dissipation_w", 1.0, "screen", ORANGE, "s", "screen_dissipation_w"),
        ),
    ),
    (
        "current [mA]",
        (
            Line("plate_current_a", 1e3, "plate", BLUE, "o"),
            Line("screen_current_a", 1e3, "screen", ORANGE, "s"),
            Line("cathode_current_a", 1e3, "cathode", GREEN, "^", "cathode_current_a"),
        ),
    ),
    (
        "volts to ground [V]",
        (Line("plate_v", 1.0, "plate", BLUE, "o"), Line("screen_v", 1.0, "screen", ORANGE, "s")),
    ),
    (
        "volts to ground [V]",
        (Line("grid_v", 1.0, "grid", RED, "v"), Line("cathode_v", 1.0, "cathode", GREEN, "^")),
    ),
)


def draw(curve: SweepCurve, path: Path, condition: str = IDLE, tube: str = "") -> bytes:
    """Return the image in the format that the name of `path` asks for."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    form = image_format(path)
    shown = tube or curve.tubes(condition)[0]
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=SIZE_IN, layout="constrained")
        axes = figure.subplots(2, 2, sharex=True)
        for place, (axis, (title, lines)) in enumerate(zip(axes.flat, PANELS, strict=True)):
            _panel(axis, curve, lines, condition, shown, place < 2)
            axis.set_ylabel(title)
        for axis in axes[-1]:
            axis.set_xlabel(_axis_words(curve))
        figure.suptitle(_title(curve, condition, shown), fontsize="medium")
        buffer = io.BytesIO()
        metadata = {"Date": None} if form == "svg" else {"Software": None}
        figure.savefig(buffer, format=form, dpi=DPI, metadata=metadata)
    return buffer.getvalue()


def _panel(
    axis: Axes, curve: SweepCurve, lines: tuple[Line, ...], condition: str, tube: str, legend: bool
) -> None:
    states = curve.states(condition, tube)
    solved = [(at.size, state) for at, state in zip(curve.points, states, strict=True) if state]
    highest = 0.0
    for line in lines:
        points = [(at, value) for at, state in solved if (value := _value(state, line)) is not None]
        if not points:
            continue
        sizes, values = zip(*points, strict=True)
        highest = max(highest, *values)
        axis.plot(
            sizes, values, line.mark + "-", color=line.color, label=line.label, ms=3.5, lw=1.3
        )
    for line in lines:
        limit = curve.limit(tube, line.limit, condition) if line.limit else None
        if limit is not None and solved:
            limit *= line.factor
            if limit < WIDE * highest:
                axis.axhline(limit, color=line.color, ls="--", lw=1.0)
                axis.annotate(
                    f"limit {limit:.3g}",
                    xy=(0.01, limit),
                    xycoords=("axes fraction", "data"),
                    va="bottom",
                    color=line.color,
                    fontsize="small",
                )
    _mark_tipping(axis, curve, legend)
    from matplotlib.ticker import EngFormatter  # here: it takes long to load

    if curve.fault.logarithmic:
        axis.set_xscale("log")
        axis.xaxis.set_major_formatter(EngFormatter(sep=""))
    axis.set_xlim(curve.fault.from_value, curve.fault.to_value)
    axis.grid(True, color=GREY, alpha=0.2)
    axis.legend(loc="best", fontsize="small")


def _value(state: TubeState, line: Line) -> float | None:
    value = getattr(state, line.field)
    if value is None or not math.isfinite(value):
        return None
    return float(value) * line.factor


def _first_tip(curve: SweepCurve) -> TippingPoint | None:
    """The first row of a fault is its first crossing of a tube or transformer limit."""
    return next((one for one in curve.tipping if one.value is not None), None)


def _mark_tipping(axis: Axes, curve: SweepCurve, with_text: bool) -> None:
    tip = _first_tip(curve)
    if tip is None or tip.value is None:
        return
    axis.axvline(tip.value, color="black", ls=":", lw=1.3)
    if with_text:
        axis.annotate(
            f"{tip.victim} {quantity_words(tip.quantity)} tips: {size(tip.value, tip.unit)}",
            xy=(tip.value, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3),
            textcoords="offset points",
            ha="center",
            fontsize="small",
        )


def _axis_words(curve: SweepCurve) -> str:
    return f"{defect_words(curve.fault.kind)} [{curve.fault.unit}], worse to the right"


def _title(curve: SweepCurve, condition: str, tube: str) -> str:
    fault = curve.fault
    what = f"{joined(fault.parts)} {defect_words(fault.kind)}: {tube} "
    kind = facts.type_name(curve.circuit[tube])
    circuit = facts.title_of(curve.circuit) or facts.shown_file(curve.file)
    return f"{what}{kind}, {condition_words(condition)}\n{circuit.replace('$', chr(92) + '$')}"
