"""The steady states of a tube whose grid current depends on the tube itself.

Comes in: how a tube answers to a current drawn from its grid (space current and heat
over that current, solved once).  Goes out: for gas or grid emission of any size the
current it settles at, or that it runs away, and the loop gain.

Let the tube answer to a grid current I, and let a defect of size s give the current
I = s * f(answer).  Then every steady state lies on the curve s(I) = I / f: for gas f is
the space current, for emission the growth with the grid's temperature.  From I = 0 on,
s rises as long as the loop gain L = 1 - dln s/dln I is below one.  Where s has its first
maximum a larger defect has no steady state near by: the tube runs away.  This needs no
iteration that could fail to settle.

The grid's temperature follows the tube's heat by the fourth root (its heat is
radiated); emission doubles with every 10 to 15 degrees.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Curve = NDArray[np.float64]

GRID_K = 573.0
"""Temperature of a power tube's grid at its healthy heat, 300 degrees C: from memory, low
confidence.  It only scales how fast the grid warms."""
DOUBLING_C = (15.0, 10.0)
"""Warming that doubles grid emission, the slow end first: 10 to 15 degrees, common
practice; Richardson's law with a work function of 1.7 eV gives 11 there."""
FALL = 0.99
"""The curve must fall below this share of a maximum to count as past it."""


@dataclass(frozen=True, slots=True)
class Answer:
    """How one tube answers to currents out of its grid, ascending from zero [A].

    space_a: plate and screen current; load_w: plate, screen and heater together.
    """

    grid_a: Curve
    space_a: Curve
    load_w: Curve


@dataclass(frozen=True, slots=True)
class Loop:
    """The curve of steady states of one kind of defect.

    sizes: the size that has each current of the answer as its steady state; growth: the
    current for a size of one there.
    """

    grid_a: Curve
    sizes: Curve
    growth: Curve


@dataclass(frozen=True, slots=True)
class Steady:
    """Where a defect ends: the current [A], and the loop gain there if it settles."""

    settles: bool
    grid_a: float
    loop_gain: float | None


def gas_loop(answer: Answer) -> Loop:
    """Return the loop of gas; its size is a share of the space current."""
    return Loop(answer.grid_a, answer.grid_a / answer.space_a, answer.space_a)


def emission_loop(answer: Answer, doubling_c: float, healthy_gas: float) -> Loop:
    """Return the loop of grid emission; its size is the current at the healthy heat [A].

    healthy_gas: share of the space current that is ions in any case.
    """
    healthy_a = steady_at(gas_loop(answer), healthy_gas).grid_a
    healthy_w = np.interp(healthy_a, answer.grid_a, answer.load_w)
    warming = GRID_K * ((answer.load_w / healthy_w) ** 0.25 - 1.0)
    growth: Curve = 2.0 ** (warming / doubling_c)
    emitted = answer.grid_a - healthy_gas * answer.space_a
    return Loop(answer.grid_a, emitted / growth, growth)


def tipping_size(loop: Loop) -> float | None:
    """Return the least size that runs away; None where the curve only rises."""
    crest = _crest(loop.sizes)
    return None if crest is None else float(loop.sizes[crest])


def steady_at(loop: Loop, size: float) -> Steady:
    """Return where a defect of one size settles, or what it runs away to."""
    sizes = loop.sizes
    crest = _crest(sizes)
    top = len(sizes) - 1 if crest is None else crest
    if size <= sizes[top]:
        after = int(np.argmax(sizes[: top + 1] >= size))
        current = _between(loop.grid_a, sizes, after, size)
        gains = 1.0 - loop.growth * np.gradient(sizes, loop.grid_a)
        return Steady(True, current, float(np.interp(current, loop.grid_a, gains)))
    beyond = [number for number in range(top + 1, len(sizes)) if sizes[number] >= size]
    if not beyond:
        return Steady(False, float(loop.grid_a[-1]), None)
    return Steady(False, _between(loop.grid_a, sizes, beyond[0], size), None)


def _crest(sizes: Curve) -> int | None:
    """Return the place of the first maximum that the curve falls from."""
    best = 0
    for number, size in enumerate(sizes):
        if size > sizes[best]:
            best = number
        elif sizes[best] > 0.0 and size < FALL * sizes[best]:
            return best
    return None


def _between(grid_a: Curve, sizes: Curve, after: int, size: float) -> float:
    """Interpolate the current at which the curve reaches a size."""
    if after == 0:
        return float(grid_a[0])
    low, high = sizes[after - 1], sizes[after]
    share = (size - low) / (high - low)
    return float(grid_a[after - 1] + share * (grid_a[after] - grid_a[after - 1]))
