"""Two resistors of the bill of materials exchanged with each other.

What it does:
    Two resistors have each other's value: look-alikes from the same bag, or neighbors on
    the same socket.
Why it overheats something:
    A cathode resistor in the place of a plate load, or ten times the one in the place of
    the other, shifts two places at once, which no single wrong value explains.
How it is modelled:
    Both resistors take each other's value.
Known limits:
    Only parts of like size are exchanged (ratings within a factor of two).  Listed are
    pairs whose values have the same digits and differ by ten or a hundred, and pairs of
    one stage or on one net; at most 16 a circuit, the decade pairs first.  Grid stoppers
    and output loads are left out, being harmless as one of a pair.
Example:
    `R3+R4/swapped`.
References:
    IEC 60062: only the multiplier band differs. How often: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, islice
from math import isclose, log10

from netcheck.circuit.changes import SetValue
from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.faults.base import (
    HEATS,
    PRACTICE,
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import POWER_OFF, make_fault, parts_with_role
from netcheck.roles.base import Role, Roles
from netcheck.roles.table import RoleName

NAME = "swapped_parts"
MOST = 16
USUAL_POWER_W = 0.5
"""Taken for a resistor whose note gives no rating (common practice)."""
LIKE_SIZE = 2.0
LEAST_RATIO = 1.3
"""Values nearer than this are as good as equal."""
DECADES = (1, 2)
ROLES = tuple(each for each in RoleName if each.kind.swapped)

DECADE = likelihood("occasional", "IEC 60062, multiplier band; how often: common practice")
NEIGHBOR = likelihood("rare", "common practice: neighbors on one socket")


@dataclass(frozen=True, slots=True)
class Pair:
    """Two resistors that may have been exchanged; decade: same digits."""

    first: Part
    second: Part
    decade: bool


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the likeliest pairs, a bounded number of them."""
    for pair in islice(pairs(circuit, roles), MOST):
        yield _swapped(pair)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """A pair has no size."""
    yield from ()


def pairs(circuit: Circuit, roles: Roles) -> Iterator[Pair]:
    """Give all plausible pairs, those with the same digits first."""
    listed = parts_with_role(circuit, roles, "resistor", *ROLES)
    candidates = [(part, played) for part, played in listed if not part.note.pot]
    stage_of = {tube: stage.id for stage in roles.stages for tube in stage.tubes}
    neighbors: list[Pair] = []
    for (first, one), (second, other) in combinations(candidates, 2):
        if not (_differ(first, second) and _like_size(first, second)):
            continue
        if _same_digits(first, second):
            yield Pair(first, second, True)
        elif _stages(one, stage_of) & _stages(other, stage_of) or _share_net(first, second):
            neighbors.append(Pair(first, second, False))
    yield from neighbors


def _differ(first: Part, second: Part) -> bool:
    low, high = sorted((first.value or 0.0, second.value or 0.0))
    return low > 0.0 and high / low >= LEAST_RATIO


def _like_size(first: Part, second: Part) -> bool:
    low, high = sorted((part.note.power_w or USUAL_POWER_W) for part in (first, second))
    return high <= LIKE_SIZE * low


def _same_digits(first: Part, second: Part) -> bool:
    decades = abs(log10((first.value or 1.0) / (second.value or 1.0)))
    return any(isclose(decades, each, abs_tol=1e-9) for each in DECADES)


def _stages(played: tuple[Role, ...], stage_of: dict[str, str]) -> set[str]:
    return {stage_of[role.of] for role in played if role.of in stage_of}


def _share_net(first: Part, second: Part) -> bool:
    return bool((set(first.nets) & set(second.nets)) - {GROUND})


def _swapped(pair: Pair) -> Fault:
    first, second = pair.first, pair.second
    values = [Defect(part.value or 0.0, "ohm").text for part in (first, second)]
    return make_fault(
        NAME,
        [first.ref, second.ref],
        "swapped",
        [SetValue(first.ref, second.value or 0.0), SetValue(second.ref, first.value or 0.0)],
        DECADE if pair.decade else NEIGHBOR,
        summary=f"{first.ref} and {second.ref} are exchanged: {values[1]} where {values[0]} "
        "belongs and the other way round.",
        measure=f"{POWER_OFF}: read the bands of {first.ref} and {second.ref} against the parts "
        f"list; {first.ref} is {values[0]}, {second.ref} is {values[1]}.",
    )


SWAPPED_PARTS = FaultKind(
    name=NAME,
    title="Two resistors exchanged with each other",
    model="Both resistors take each other's value.",
    defects="At most 16 pairs a circuit: same digits and ten or a hundred times the value, "
    "then neighbors of one stage or net.",
    likelihood="Same digits occasional, common in new builds; neighbors rare, occasional in new "
    "builds.",
    readings="Two readings wrong at once that no single wrong part explains.",
    next_step="Power off: read both parts against the parts list.",
    source="IEC 60062; common practice",
    find=find,
    continuous=continuous,
    body="resistor",
    words=(Word("swapped", "occasional", "assembly"),),
    signs=(Sign("driver", HEATS, PRACTICE),),
    group="kit errors",
)
