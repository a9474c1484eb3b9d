"""How well the law of a tube type meets the rows of its sheets, in the open.

Comes in: a `TubeType`.  Goes out: every published figure beside what the law gives,
whether its row was fitted or held out, and the bar it is measured by.

A row that was fitted shows how well one law meets a whole sheet; only a row that was
held out is a prediction.  The bars are the project's own: what a tube of one type may
differ from another is about 30 % (common practice), what two sheets of one type differ
is 5 to 20 %.  Screen current is the least certain figure of every sheet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from netcheck.tubes.fit import compare, held_out_rows
from netcheck.tubes.model import Law, PentodeLaw, space_currents
from netcheck.tubes.types import OperationRow, TubeType

Status = Literal["fitted", "held out"]

BARS: dict[Status, dict[str, float]] = {
    "fitted": {
        "plate_a": 0.05,
        "cathode_a": 0.05,
        "screen_a": 0.30,
        "transconductance_s": 0.10,
        "plate_resistance_ohm": 0.20,
        "amplification": 0.10,
    },
    "held out": {
        "plate_a": 0.10,
        "cathode_a": 0.10,
        "screen_a": 0.30,
        "transconductance_s": 0.10,
        "plate_resistance_ohm": 0.20,
        "amplification": 0.10,
    },
}
"""Largest deviation allowed, as a fraction of the published figure."""

FIGURE_WORDS = {
    "plate_a": "plate current",
    "cathode_a": "cathode current",
    "screen_a": "screen current",
    "transconductance_s": "transconductance",
    "plate_resistance_ohm": "plate resistance",
    "amplification": "amplification",
}
FIGURE_UNITS = {
    "plate_a": "A",
    "cathode_a": "A",
    "screen_a": "A",
    "transconductance_s": "S",
    "plate_resistance_ohm": "ohm",
    "amplification": "",
}
NEAR_ZERO_BIAS = 0.1
"""Bias below this share of the cut-off bias: grid all but at the cathode."""
NEAR_CUT_OFF = 0.1
"""Plate current below this share of that at zero bias and the same volts."""


@dataclass(frozen=True, slots=True)
class Checked:
    """One published figure, what the law gives for it, and how that is judged.

    number: of the row in its file, from 0.
    """

    type: str
    number: int
    row: OperationRow
    figure: str
    published: float
    model: float
    status: Status

    @property
    def deviation(self) -> float:
        """Model over published, less one."""
        return self.model / self.published - 1.0

    @property
    def bar(self) -> float:
        """The deviation allowed; what was not printed as such has its own tolerance."""
        bar = BARS[self.status][self.figure]
        return bar if self.row.basis == "published" else max(bar, self.row.tolerance)

    @property
    def misses(self) -> bool:
        """Say whether the law is further off than the bar allows."""
        return abs(self.deviation) > self.bar

    @property
    def where(self) -> str:
        """The operating point in words: `250 V, screen 250 V, grid -7.3 V`."""
        screen = "" if self.row.screen_v is None else f", screen {self.row.screen_v:g} V"
        how = "" if self.row.connection == "pentode" or not screen else f", {self.row.connection}"
        return f"{self.row.plate_v:g} V{screen}, grid {self.row.grid_v:g} V{how}"


@dataclass(frozen=True, slots=True)
class Accuracy:
    """All figures of one type."""

    type: str
    checked: tuple[Checked, ...]
    held_out: frozenset[int]

    @property
    def missed(self) -> tuple[Checked, ...]:
        """The figures that do not meet their bar."""
        return tuple(each for each in self.checked if each.misses)

    def worst(self, status: Status, *figures: str) -> Checked | None:
        """Return the figure that is furthest off, among rows of one status."""
        found = [each for each in self.checked if each.status == status and each.figure in figures]
        return max(found, key=lambda each: abs(each.deviation), default=None)


def accuracy_of(tube: TubeType) -> Accuracy:
    """Set every figure of the rows of `tube` beside what its law gives.

    One section: the companion of another kind in the same bulb is asked for by itself.
    A rectifier has no rows, its law goes through a published drop.
    """
    if not tube.operation:
        return Accuracy(tube.name, (), frozenset())
    held_out = held_out_rows(tube)
    checked = [
        Checked(
            tube.name,
            number,
            row,
            each.figure,
            each.published,
            each.model,
            "held out" if number in held_out else "fitted",
        )
        for number, row in enumerate(tube.operation)
        for each in compare(tube.law, [row])
    ]
    return Accuracy(tube.name, tuple(checked), held_out)


def near_zero_bias(law: Law, row: OperationRow) -> bool:
    """Say whether a row has its grid all but at the cathode."""
    drawing_v = row.plate_v if row.screen_v is None else row.screen_v
    return abs(row.grid_v) <= NEAR_ZERO_BIAS * drawing_v / law.amplification


def near_cut_off(law: Law, row: OperationRow) -> bool:
    """Say whether little of the current at zero bias is left at a row."""
    screen_v = row.plate_v if row.screen_v is None else row.screen_v
    volts = (np.array([row.plate_v] * 2), np.array([screen_v] * 2), np.array([row.grid_v, 0.0]))
    plate, screen = space_currents(law, *volts)
    space = plate + screen if isinstance(law, PentodeLaw) else plate
    return float(space[0]) < NEAR_CUT_OFF * float(space[1])
