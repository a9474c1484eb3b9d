"""What a solved state says about the quantity of a limit.

Comes in: a limit and a solved state.  Goes out: the value to compare, or None
where the limit does not hold (a part that is not there, a triode's screen, a
zero-current rating while current flows).

Watts and electrode currents are means over whole cycles, because heat follows the
mean: a class-AB tube swings its plate to twice B+ and its cathode current to
several times the mean in good health.  Insulation sees the peak: a capacitor's
dielectric, a plate's base and socket, what lies between heater and cathode.  A winding is
heated by its rms current.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from netcheck.conditions import COLD_START, condition_kind
from netcheck.judge.base import PartLimit
from netcheck.judge.cores import flux_vs
from netcheck.solve.results import Solved, TubeState

ZERO_CURRENT_A = 1e-4
"""A tube that passes less than 0.1 mA counts as one without current (our choice)."""

LOOP = ".turns"
"""Follows the ref of a winding in that of the turns which a fault has shorted."""


def measure(limit: PartLimit, solved: Solved) -> float | None:
    """Return the value that `limit` is compared with, or None where it is not."""
    if limit.part in solved.tubes:
        return _of_tube(limit, solved)
    state = solved.parts.get(limit.part)
    if state is None:
        return None
    match limit.quantity:
        case "power_w":
            return max(state.power_w, 0.0)
        case "voltage_v":
            return max(abs(state.peak_voltage_v), abs(state.voltage_v))
        case "current_a":
            return _winding_current(limit, solved)
        case "supply_current_a":
            return abs(state.current_a)
        case "core_flux_vs" if limit.core is not None:
            return flux_vs(limit.core, solved)
    return None


def _winding_current(limit: PartLimit, solved: Solved) -> float:
    """Return the rms current that heats the wire most [A].

    Shorted turns are of the same wire as the good ones, and get as hot as their own
    current makes them, however few they are.
    """
    loops = (state for ref, state in solved.parts.items() if ref.startswith(limit.part + LOOP))
    return max(
        max(abs(state.rms_current_a), abs(state.current_a))
        for state in (solved.parts[limit.part], *loops)
    )


def _of_tube(limit: PartLimit, solved: Solved) -> float | None:
    state = solved.tubes[limit.part]
    if limit.at_current != "any":
        cold = condition_kind(solved.condition) == COLD_START
        without = cold or state.cathode_current_a < ZERO_CURRENT_A
        if without != (limit.at_current == "zero"):
            return None
    if limit.quantity == "both_plates_dissipation_w":
        others = (solved.tubes[ref] for ref in limit.company if ref in solved.tubes)
        return state.plate_dissipation_w + sum(one.plate_dissipation_w for one in others)
    if limit.quantity == "heater_cathode_voltage_v":
        volts = (state.cathode_v, state.cathode_low_v, state.cathode_high_v)
        return max(abs(each - limit.reference_v) for each in volts if each is not None)
    read = OF_TUBE.get(limit.quantity)
    value = read(state) if read else None
    return None if value is None else max(value, 0.0)


def _screen_v(state: TubeState) -> float | None:
    return None if state.screen_v is None else state.screen_v - state.cathode_v


def _plate_plus_screen_w(state: TubeState) -> float:
    return state.plate_dissipation_w + (state.screen_dissipation_w or 0.0)


def _plate_and_screen_v(state: TubeState) -> float:
    plate_v = state.plate_v - state.cathode_v
    screen_v = _screen_v(state)
    return plate_v if screen_v is None else max(plate_v, screen_v)


OF_TUBE: Mapping[str, Callable[[TubeState], float | None]] = {
    "plate_dissipation_w": lambda state: state.plate_dissipation_w,
    "screen_dissipation_w": lambda state: state.screen_dissipation_w,
    "plate_plus_screen_dissipation_w": _plate_plus_screen_w,
    "plate_voltage_v": lambda state: state.plate_v - state.cathode_v,
    "plate_peak_v": lambda state: state.plate_peak_v,
    "screen_voltage_v": _screen_v,
    "plate_and_screen_voltage_v": _plate_and_screen_v,
    "grid_voltage_negative_v": lambda state: state.cathode_v - state.grid_v,
    "cathode_current_a": lambda state: state.cathode_current_a,
    "output_current_a": lambda state: state.cathode_current_a,
}
