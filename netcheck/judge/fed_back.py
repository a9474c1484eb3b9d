"""Grid current that feeds on what it causes: what is said of one tube.

A grid that loses electrons (to gas ions, or by emitting) is lifted by its own
resistance to ground; the tube draws more, which makes more ions and a hotter grid.
With a loop gain below one this settles; at one it runs away.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Ending = Literal["settles", "undecided", "runs_away", "not_solved"]


@dataclass(frozen=True, slots=True)
class FeedbackCase:
    """One size of gas or grid emission, with its feedback solved.

    ending: `undecided` where it settles if the grid warms little and runs away if much.
    loop_gain: where it settles, None elsewhere.  grid_current_a, plate_w: in the state it
    ends in; after a runaway that of a tube that draws whatever supply and circuit let it
    have.  All figures are those of the mild end, but grid_current_most_a: where it settles
    at the grave end, None where it does not.
    """

    fault_id: str
    ending: Ending
    loop_gain: float | None
    grid_current_a: float | None
    plate_w: float | None
    grid_current_most_a: float | None = None


@dataclass(frozen=True, slots=True)
class Runaway:
    """The feedback over one output tube's grid circuit, idle.

    grid_ohm: from grid to its return; limit_ohm: the largest that is published for the
    tube and its bias, None where none is on file.  gain_per_share: at rest, space
    current gained over current drawn from the grid; times the gas share it is the loop
    gain.  gas_share: least share of gas that runs away; emission_a: least grid emission
    (when healthy and warm) that does, with a grid that warms little and one that warms
    much; None where none that was tried does.
    """

    tube: str
    bias: str
    grid_ohm: float
    limit_ohm: float | None
    limit_source: str
    gain_per_share: float | None
    gas_share: float | None
    emission_a: tuple[float | None, float | None]
    cases: tuple[FeedbackCase, ...]
    reason: str = ""
