"""Rating systems, and the step from one to the next.

Comes in: a published limit and its rating system.  Goes out: the limit that the
nominal circuit (bogey tube, nominal mains, parts at their marked value) may be
compared with, and one sentence that says which comparison it is.

IEC 60134 and EIA RS-239-A name three systems.  A design-center limit already
allows for the spread of mains, parts and tubes, so the nominal circuit is compared
with it directly.  A design-maximum limit belongs to the toleranced circuit and
an absolute-maximum limit to the worst case; where only the nominal circuit has
been computed the limit is brought down by one step of 1.1 each.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

from netcheck.ratings.table import rows

RatingSystem = Literal["design_center", "design_maximum", "absolute_maximum", "not_stated"]

STEP = 1.1
"""One step between systems.  Source: the 7189A, re-rated from design-center, is
exactly 10 % above, and so is the 6CB6 (tube trade article, tubecad.com, December
2000, p. 19).  It is a rule of thumb: some types were re-rated by more."""


@dataclass(frozen=True, slots=True)
class ScaledLimit:
    """A limit brought to what the nominal circuit is compared with."""

    value: float
    statement: str
    source: str


@cache
def _systems() -> dict[str, tuple[int, str, str]]:
    return {
        row["system"]: (int(row["steps"]), row["statement"], row["source"])
        for row in rows("rating_systems")
    }


def scaled(limit: float, system: RatingSystem) -> ScaledLimit:
    """Return `limit` brought to the design-center system by steps of `STEP`."""
    steps, statement, source = _systems()[system]
    return ScaledLimit(limit / STEP**steps, statement, source)
