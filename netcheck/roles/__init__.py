"""Role recognition: what each part does for the tubes of a circuit.

The walks are loaded when a circuit is first recognised: who needs only the names
(a worker that judges, the ranking) does not wait for them.
"""

from __future__ import annotations

from netcheck.circuit.model import Circuit
from netcheck.roles.base import (
    Alternative,
    BiasSupply,
    OutputTransformer,
    Role,
    Roles,
    SignalPath,
    Stage,
)
from netcheck.roles.wiring import Neighbors, neighbors

__all__ = [
    "Alternative",
    "BiasSupply",
    "Neighbors",
    "OutputTransformer",
    "Role",
    "Roles",
    "SignalPath",
    "Stage",
    "neighbors",
    "recognise",
]


def recognise(circuit: Circuit) -> Roles:
    """Recognise everything in a circuit; see `netcheck.roles.recogniser`."""
    from netcheck.roles import recogniser

    return recogniser.recognise(circuit)
