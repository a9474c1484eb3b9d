"""What a rectifier gives into a reservoir, as a function of the load.

Comes in: a `Charging`: the open-circuit sine, the resistance and the rectifier it passes, how
often it charges in a cycle, and the reservoir.  Goes out: a `RectifierCurve`: mean volts, ripple
and the currents of rectifier and reservoir at constant loads.

The state of the reservoir is one unknown, the volts v at the start of a period:

    C dv/dt = i(e(t) - v) - load        i through resistance and rectifier, never backward

The periodic state is the v that the map of one period leaves as it is.  Newton finds it, with
the slope of the map from the equation of variation, for all loads at once.  A period is half a
cycle where both halves charge alike.  The current is tabulated over the volts across
resistance and rectifier, since those follow from a current in one formula; the table is read by
linear interpolation.  Steps are of the fourth order (classical Runge-Kutta).

The load is constant within a period: what an amplifier draws hardly follows the ripple.
Leakage inductance is left out; it makes pulses longer and lower (common knowledge of Schade's).

References.  O. H. Schade, Analysis of Rectifier Operation, Proc. IRE 31 (1943) 341: the problem and
its usual charts.  Newton on the map of a period: Aprille and Trick, Proc. IEEE 60 (1972) 108.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

Values = NDArray[np.float64]

STEPS = 400
"""Steps a period; half as many change the mean volts by less than 1e-4 of them (measured)."""
LEAST_OHM = 0.1
"""No winding has less (common practice); keeps a step of the reservoir short of its own rate."""
SETTLED = 1e-7
"""Newton ends when the volts at the start move by less than this share of the peak."""
ROUNDS = 60
THERMAL_V = 0.025852
"""kT/q at 300 K."""
TABLE_POINTS = 1500


class Rectifier(Protocol):
    """Anything with a forward drop at a current."""

    def drop_v(self, ampere: ArrayLike, /) -> Values:
        """Return the drop [V] at forward currents [A]."""
        ...


@dataclass(frozen=True, slots=True)
class SiliconLaw:
    """Drop of a silicon diode: logarithm and its own resistance.

    saturation_a, emission, ohm: IS, N and RS of the usual diode model.
    """

    saturation_a: float
    emission: float = 1.0
    ohm: float = 0.0

    def drop_v(self, ampere: ArrayLike, /) -> Values:
        """Return the drop [V] at forward currents [A]."""
        amps = np.asarray(ampere, float)
        junction = self.emission * THERMAL_V * np.log1p(amps / self.saturation_a)
        return np.asarray(junction + self.ohm * amps)


@dataclass(frozen=True, slots=True)
class Charging:
    """One way from a winding into a reservoir.

    peak_v: of the open-circuit sine that one pulse comes from.  source_ohm: in the way of
    a pulse, the rectifier's own left out.  in_series: rectifiers a pulse passes (2 in a bridge).
    pulses: in one cycle, 1 or 2.
    """

    peak_v: float
    source_ohm: float
    rectifier: Rectifier
    reservoir_f: float
    mains_hz: float
    pulses: int = 2
    in_series: int = 1

    @property
    def short_circuit_a(self) -> float:
        """Mean current [A] into a shorted reservoir, the rectifier's drop left out."""
        return self.pulses * self.peak_v / (np.pi * max(self.source_ohm, LEAST_OHM))

    def drop_v(self, ampere: ArrayLike) -> Values:
        """Return the volts [V] across resistance and rectifiers at a current [A]."""
        amps = np.asarray(ampere, float)
        ohm = max(self.source_ohm, LEAST_OHM)
        return np.asarray(ohm * amps + self.in_series * self.rectifier.drop_v(amps))


@dataclass(frozen=True, slots=True)
class RectifierCurve:
    """What comes out at each load; all arrays are as long as `load_a`.

    mean_v: over the reservoir.  ripple_v: of it, peak to peak.  peak_a: highest current of a
    pulse.  pulse_rms_a: of all pulses together, as the winding of a bridge carries them.
    one_rms_a: of what carries one pulse in a cycle: a plate of two, a diode of a bridge.
    reservoir_rms_a: ripple current of the reservoir.
    """

    load_a: Values
    mean_v: Values
    ripple_v: Values
    peak_a: Values
    pulse_rms_a: Values
    one_rms_a: Values
    reservoir_rms_a: Values


def curve_of(charging: Charging, load_a: ArrayLike) -> RectifierCurve:
    """Return the periodic state at each constant load [A].

    A load that the rectifier cannot bring at any volts above zero gives volts below zero,
    which no amplifier draws; the caller leaves them out.
    """
    loads = np.atleast_1d(np.asarray(load_a, float))
    start = np.full_like(loads, charging.peak_v)
    for _ in range(ROUNDS):
        path = _period(charging, loads, start)
        # the map is concave and its slope below one: steps from above never overshoot
        move = (path.volts[-1] - start) / np.maximum(1.0 - path.slope, 1e-9)
        start = start + move
        if np.max(np.abs(move)) <= SETTLED * charging.peak_v:
            break
    return _summed(charging, loads, _period(charging, loads, start))


@dataclass(frozen=True, slots=True)
class _Path:
    """One period: volts and current (steps + 1, loads), and d(end)/d(start) (loads)."""

    volts: Values
    amps: Values
    slope: Values


def _period(charging: Charging, loads: Values, start: Values) -> _Path:
    """Follow one period from the volts at its start, a crest of the other half's making."""
    drops, currents, slopes = _table(charging)
    farad, step = charging.reservoir_f, 1.0 / (charging.mains_hz * charging.pulses) / STEPS

    # cos, so that a period begins on the crest and one pulse lies on either end of it
    phase = np.pi * np.arange(2 * STEPS + 1) / STEPS / charging.pulses
    wave = np.cos(phase)
    emf = charging.peak_v * (np.abs(wave) if charging.pulses == 2 else wave)

    def current(volts: Values, at: int) -> Values:
        return np.asarray(np.interp(emf[at] - volts, drops, currents))

    volts, slope = start, np.ones_like(start)
    states, amps = [volts], [current(volts, 0)]
    for number in range(STEPS):
        at = 2 * number
        one = (current(volts, at) - loads) / farad
        two = (current(volts + one * step / 2, at + 1) - loads) / farad
        three = (current(volts + two * step / 2, at + 1) - loads) / farad
        four = (current(volts + three * step, at + 2) - loads) / farad
        middle = volts + two * step / 2
        slope = slope * np.exp(-step / farad * np.interp(emf[at + 1] - middle, drops, slopes))
        volts = volts + step / 6 * (one + 2 * two + 2 * three + four)
        states.append(volts)
        amps.append(current(volts, at + 2))
    return _Path(np.array(states), np.array(amps), slope)


def _table(charging: Charging) -> tuple[Values, Values, Values]:
    """Return volts across resistance and rectifiers, the current there, and its slope."""
    most = charging.peak_v / max(charging.source_ohm, LEAST_OHM)
    amps = np.concatenate(([0.0], np.geomspace(1e-9 * most, 2.0 * most, TABLE_POINTS)))
    drops = charging.drop_v(amps)
    slopes = np.gradient(amps, drops)
    # nothing flows backward: both stay at nought below the first point
    slopes[0] = 0.0
    return drops, amps, slopes


def _summed(charging: Charging, loads: Values, path: _Path) -> RectifierCurve:
    def mean(values: Values) -> Values:
        return np.asarray(np.trapezoid(values, axis=0) / STEPS)

    rms = np.sqrt(mean(path.amps**2))
    return RectifierCurve(
        load_a=loads,
        mean_v=mean(path.volts),
        ripple_v=np.ptp(path.volts, axis=0),
        peak_a=path.amps.max(axis=0),
        pulse_rms_a=rms,
        one_rms_a=rms / np.sqrt(charging.pulses),
        reservoir_rms_a=np.sqrt(mean((path.amps - loads) ** 2)),
    )
