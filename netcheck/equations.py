"""Linear equations: the one place where any are solved, and what is said where they cannot be.

Comes in: a matrix, or a stack of them, the right side, and what it means if there is no one
answer.  Goes out: the answer, or a `SingularError` with that reason.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from netcheck.errors import NetcheckError

Number = TypeVar("Number", np.float64, np.complex128)


class SingularError(NetcheckError):
    """Equations without one answer; the message says what they leave open."""


def solve_exactly(matrix: NDArray[Number], right: NDArray[Number], reason: str) -> NDArray[Number]:
    """Solve equations, or a stack of them; `SingularError` with the reason where that fails."""
    try:
        return np.asarray(np.linalg.solve(matrix, right), dtype=matrix.dtype)
    except np.linalg.LinAlgError:
        raise SingularError(reason) from None


def inverse(matrix: NDArray[Number], reason: str) -> NDArray[Number]:
    """Invert a matrix, or a stack of them; `SingularError` with the reason where that fails."""
    try:
        return np.asarray(np.linalg.inv(matrix), dtype=matrix.dtype)
    except np.linalg.LinAlgError:
        raise SingularError(reason) from None
