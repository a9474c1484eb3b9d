"""Numbers as the JSON reports write them."""

from __future__ import annotations

import math

from netcheck.units import six_digits


def number(value: float | None) -> float | None:
    """Return six significant digits, or None for a number that is not finite."""
    if value is None or not math.isfinite(value):
        return None
    return six_digits(value)
