"""The plate curves of a tube type: what a data sheet would draw.

Comes in: a `TubeType`.  Goes out: curves of plate and screen current over plate volts
at round grid volts, how far the axes go, and the dissipation hyperbola's watts.

A pentode is drawn at one screen voltage: the one most of its rows are printed at.
Grid volts run from zero to where little current is left at the plate volts of the
rows; the axes hold the rows and the limits.  The figures are those of the law alone:
nothing here knows that a real cathode cannot emit without end.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from netcheck.tubes.model import space_currents
from netcheck.tubes.types import TubeType

Array = NDArray[np.float64]

POINTS = 241
USUAL_TOP_V = 300.0
"""The axis goes so far, where the plate may, even if rows are printed at less."""
CURVES = 8
"""About how many grid voltages are drawn."""
STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
ENDS = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
"""Grid volts go by round steps, axes end at round values: times a power of ten."""
ROOM = 1.15
"""Axes end this much beyond what they have to hold."""
REACH = {"triode": 2.5, "pentode": 5.0}
"""How often the plate limit a tube would dissipate at the end of the current axis, at
the plate volts of its rows: a load line swings far beyond the mean."""


@dataclass(frozen=True, slots=True)
class Curve:
    """One grid voltage: plate volts, plate current and screen current [A]."""

    grid_v: float
    plate_v: Array
    plate_a: Array
    screen_a: Array


@dataclass(frozen=True, slots=True)
class PlateCurves:
    """All that is drawn of one type, in SI units.

    screen_v: None for a triode.  dissipation_w, limit_v, limit_a: None where there is
    no such limit on file.
    """

    curves: tuple[Curve, ...]
    screen_v: float | None
    top_v: float
    top_a: float
    dissipation_w: float | None
    limit_v: float | None
    limit_a: float | None


def plate_curves(tube: TubeType) -> PlateCurves:
    """Compute the curves of a triode or pentode."""
    screen_v = usual_screen_v(tube)
    limit_v = _limit(tube, "plate_voltage_v")
    highest = max((row.plate_v for row in tube.operation), default=0.0)
    within_v = 1.03 * min(limit_v or 0.0, max(1.6 * highest, USUAL_TOP_V))
    top_v = _round_up(max(ROOM * highest, within_v, 50.0), ENDS)
    plate_v = np.linspace(0.0, top_v, POINTS)
    curves = tuple(_curve(tube, grid, screen_v, plate_v) for grid in _grids(tube, screen_v, top_v))
    return PlateCurves(
        curves,
        screen_v,
        top_v,
        _top_a(tube, curves),
        _limit(tube, "plate_dissipation_w"),
        limit_v,
        _limit(tube, "cathode_current_a"),
    )


def usual_screen_v(tube: TubeType) -> float | None:
    """Return the screen voltage of most rows in pentode connection; None for a triode."""
    if tube.kind == "triode":
        return None
    rows = [row for row in tube.operation if row.connection == "pentode"] or list(tube.operation)
    counts = Counter(row.screen_v for row in rows if row.screen_v is not None)
    if not counts:
        return _limit(tube, "screen_voltage_v") or 250.0
    most = max(counts.values())
    return max(volts for volts, count in counts.items() if count == most)


def _curve(tube: TubeType, grid_v: float, screen_v: float | None, plate_v: Array) -> Curve:
    screens = plate_v if screen_v is None else np.full_like(plate_v, screen_v)
    plate, screen = space_currents(tube.law, plate_v, screens, np.full_like(plate_v, grid_v))
    return Curve(grid_v, plate_v, plate, screen)


def _grids(tube: TubeType, screen_v: float | None, top_v: float) -> list[float]:
    """Return round grid volts from zero down to beyond the most negative row."""
    lowest = min((row.grid_v for row in tube.operation), default=0.0)
    mu = tube.law.amplification
    drawing = screen_v if screen_v is not None else max(_usual_plate_v(tube), 0.6 * top_v)
    span = max(-lowest if screen_v is None else 0.0, 1.05 * drawing / mu)
    step = _round_up(span / CURVES, STEPS)
    return [0.0 - step * number for number in range(math.ceil(span / step - 1e-9) + 1)]


def _usual_plate_v(tube: TubeType) -> float:
    return float(np.median([row.plate_v for row in tube.operation] or [250.0]))


def _top_a(tube: TubeType, curves: tuple[Curve, ...]) -> float:
    """Return the end of the current axis: rows, and what a load line may reach.

    A triode at zero bias draws at its plate limit many times what it may: the axis
    ends at `REACH` times the dissipation limit.
    """
    rows = [
        row.plate_a or row.cathode_a or 0.0 for row in tube.operation if row.connection != "triode"
    ] or [row.plate_a or row.cathode_a or 0.0 for row in tube.operation]
    needed = ROOM * max(rows, default=1e-3)
    watts = _limit(tube, "plate_dissipation_w")
    wanted = float(curves[0].plate_a.max()) * 1.05
    if watts:
        wanted = min(wanted, REACH[tube.kind] * watts / _usual_plate_v(tube))
    return max(needed, wanted)


def _limit(tube: TubeType, quantity: str) -> float | None:
    """Return the lowest limit in use for a quantity with the tube in operation."""
    found = [
        row.value
        for row in tube.limits
        if row.used and row.quantity == quantity and row.condition != "cold"
    ]
    return min(found, default=None)


def _round_up(value: float, digits: tuple[float, ...]) -> float:
    """Return the next of `digits` times a power of ten."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(digit * power for digit in digits if digit * power >= value * (1 - 1e-9))
