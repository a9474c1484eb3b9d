"""What is read at the lifted grid end of a coupling capacitor: its leak and the meter divide
what stands before it.

Comes in: the capacitor, what a fault changes, the volts and the source before it.  Goes out:
the nets on both sides, the ohms of the leak, and the share that the meter shows.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import AddResistor, Change
from netcheck.circuit.model import Circuit
from netcheck.roles.base import Roles
from netcheck.solve.deck import NEUTRAL_OHM

Array = NDArray[np.float64]


def sides_of(circuit: Circuit, roles: Roles, ref: str) -> tuple[str, str]:
    """Return the net before a coupling capacitor, and the one it feeds."""
    feeds = next((role.feeds for role in roles.of_part(ref) if role.feeds), "")
    return circuit[ref].other_net(feeds), feeds


def leak_ohm(changes: Iterable[Change], sides: tuple[str, str]) -> float:
    """Return the least resistance that changes put across two nets."""
    across = [
        one.ohm
        for one in changes
        if isinstance(one, AddResistor) and {one.net_a, one.net_b} == set(sides)
    ]
    return min(across, default=NEUTRAL_OHM)


def shown_share(source_ohm: Array, leak: Array, load_ohm: float) -> Array:
    """Return the share of the volts before the capacitor that a meter shows."""
    return np.asarray(load_ohm / (load_ohm + leak + source_ohm))
