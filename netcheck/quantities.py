"""The quantities that are judged, and everything the program knows of each.

A quantity is a name with its unit at the end, `plate_dissipation_w`.  One without a row
is spelled out from its parts, so that a new one reads acceptably before it has words.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["QUANTITIES", "UNITS", "Quantity", "quantity_of", "rank_class_of"]

UNITS: Final = {
    "w": "W",
    "v": "V",
    "a": "A",
    "ohm": "ohm",
    "hz": "Hz",
    "s": "s",
    "f": "F",
    "h": "H",
    "vs": "V s",
}
"""Units by how they stand at the end of a name."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """What the program knows of one quantity: its name, its words without the unit.

    harms: false for what destroys nothing by itself; it is ranked after what does.
    """

    name: str
    words: str
    harms: bool = True

    @property
    def unit(self) -> str:
        """The unit in the name: `W` for `power_w`."""
        return UNITS.get(self.name.rpartition("_")[2], "")


QUANTITIES: tuple[Quantity, ...] = (
    Quantity("plate_dissipation_w", "plate"),
    Quantity("screen_dissipation_w", "screen"),
    Quantity("plate_plus_screen_dissipation_w", "plate plus screen"),
    Quantity("both_plates_dissipation_w", "both plates"),
    Quantity("plate_voltage_v", "plate voltage"),
    Quantity("plate_peak_v", "plate peak"),
    Quantity("screen_voltage_v", "screen voltage"),
    Quantity("plate_and_screen_voltage_v", "plate and screen voltage"),
    Quantity("grid_voltage_negative_v", "grid voltage negative"),
    Quantity("cathode_current_a", "cathode current"),
    Quantity("output_current_a", "output current"),
    Quantity("heater_cathode_voltage_v", "heater-cathode voltage"),
    Quantity("grid_dissipation_w", "grid"),
    Quantity("fault_heat_w", "heat at the fault"),
    Quantity("supply_current_a", "supply current"),
    Quantity("core_flux_vs", "core flux", harms=False),
)

_BY_NAME = {each.name: each for each in QUANTITIES}


def quantity_of(name: str) -> Quantity:
    """Return what is known of a quantity; one without a row is spelled out."""
    if name in _BY_NAME:
        return _BY_NAME[name]
    stem, _, last = name.rpartition("_")
    return Quantity(name, (stem if last in UNITS and stem else name).replace("_", " "))


def rank_class_of(kind: str, quantity: str) -> int:
    """Return the class of a load: tubes and windings (0) rank before others (1)."""
    first = kind in ("tube", "inductor") and quantity_of(quantity).harms
    return 0 if first else 1
