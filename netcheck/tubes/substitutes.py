"""What else gets plugged into the socket of a tube type.

Comes in: a type name.  Goes out: the types that fit its base, or a common adapter,
with what a technician should know and how often it happens.

What follows for currents and dissipations is not said here: a wrong tube is solved
like any other fault.  Pins, likelihood and remarks stand in `substitutes.toml`, each
row with its source; heaters are compared from the data files of both types.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from netcheck.errors import TubeDataError
from netcheck.likelihoods import LIKELIHOOD_CLASSES, LikelihoodClass
from netcheck.tubes.library import TubeLibrary, load_library
from netcheck.tubes.types import Heater, TubeType
from netcheck.units import format_quantity

FILE = "substitutes.toml"
ALIKE = 0.02
"""Heater volts or amperes that differ by less are the same."""


@dataclass(frozen=True, slots=True)
class Substitute:
    """One type that is found in the socket of another.

    type: its name in the library.
    same_pins: the electrodes of both are on the same pins; else an adapter is meant.
    note: what to know; the rest is solved.
    likelihood: the class, in the words of fault likelihoods.
    same_heater_pins: the heater sits on the same pins and takes the same volts, so
        the tube is warm in this socket.
    heater: how the heater differs, in words; empty where it does not.
    """

    type: str
    same_pins: bool
    note: str
    source: str
    likelihood: LikelihoodClass
    same_heater_pins: bool = True
    heater: str = ""


def substitutes_for(name: str, library: TubeLibrary | None = None) -> tuple[Substitute, ...]:
    """Return what may sit in the socket of a type, likeliest first, then by name.

    An alias is as good as a name; a name that is not on file has no substitutes, and
    a substitute that is not on file is left out, since nothing could be solved.
    """
    library = library or load_library()
    wanted = library.name_of(name)
    fitting = {
        row["type"]: row
        for row in reversed(_rows())
        if wanted in row["in_place_of"] and row["type"] != wanted
    }
    original = None if wanted is None else library.find(wanted)
    if original is None:
        return ()
    on_file = {other: library.find(other) for other in fitting if other in library.names}
    found = [
        _substitute(fitting[name], original, other) for name, other in on_file.items() if other
    ]
    order = {word: number for number, word in enumerate(LIKELIHOOD_CLASSES)}
    return tuple(sorted(found, key=lambda each: (order[each.likelihood], each.type)))


def _substitute(row: Mapping[str, Any], original: TubeType, other: TubeType) -> Substitute:
    volts = _alike(original.heater.voltage_v, other.heater.voltage_v)
    return Substitute(
        other.name,
        row["same_pins"],
        row["note"],
        row["source"],
        row["likelihood"],
        row.get("same_heater_pins", True) and volts,
        _heater_words(original.heater, other.heater),
    )


def _heater_words(original: Heater, other: Heater) -> str:
    """Say how the heater differs, `1.6 A for 0.9 A`; empty where it does not."""
    pairs = (
        (original.voltage_v, other.voltage_v, "V"),
        (original.current_a, other.current_a, "A"),
    )
    return ", ".join(
        f"{format_quantity(its, unit)} in place of {format_quantity(wanted, unit)}"
        for wanted, its, unit in pairs
        if not _alike(wanted, its)
    )


def _alike(first: float, second: float) -> bool:
    return abs(first - second) <= ALIKE * max(first, second)


@cache
def _rows() -> tuple[dict[str, Any], ...]:
    """Return the rows of the data file, each with the text of its source."""
    text = (files("netcheck.tubes") / FILE).read_text(encoding="utf-8")
    data = tomllib.loads(text)
    sources: dict[str, str] = data["sources"]
    for number, row in enumerate(data["substitute"]):
        if row.get("source") not in sources:
            raise TubeDataError(f"{FILE}: substitute.{number}.source: not one of [sources]")
        if row.get("likelihood") not in LIKELIHOOD_CLASSES:
            raise TubeDataError(f"{FILE}: substitute.{number}.likelihood: not a class")
        row["source"] = sources[row["source"]]
    return tuple(data["substitute"])
