"""The balance of power of a driven run: what comes in against where it goes.

Comes in: the observed cycles of a run and its circuit.  Goes out: the power the
sources deliver, what heats parts and tubes, what reaches the speaker, and by how much
the energy stored in capacitors and cores changes while it is averaged.  The four are
integrated apart from each other, from volts and sensed currents, so that their sum
tells whether the time steps were fine enough and nothing was forgotten (Tellegen's
theorem; any text on networks).
"""

from __future__ import annotations

import numpy as np

from netcheck.circuit.model import Circuit, Part
from netcheck.solve.analyses import Hookup
from netcheck.solve.deck import DAMPING_OHM, MIN_RESISTANCE_OHM
from netcheck.solve.observe import Array, Observation
from netcheck.solve.results import PowerBalance

SOURCES = ("voltage_source", "current_source", "controlled_source")


def power_balance(seen: Observation, circuit: Circuit, hookup: Hookup) -> PowerBalance:
    """Return the balance of one observed run."""
    supplied = dissipated = delivered = stored = 0.0
    for part in circuit:
        if part.kind in SOURCES:
            supplied -= seen.mean(_volts(seen, part) * seen.amperes(part))
        elif part.kind == "resistor":
            volts = _volts(seen, part)
            watts = seen.mean(volts * volts) / max(part.value or 0.0, MIN_RESISTANCE_OHM)
            if part.ref in hookup.speakers:
                delivered += watts
            else:
                dissipated += watts
        elif part.kind == "capacitor":
            stored += _capacitor_w(seen, part)
        elif part.kind == "inductor":
            amps = seen.vector(seen.deck.current[part.ref])
            near, far = seen.deck.winding[part.ref]
            stored += seen.mean((seen.node(near) - seen.node(far)) * amps)
            ohm = max(part.note.dcr_ohm or 0.0, MIN_RESISTANCE_OHM)
            dissipated += ohm * seen.mean(amps * amps)
        else:
            dissipated += _electrodes_w(seen, part)
    return PowerBalance(supplied, dissipated + _damping_w(seen, hookup), delivered, stored)


def _volts(seen: Observation, part: Part) -> Array:
    first, second = part.nets[:2]
    return seen.net(first) - seen.net(second)


def _capacitor_w(seen: Observation, part: Part) -> float:
    volts = _volts(seen, part)
    change = float(volts[-1]) ** 2 - float(volts[0]) ** 2
    return (part.value or 0.0) * change / 2.0 / float(np.sum(seen.gaps))


def _electrodes_w(seen: Observation, part: Part) -> float:
    """Power into a tube, diode or transistor, by its sensed electrodes to the last one.

    A tube's own capacitances are behind the same senses; what they store changes by
    next to nothing over whole cycles.
    """
    last = seen.net(part.net("cathode") if part.kind == "tube" else part.nets[-1])
    return sum(
        seen.mean((seen.net(part.net(pin)) - last) * seen.vector(name))
        for pin, name in seen.deck.sense.get(part.ref, {}).items()
    )


def _damping_w(seen: Observation, hookup: Hookup) -> float:
    """Power in the damping networks that windings without loss are given."""
    total = 0.0
    for number, (near, _) in enumerate(hookup.bare_windings):
        volts = seen.net(near) - seen.node(f"q{number}")
        total += seen.mean(volts * volts) / DAMPING_OHM
    return total
