"""What many draws at once say about the quantity of a limit.

Comes in: a limit and the operating points of many draws.  Goes out: one value a
draw, as `measure.py` gives it for one state; a test holds both to one answer.  A
draw that was not solved is nan, and so is a value in a draw where the limit does
not hold (a rating for a tube without current while it conducts).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from netcheck.judge.base import PartLimit
from netcheck.judge.measure import ZERO_CURRENT_A
from netcheck.solve.draws import Drawn

Array = NDArray[np.float64]


def measure_draws(limit: PartLimit, drawn: Drawn) -> Array | None:
    """Return the value compared with `limit` in each draw, or None where there is none."""
    part = drawn.circuit[limit.part]
    if part.kind == "tube":
        return _of_tube(limit, drawn)
    if part.kind not in ("resistor", "capacitor", "inductor", "voltage_source"):
        return None
    if limit.quantity in ("current_a", "supply_current_a"):
        return np.abs(drawn.branch(limit.part))
    first, second = part.nets[:2]
    volts = drawn.net(first) - drawn.net(second)
    if limit.quantity == "voltage_v":
        return np.abs(volts)
    if limit.quantity == "power_w":
        power: Array = volts**2 / drawn.resistance(limit.part)
        return power
    return None


def _of_tube(limit: PartLimit, drawn: Drawn) -> Array | None:
    ref = limit.part
    if limit.quantity == "both_plates_dissipation_w":
        value = sum((_plate_w(one, drawn) for one in (ref, *limit.company)), np.zeros(1))
    elif limit.quantity == "heater_cathode_voltage_v":
        value = np.abs(_net(ref, "cathode", drawn) - limit.reference_v)
    elif read := OF_TUBE.get(limit.quantity):
        value = np.maximum(read(ref, drawn), 0.0)
    else:
        return None
    if limit.at_current != "any":
        without = _cathode_a(ref, drawn) < ZERO_CURRENT_A
        value = np.where(without == (limit.at_current == "zero"), value, np.nan)
    return value


def _net(ref: str, pin: str, drawn: Drawn) -> Array:
    return drawn.net(drawn.circuit[ref].net(pin))


def _volts(ref: str, pin: str, drawn: Drawn) -> Array:
    return _net(ref, pin, drawn) - _net(ref, "cathode", drawn)


def _cathode_a(ref: str, drawn: Drawn) -> Array:
    every = [drawn.electrode(ref, name) for name in drawn.deck.sense[ref] if name != "cathode"]
    return sum(every, np.zeros(drawn.rows.shape[1]))


def _plate_w(ref: str, drawn: Drawn) -> Array:
    return _volts(ref, "plate", drawn) * drawn.electrode(ref, "plate")


def _screen_w(ref: str, drawn: Drawn) -> Array:
    if not drawn.circuit[ref].has_pin("screen"):
        return np.zeros(drawn.rows.shape[1])
    return _volts(ref, "screen", drawn) * drawn.electrode(ref, "screen")


def _plate_and_screen_v(ref: str, drawn: Drawn) -> Array:
    plate_v = _volts(ref, "plate", drawn)
    if not drawn.circuit[ref].has_pin("screen"):
        return plate_v
    return np.maximum(plate_v, _volts(ref, "screen", drawn))


OF_TUBE: Mapping[str, Callable[[str, Drawn], Array]] = {
    "plate_dissipation_w": _plate_w,
    "screen_dissipation_w": _screen_w,
    "plate_plus_screen_dissipation_w": lambda ref, drawn: (
        _plate_w(ref, drawn) + _screen_w(ref, drawn)
    ),
    "plate_voltage_v": lambda ref, drawn: _volts(ref, "plate", drawn),
    "plate_peak_v": lambda ref, drawn: _volts(ref, "plate", drawn),
    "screen_voltage_v": lambda ref, drawn: _volts(ref, "screen", drawn),
    "plate_and_screen_voltage_v": _plate_and_screen_v,
    "grid_voltage_negative_v": lambda ref, drawn: -_volts(ref, "grid", drawn),
    "cathode_current_a": _cathode_a,
    "output_current_a": _cathode_a,
}
