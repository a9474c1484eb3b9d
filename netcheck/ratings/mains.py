"""Mains bands: the volts a supply may be fed with, by standard.

Comes in: the name of a band.  Goes out: nominal, lowest and highest volts with
the standard that says so.  An amplifier designed for 117 V runs at 1.03 to 1.08
times its volts today, and an unregulated plate dissipation grows with about the
2.5th power of that.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from netcheck.errors import NetcheckError
from netcheck.ratings.table import rows


@dataclass(frozen=True, slots=True)
class MainsBand:
    """The permitted range of one mains standard [V]."""

    name: str
    nominal_v: float
    low_v: float
    high_v: float
    source: str

    @property
    def low_ratio(self) -> float:
        """Lowest volts over nominal."""
        return self.low_v / self.nominal_v

    @property
    def high_ratio(self) -> float:
        """Highest volts over nominal."""
        return self.high_v / self.nominal_v


@cache
def mains_bands() -> dict[str, MainsBand]:
    """Return every band on file by name."""
    return {
        row["name"]: MainsBand(
            row["name"],
            float(row["nominal_v"]),
            float(row["low_v"]),
            float(row["high_v"]),
            row["source"],
        )
        for row in rows("mains")
    }


def find_band(name: str) -> MainsBand:
    """Return the band of a name, or of nominal volts as in `230V`.

    Several bands share nominal volts; the first on file is in force today.  Raises
    NetcheckError with the names on file.
    """
    bands = mains_bands()
    wanted = name.strip().casefold()
    if wanted in bands:
        return bands[wanted]
    volts = wanted.removesuffix("v").strip()
    for band in bands.values():
        if volts == f"{band.nominal_v:g}":
            return band
    known = ", ".join(f"{band.nominal_v:g}V ({band.name})" for band in bands.values())
    raise NetcheckError(f"no mains band on file for {name}", hint=f"on file: {known}")
