"""Linear networks that a netlist describes, solved also where a part of them floats.

Comes in: a conductance or admittance matrix [S] and the currents driven into its nets [A].
Goes out: the volts [V] (or, for 1 A, the ohms).  A network that hangs together is solved
as it stands.  Where rounding swallows the leak that ought to hold a floating part, such
as 1e-15 S beside a link of 1e3 S, elimination meets a pivot of zero; then every island
is solved alone.  A floating island keeps its inner differences (the solution of least
norm) and stands on its leaks: all of its nets are lifted by the current driven into the
island over the sum of its leaks, the limit of the exact solution for a leak much
smaller than every branch (derived from Kirchhoff's current law).
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from netcheck.equations import SingularError, solve_exactly

FLOATS = "a part of the network floats"
Number = TypeVar("Number", np.float64, np.complex128)


def solve_network(
    matrix: NDArray[Number], drive: NDArray[Number], leak_siemens: float
) -> NDArray[Number]:
    """Return the volts at every net for one column, or several columns, of currents.

    leak_siemens: what joins each net of a floating island to ground [S].
    """
    try:
        volts = solve_exactly(matrix, drive, FLOATS)
    except SingularError:
        return _by_island(matrix, drive, leak_siemens)
    return volts if np.isfinite(volts).all() else _by_island(matrix, drive, leak_siemens)


def _by_island(
    matrix: NDArray[Number], drive: NDArray[Number], leak_siemens: float
) -> NDArray[Number]:
    volts = np.zeros_like(drive)
    for island in _islands(matrix):
        inner, current = matrix[np.ix_(island, island)], drive[island]
        try:
            volts[island] = solve_exactly(inner, current, FLOATS)
        except SingularError:
            volts[island] = _floating(inner, current, leak_siemens)
    return volts


def _floating(
    inner: NDArray[Number], current: NDArray[Number], leak_siemens: float
) -> NDArray[Number]:
    mean = current.mean(axis=0)
    differences = np.linalg.lstsq(inner, current - mean, rcond=None)[0]
    lifted: NDArray[Number] = differences + mean / leak_siemens
    return lifted


def _islands(matrix: NDArray[Number]) -> list[list[int]]:
    """Return the sets of nets that branches join."""
    left = set(range(len(matrix)))
    islands = []
    while left:
        island, waiting = [], [left.pop()]
        while waiting:
            net = waiting.pop()
            island.append(net)
            near = left.intersection(map(int, np.flatnonzero(matrix[net])))
            left -= near
            waiting.extend(near)
        islands.append(sorted(island))
    return islands
