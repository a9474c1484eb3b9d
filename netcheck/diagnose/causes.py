"""What a reading out of its band points to.

Comes in: readings of a healthy unit with their bands, and the same with each fault.
Goes out: for each measurement the faults that put it above its band, and below.  A
fault counts where it moves the reading out of the band; the order is its likelihood
times the share that this reading has in all it moves in the step (each counted in
half bands), so that a fault is named where it shows best and one that upsets
everything, such as the mains, comes last.  Sizes of one fault of one
part are one entry.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from netcheck.faults.base import Fault

MOST = 4
"""Faults named on each side."""
FAR = 10.0
"""Bands away from the middle; more says no more."""


@dataclass(frozen=True, slots=True)
class Pointed:
    """Faults above and below, in words."""

    above: tuple[str, ...] = ()
    below: tuple[str, ...] = ()


def moves(nominal: float, low: float, high: float, value: float, least: float) -> float:
    """Return how many half bands a value is away; 0 inside the band.

    least: what a meter can tell apart.
    """
    if math.isinf(nominal) or math.isinf(value):
        if math.isinf(nominal) and math.isinf(value):
            return 0.0
        return FAR if math.isinf(value) else -FAR
    if low - least <= value <= high + least:
        return 0.0
    half = max((high - low) / 2.0, least)
    return max(-FAR, min(FAR, (value - nominal) / half))


def pointed(
    bands: Sequence[tuple[float, float, float, float]],
    faults: Sequence[Fault],
    readings: Sequence[Sequence[float] | None],
) -> list[Pointed]:
    """Return what each measurement points to.

    bands: nominal, low, high and least by measurement.
    """
    sides: list[dict[int, dict[str, float]]] = [{1: {}, -1: {}} for _ in bands]
    for fault, values in zip(faults, readings, strict=True):
        if values is None:
            continue
        away = [
            moves(nominal, low, high, value, least)
            for (nominal, low, high, least), value in zip(bands, values, strict=True)
        ]
        total = sum(abs(one) for one in away)
        words = f"{'+'.join(fault.parts)} {fault.kind.replace('_', ' ')}"
        for place, one in enumerate(away):
            if one == 0.0:
                continue
            side = sides[place][1 if one > 0.0 else -1]
            weight = fault.likelihood.value * abs(one) / total
            side[words] = max(side.get(words, 0.0), weight)
    return [Pointed(_first(side[1]), _first(side[-1])) for side in sides]


def _first(side: dict[str, float]) -> tuple[str, ...]:
    ordered = sorted(side.items(), key=lambda item: (-item[1], item[0]))
    return tuple(words for words, _ in ordered[:MOST])
