"""What spreads from unit to unit on the bench, and the units that are drawn.

Comes in: the circuit, its roles and a mains band.  Goes out: a `Spread`, which the bench
sheet and the dictionary of a diagnosis draw alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.model import Circuit
from netcheck.judge.toleranced import Variable
from netcheck.ratings.mains import MainsBand, find_band
from netcheck.roles.base import Roles
from netcheck.workbench.tolerance import draw_factors, variables_of

USUAL_BAND = "230V"
"""Tells which sources move with the mains where these do not spread."""


@dataclass(frozen=True)
class Spread:
    """What spreads in all units, and how: factors is (draws, variables).

    on_mains: sources that move with the mains.  remarks: what was assumed.
    """

    variables: tuple[Variable, ...]
    factors: NDArray[np.float64]
    on_mains: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


def spread_of(
    circuit: Circuit, roles: Roles, band: MainsBand | None, draws: int, seed: int
) -> Spread:
    """Return what spreads; without a band the mains stay as they are."""
    every, remarks = variables_of(circuit, roles, band or find_band(USUAL_BAND))
    on_mains = next((one.parts for one in every if one.kind == "mains"), ())
    variables = tuple(one for one in every if band or one.kind != "mains")
    return Spread(variables, draw_factors(variables, draws, seed), on_mains, remarks)
