"""Heat under drive where the signal is at full level for a share of the time only.

Comes in: the states of one circuit by condition, and that share, the duty.  Goes out: the
same states, those with a signal with the heat of a circuit that is driven for the duty and
at rest for the remainder: watts and mean currents as means over both, rms currents as the
root of the mean square.  That is right where the two follow each other faster than a part
warms: seconds for electrodes, minutes for windings (`judge/heat.py`).

Volts, peaks and what the circuit gives stay those of the full signal, since insulation
breaks down at once; so do the currents of tubes, and with them what heats a control grid.
Music is no sine: its mean power is some 10 to 20 dB below that of a sine of the same peaks
(common practice), which as a duty is 1 to 10 %; a duty of 100 % is a continuous sine.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from netcheck.conditions import DRIVEN, IDLE, condition_kind
from netcheck.solve.results import Outcome, PartState, Solved, TubeState

CONTINUOUS = 1.0
NOTHING = PartState(0.0, 0.0, 0.0, 0.0, 0.0)
"""What flows at rest in a part that is in the driven circuit only: a loop of shorted turns."""


def at_duty(outcomes: Mapping[str, Outcome], duty: float) -> dict[str, Outcome]:
    """Return the outcomes of one circuit with the heat of a duty.

    duty: share of the time at full signal, 0 to 1.  Where the circuit has no state at
    idle its driven ones stay as they are, as of a continuous signal.
    """
    rest = outcomes.get(IDLE)
    if duty == CONTINUOUS or not isinstance(rest, Solved):
        return dict(outcomes)
    return {
        name: _mean(outcome, rest, duty)
        if isinstance(outcome, Solved) and condition_kind(name) == DRIVEN
        else outcome
        for name, outcome in outcomes.items()
    }


def duty_words(duty: float) -> tuple[str, ...]:
    """Return what is to be said of a duty; nothing of a continuous signal."""
    if duty == CONTINUOUS:
        return ()
    return (
        f"heat under drive: at full signal {100.0 * duty:.3g} % of the time and at rest "
        "otherwise; volts, peaks and the currents of tubes are those of the full signal",
    )


def _mean(driven: Solved, rest: Solved, duty: float) -> Solved:
    tubes = {
        ref: _tube(tube, rest.tubes[ref], duty) if ref in rest.tubes else tube
        for ref, tube in driven.tubes.items()
    }
    parts = {
        ref: _part(part, rest.parts.get(ref, NOTHING), duty) for ref, part in driven.parts.items()
    }
    return replace(driven, tubes=tubes, parts=parts)


def _tube(driven: TubeState, rest: TubeState, duty: float) -> TubeState:
    screen_w = driven.screen_dissipation_w
    if screen_w is not None and rest.screen_dissipation_w is not None:
        screen_w = _between(screen_w, rest.screen_dissipation_w, duty)
    plate_w = _between(driven.plate_dissipation_w, rest.plate_dissipation_w, duty)
    return replace(driven, plate_dissipation_w=plate_w, screen_dissipation_w=screen_w)


def _part(driven: PartState, rest: PartState, duty: float) -> PartState:
    at_rest_a = max(abs(rest.rms_current_a), abs(rest.current_a))
    return replace(
        driven,
        current_a=_between(driven.current_a, rest.current_a, duty),
        rms_current_a=math.sqrt(_between(driven.rms_current_a**2, at_rest_a**2, duty)),
        power_w=_between(driven.power_w, rest.power_w, duty),
    )


def _between(driven: float, rest: float, duty: float) -> float:
    return duty * driven + (1.0 - duty) * rest
