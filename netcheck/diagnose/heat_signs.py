"""How hot each part would be under each fault, as shares of its limit.

Comes in: the dictionary's idle page.  Goes out: by row the ratios that a glowing plate, a
scorched resistor or a blown fuse tell of, and what a fault overheats, in words.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import ReplaceTube, apply_changes
from netcheck.circuit.model import GROUND
from netcheck.diagnose.dictionary import Dictionary
from netcheck.diagnose.heat_limit import plate_limits
from netcheck.diagnose.situations import IDLE
from netcheck.faults.base import Fault
from netcheck.judge.limits import limits_of

Array = NDArray[np.float64]
OVER = 1.05
"""From here on a part is said to overheat; less is at its limit."""


def _own_plates(dictionary: Dictionary, fault: Fault) -> dict[str, float]:
    """Return the plate limits [W] that a tube of another type brings with it."""
    replaced = tuple(one for one in fault.changes if isinstance(one, ReplaceTube))
    if not replaced:
        return {}
    fitted = apply_changes(dictionary.circuit, replaced)
    limits = plate_limits(limits_of(fitted, dictionary.roles))
    refs = {one.part for one in replaced}
    return {ref: one.compared_limit for ref, one in limits.items() if ref in refs}


class HeatSigns:
    """Ratios by row of the dictionary; nan where a fault was not solved."""

    def __init__(self, dictionary: Dictionary) -> None:
        page = dictionary.page(IDLE.key)
        circuit, nominal, place = dictionary.circuit, page.nominal, page.place

        def column(name: str) -> Array:
            return np.asarray(nominal[:, place[name]], dtype=float)

        def volts(net: str) -> Array | float:
            return 0.0 if net == GROUND else column(f"v:{net}")

        self.plate: dict[str, Array] = {}
        self.part: dict[str, Array] = {}
        self.fuse: dict[str, Array] = {}
        for ref, quantity, limit in page.limits:
            if quantity == "plate_dissipation_w" and f"w:{ref}" in place:
                self.plate[ref] = column(f"w:{ref}") / limit
            elif quantity == "power_w" and f"i:{ref}" in place:
                first, second = circuit[ref].nets
                watts = np.abs(volts(first) - volts(second)) * column(f"i:{ref}")
                self.part[ref] = np.asarray(watts / limit)
            elif quantity == "current_a" and f"i:{ref}" in place:
                self.part[ref] = (column(f"i:{ref}") / limit) ** 2
        for row, fault in enumerate(dictionary.faults, start=1):
            for ref, limit_w in _own_plates(dictionary, fault).items():
                if ref in self.plate:
                    self.plate[ref][row] = nominal[row, place[f"w:{ref}"]] / limit_w
        for part in circuit.of_kind("resistor"):
            if part.note.fuse_a:
                self.fuse[part.ref] = column(f"i:{part.ref}") / part.note.fuse_a

    def at(self, row: int) -> tuple[Mapping[str, float], Mapping[str, float], Mapping[str, float]]:
        """Return the ratios of plates, parts and fuses in one row."""
        plate, part, fuse = (
            {ref: float(values[row]) for ref, values in table.items()}
            for table in (self.plate, self.part, self.fuse)
        )
        return plate, part, fuse

    def hottest_plate(self) -> Array:
        """Return by row the largest plate ratio."""
        if not self.plate:
            return np.zeros(1)
        ratios = np.array(list(self.plate.values()))
        return np.asarray(np.where(np.isnan(ratios), 0.0, ratios).max(axis=0))

    def words(self, row: int) -> tuple[str, ...]:
        """Return what is overheated in one row, tubes first, the hottest first."""
        found = []
        for rank, table, what in ((0, self.plate, "plate"), (1, self.part, "")):
            for ref, values in table.items():
                ratio = float(values[row])
                if ratio > OVER and ratio > OVER * float(values[0]):
                    name = f"{ref} {what}".rstrip()
                    found.append((rank, -ratio, f"{name} {ratio * 100.0:.0f} % of its limit"))
        return tuple(words for _, _, words in sorted(found))
