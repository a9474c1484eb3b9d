"""One cycle of the sine in an output stage of one type, solved for published rows.

Comes in: rows of a sheet's operation with a signal, and a current law.  Goes out: mean
currents, output power and distortion as the law gives them.

The stage is what a sheet means: ideal supplies, an ideal transformer, cathode and screen
bypassed so that their volts are direct ones.  At every instant of half a cycle (the other
half follows by symmetry) the volts of the plate are where law and load agree; the mean
plate current of a single tube, the volts of a cathode resistor and those lost before the
screens are unknowns of the row.  Newton's steps solve all rows at once; the unknowns of a
row border its instants, which are otherwise independent.  Ten milliseconds for the rows of
a type, so that a fit can look at them thousands of times; tests hold the figures to those
of the same stages solved as circuits.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from netcheck.equations import solve_exactly
from netcheck.tubes.model import Law, space_currents
from netcheck.tubes.schema import SignalRow

Array = NDArray[np.float64]

INSTANTS = 16
"""Of half a cycle: 32 of a whole one give the power of a clipped sine within 0.5 %."""
STEPS = 14
LARGE_STEPS = 6
STEP_V = 1e-3
NEAR_ENOUGH_V = 1e-4
CATHODE_STEP_V = 15.0
SCREEN_STEP_V = 40.0
START_A = 0.05
START_CATHODE_V = 10.0


@dataclass(frozen=True, slots=True)
class _State:
    """Volts a solution consists of: instants by row, then one unknown a row each.

    swing_v: of the plate from its supply.  mean_a: into the winding of a single tube.
    cathode_v: across the cathode resistor.  lost_v: before the screens.
    """

    swing_v: Array
    mean_a: Array
    cathode_v: Array
    lost_v: Array


@dataclass(frozen=True, slots=True)
class _Flow:
    """What a state draws, instants by row, or means of one tube a row.

    net_a: what the load sees.  winding_a: into the primary.  plate_a, screen_a: of one
    tube, or half the sum of a pair, at each instant.
    """

    net_a: Array
    winding_a: Array
    plate_a: Array
    screen_a: Array


class Cycles:
    """The published rows of one type, ready to be solved with any law."""

    def __init__(self, rows: Sequence[SignalRow]) -> None:
        def column(name: str) -> Array:
            values = [getattr(row, name) for row in rows]
            return np.array([[0.0 if v is None else float(v)] for v in values])

        self.rows = tuple(rows)
        self.pair = np.array([[row.form == "push_pull"] for row in rows])
        self.tubes = np.where(self.pair, 2.0, 1.0)
        self.tied = np.array([[row.connection == "triode"] for row in rows])
        self.tap = column("tap")
        self.plate_v = column("plate_v") + column("bias_v")
        own = np.array([[row.screen_v is not None] for row in rows])
        self.screen_v = np.where(own, column("screen_v"), column("plate_v")) + column("bias_v")
        self.grid_v = column("grid_v")
        self.load_ohm = column("load_ohm")
        shared = np.array([[row.shared_cathode] for row in rows])
        self.cathode_ohm = column("cathode_ohm") * np.where(shared, 2.0, 1.0)
        self.screen_ohm = column("screen_ohm") * self.tubes
        angle = (np.arange(INSTANTS) + 0.5) / INSTANTS * np.pi
        self.sine = np.where(self.pair, np.sin(angle), -np.cos(angle))
        self.drive = column("drive_v") * self.sine

    def figures(self, law: Law) -> Mapping[str, Array]:
        """Return every figure a row may print, one number a row."""
        state = self._solved(law)
        flow = self._flow(law, state)
        plate, screen = flow.plate_a.mean(1), flow.screen_a.mean(1)
        tubes, pair = self.tubes[:, 0], self.pair[:, 0]
        swing = state.swing_v
        square = np.where(pair, (swing**2).mean(1), swing.var(1))
        first = 2.0 * (swing * self.sine).mean(1) ** 2
        rest = np.maximum(square - first, 0.0)
        return {
            "output_w": np.where(pair, 4.0, 1.0) * square / self.load_ohm[:, 0],
            "distortion": np.sqrt(rest / np.maximum(first, 1e-12)),
            "plate_a": tubes * plate,
            "screen_a": tubes * screen,
            "cathode_a": tubes * (plate + screen),
        }

    def _flow(self, law: Law, state: _State) -> _Flow:
        """Return the currents of a state; the other tube of a pair is half a cycle on."""
        one = self._tube(law, state, 1.0)
        if not self.pair.any():
            return _Flow(one[0], *one)
        other = self._tube(law, state, -1.0)
        both = [np.where(self.pair, 0.5 * (a + b), a) for a, b in zip(one, other, strict=True)]
        return _Flow(np.where(self.pair, one[0] - other[0], one[0]), *both)

    def _tube(self, law: Law, state: _State, sign: float) -> tuple[Array, Array, Array]:
        swing = sign * state.swing_v
        plate_v = self.plate_v + swing - state.cathode_v
        screen_v = self.screen_v - state.lost_v - state.cathode_v + self.tap * swing
        screen_v = np.where(self.tied, plate_v, screen_v)
        grid_v = self.grid_v + sign * self.drive - state.cathode_v
        plate, screen = space_currents(law, plate_v, screen_v, grid_v)
        share = np.where(self.tied, 1.0, self.tap)
        return plate + share * screen, plate, screen

    def _solved(self, law: Law) -> _State:
        rows = (len(self.rows), 1)
        state = _State(
            np.zeros((len(self.rows), INSTANTS)),
            np.full(rows, START_A),
            np.where(self.cathode_ohm > 0, START_CATHODE_V, 0.0),
            np.zeros(rows),
        )
        for number in range(STEPS):
            step = self._step(law, state)
            reach = (0.4 if number < LARGE_STEPS else 0.15) * self.plate_v
            swing = np.clip(step.swing_v, -reach, reach)
            state = _State(
                np.clip(state.swing_v + swing, -1.2 * self.plate_v, 1.2 * self.plate_v),
                state.mean_a + step.mean_a,
                state.cathode_v + np.clip(step.cathode_v, -CATHODE_STEP_V, CATHODE_STEP_V),
                state.lost_v + np.clip(step.lost_v, -SCREEN_STEP_V, SCREEN_STEP_V),
            )
            if np.abs(swing).max() < NEAR_ENOUGH_V:
                break
        return state

    def _step(self, law: Law, state: _State) -> _State:
        """Return Newton's step: the instants are eliminated, three unknowns a row stay."""
        swing, mean, cathode, lost = state.swing_v, state.mean_a, state.cathode_v, state.lost_v
        here = self._flow(law, state)
        load = np.where(self.pair, self.load_ohm / 4.0, self.load_ohm)
        single = np.where(self.pair, 0.0, 1.0)
        miss = swing + load * (here.net_a - single * mean)
        moved = [
            self._flow(law, _State(swing + STEP_V, mean, cathode, lost)),
            self._flow(law, _State(swing, mean, cathode + STEP_V, lost)),
            self._flow(law, _State(swing, mean, cathode, lost + STEP_V)),
        ]
        net = [(each.net_a - here.net_a) / STEP_V for each in moved]
        slope = 1.0 + load * net[0]
        border = [-load * single + 0.0 * swing, load * net[1], load * net[2]]
        short = [
            here.winding_a.mean(1) - mean[:, 0],
            (self.cathode_ohm * (here.plate_a + here.screen_a)).mean(1) - cathode[:, 0],
            (self.screen_ohm * here.screen_a).mean(1) - lost[:, 0],
        ]
        by_swing, by_cathode, by_lost = (self._slopes(here, each) for each in moved)
        matrix = np.zeros((len(self.rows), 3, 3))
        right = np.zeros((len(self.rows), 3))
        for i in range(3):
            direct = (0.0, by_cathode[i].mean(1), by_lost[i].mean(1))
            for j in range(3):
                through = (by_swing[i] * border[j] / slope).mean(1)
                matrix[:, i, j] = direct[j] - through - (1.0 if i == j else 0.0)
            right[:, i] = (by_swing[i] * miss / slope).mean(1) - short[i]
        found = solve_exactly(matrix, right[:, :, None], "the rows do not determine the cycle")
        steps = [np.asarray(found[:, n], dtype=np.float64) for n in range(3)]
        pull = sum(b * s for b, s in zip(border, steps, strict=True))
        return _State(-(miss + pull) / slope, *steps)

    def _slopes(self, here: _Flow, moved: _Flow) -> tuple[Array, Array, Array]:
        """Return how the three conditions of a row follow a volt, at every instant."""
        cathode = moved.plate_a + moved.screen_a - here.plate_a - here.screen_a
        return (
            (moved.winding_a - here.winding_a) / STEP_V,
            self.cathode_ohm * cathode / STEP_V,
            self.screen_ohm * (moved.screen_a - here.screen_a) / STEP_V,
        )
