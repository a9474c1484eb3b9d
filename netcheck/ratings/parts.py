"""Ratings of resistors that carry none, and the derating that is advised.

Comes in: the power a resistor takes in the healthy circuit.  Goes out: the
rating it is assumed to have, as an assumption that the report lists.  A designer
is taken to have chosen the smallest size sold that has at least twice the
dissipation.  Derating (a share of the rating, less when hot) is advice about
life and not a limit: nothing here makes a verdict out of it.
"""

from __future__ import annotations

from functools import cache
from itertools import pairwise

from netcheck.ratings.table import rows

SIGNAL_RESISTOR_W = 0.5
"""Assumed rating of a signal resistor without `power=` (assumption)."""

POWER_MARGIN = 2.0
"""Rating over dissipation.  Source: amateur rule (DIY audio forum, dcaudiodiy.com)."""

ADVISED_SHARE = 0.7
"""Share of its rating a resistor should carry for long life, 0.5 to 0.7.
Source: military derating text for resistors (as reproduced on scribd, 737845471)."""

ADVISED_VOLTAGE_SHARE = 0.8
"""Share of its rated volts a capacitor should see.  Source: Radio Experimenter
archive, March 1993 (use only 80 % of the rating); a military guide asks 25 % margin."""


@cache
def resistor_sizes_w() -> tuple[float, ...]:
    """Return the power ratings resistors are sold in, ascending [W]."""
    return tuple(sorted(float(row["power_w"]) for row in rows("resistor_sizes")))


def assumed_rating_w(healthy_power_w: float) -> float | None:
    """Return the rating assumed for a resistor that takes `healthy_power_w` [W].

    The smallest size sold that is at least `SIGNAL_RESISTOR_W` and
    `POWER_MARGIN` times the healthy power; None beyond the largest size.
    """
    least = max(SIGNAL_RESISTOR_W, POWER_MARGIN * healthy_power_w)
    return next((size for size in resistor_sizes_w() if size >= least), None)


def derating_share(body: str, temperature_c: float) -> float:
    """Return the share of its rating a resistor may carry at `temperature_c`.

    Linear between the points of the published load curve of a "film" or
    "wirewound" body, 1 below the first and 0 beyond the last.
    """
    curve = [
        (float(row["temperature_c"]), float(row["share_of_rating"]))
        for row in rows("resistor_derating")
        if row["body"] == body
    ]
    if not curve:
        raise ValueError(f"no load curve for a {body} resistor")
    if temperature_c <= curve[0][0]:
        return curve[0][1]
    for (cool_c, more), (hot_c, less) in pairwise(curve):
        if temperature_c <= hot_c:
            return more + (less - more) * (temperature_c - cool_c) / (hot_c - cool_c)
    return 0.0
