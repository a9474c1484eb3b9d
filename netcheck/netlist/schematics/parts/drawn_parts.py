"""Parts as drawn, before it is known what they are: pins on nets, a value, and fields."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from netcheck.netlist.schematics.drawn import DrawnPlace

ONLY_UNIT = 0


@dataclass(frozen=True, slots=True)
class DrawnPin:
    """A pin: its number and name on the symbol, its net, and the unit it belongs to.

    is_free: nothing else is on its net.
    """

    number: str
    name: str
    net: str
    unit: int = ONLY_UNIT
    is_free: bool = False


@dataclass(frozen=True, slots=True)
class DrawnPart:
    """A part with all of its units.

    library: the symbol as `library:name`.  fields: by lower-case name.  units: where each
    unit is drawn; `place` is that of the first.
    """

    ref: str
    library: str
    value: str
    pins: tuple[DrawnPin, ...]
    place: DrawnPlace
    fields: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[int, DrawnPlace] = field(default_factory=dict)

    @property
    def symbol(self) -> str:
        """The symbol's name without its library."""
        return self.library.rpartition(":")[2]

    @property
    def shelf(self) -> str:
        """The library the symbol is from."""
        return self.library.rpartition(":")[0]

    def net(self, number: str) -> str | None:
        """Return the net of a pin by its number."""
        return next((pin.net for pin in self.pins if pin.number == number), None)
