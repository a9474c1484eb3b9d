"""What a sample of drawn units says about all units that will be built.

Comes in: how many of so many draws exceeded a limit; values by draw.  Goes out:
the share with its confidence interval, and how much of a quantity's variance each
variable brings.

The interval is that of C. Clopper and E. Pearson, Biometrika 26, 1934, 404: exact
for a binomial count, so it never covers less than it says, and it stays honest
where no draw at all exceeded (from memory).  The variance shares are those of a
linear fit over the draws, which are independent of each other: share of variable j
is (slope_j x sd_j)^2 over the variance of the quantity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Share:
    """A share of all units, from a count of draws.

    exceeding, solved, not_solved: draws.  low and high: ends of the interval; a draw
    that was not solved counts as within the limit for low and as over it for high.
    """

    exceeding: int
    solved: int
    not_solved: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """Share of the solved draws."""
        return self.exceeding / self.solved if self.solved else 0.0


def share_of(exceeding: int, solved: int, not_solved: int = 0) -> Share:
    """Return the share with its Clopper-Pearson interval of `CONFIDENCE`."""
    tried = solved + not_solved
    low = _bounds(exceeding, tried)[0] if tried else 0.0
    high = _bounds(exceeding + not_solved, tried)[1] if tried else 1.0
    return Share(exceeding, solved, not_solved, low, high)


def _bounds(hits: int, tried: int) -> tuple[float, float]:
    from scipy.stats import beta  # here: scipy takes long to load

    tail = (1.0 - CONFIDENCE) / 2.0
    low = float(beta.ppf(tail, hits, tried - hits + 1)) if hits else 0.0
    high = float(beta.ppf(1.0 - tail, hits + 1, tried - hits)) if hits < tried else 1.0
    return low, high


def variance_shares(variables: Array, values: Array) -> Array:
    """Return the share of the variance of each quantity that each variable brings.

    variables: (draws, variables).  values: (draws, quantities), without nan.  Goes
    out: (variables, quantities).  What is missing to a sum of 1 is not linear.
    """
    centered = variables - variables.mean(axis=0)
    wanted = values - values.mean(axis=0)
    slopes, *_ = np.linalg.lstsq(centered, wanted, rcond=None)
    spread = centered.var(axis=0)[:, None]
    total = wanted.var(axis=0)
    tiny = 1e-18 * np.maximum(np.abs(values).max(axis=0), 1e-12) ** 2
    brought: Array = np.divide(
        slopes**2 * spread, total, out=np.zeros_like(slopes), where=total > tiny
    )
    return brought
