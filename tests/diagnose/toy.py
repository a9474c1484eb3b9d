"""A dictionary made by hand, for tests whose answer is worked out by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import SimpleNamespace

import numpy as np

from netcheck.diagnose.dictionary import Foreseen, Point
from netcheck.diagnose.hypotheses import NONE_SHARE, CauseOf, Hypotheses
from netcheck.diagnose.meters import DIGITAL


class Toy:
    """Stands in for a dictionary: by point the units of each row, (rows, draws)."""

    def __init__(self, units: Mapping[Point, np.ndarray]) -> None:
        self.points = units
        draws = next(iter(units.values())).shape[1]
        self.options = SimpleNamespace(meter=DIGITAL)
        self.spread = SimpleNamespace(factors=np.ones((draws, 1)))

    def foresee(self, point: Point, shown: float, **_: object) -> Foreseen:
        units = self.points[point]
        return Foreseen(units.mean(axis=1), units)

    def page(self, key: str) -> SimpleNamespace:
        def nominal_volts(first: str, second: str, load_ohm: float) -> np.ndarray:
            return self.points[Point("volts", first, second, key)].mean(axis=1)

        return SimpleNamespace(nominal_volts=nominal_volts)


def units_of(means: Sequence[float], sigma: float, shape: Sequence[float]) -> np.ndarray:
    """Return units about each mean: all rows spread alike, as `shape` has it, by `sigma`."""
    known = np.array(shape) - np.mean(shape)
    known = known / known.std(ddof=1) if known.any() else known
    return np.array(means)[:, None] + sigma * known


def toy_hypotheses(cause: Sequence[int], weight: Sequence[float] | None = None) -> Hypotheses:
    """Return hypotheses of as many rows as `cause` has, row 0 sound; causes equally likely."""
    count = max(cause) + 1
    share = (1.0 - NONE_SHARE) / count
    causes = tuple(CauseOf(f"cause {at}", (at,), share) for at in range(count))
    rows = np.arange(len(cause))
    known = np.ones(len(cause)) if weight is None else np.array(weight)
    return Hypotheses(
        causes, rows, rows, np.zeros(len(cause)), np.array(cause), known, (None,) * len(cause)
    )
