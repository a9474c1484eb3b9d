"""Mismatched output pair.

What it does:
    Two output tubes of a pair stand at opposite ends of the spread of their type.
Why it overheats something:
    One bias voltage serves both: the strong one draws more than its share and runs hot, the
    weak one loafs, and the difference of their currents magnetizes the core.
How it is modelled:
    The first tube's currents are raised by half the difference, the other's lowered by
    half.
Known limits:
    Tubes in parallel on one side are not set against each other. That the core saturates is
    not modelled.
Example:
    `X4+X5/mismatched@40%`: X4 draws 20 % more than its type, X5 20 % less.
References:
    Matched pairs are sold within 5 to 20 %; within a lot the ratio reaches 2 to 1: sellers'
    statements, as quoted.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import ScaleEmission
from netcheck.circuit.model import Circuit
from netcheck.faults.base import (
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import POWER_OFF, fault_id, make_fault
from netcheck.roles.base import Roles

NAME = "tube_mismatch"
DIFFERENCES_PERCENT = (20.0, 40.0, 60.0)
SWEEP_PERCENT = (0.0, 100.0)
NEAR_PERCENT = 30.0

NEAR = likelihood("very_common", "common practice: unmatched tubes of one type differ by this")
FAR = likelihood(
    "common", "common practice: tubes of different age or lot; up to 2 to 1, as quoted"
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List each output pair with either tube as the strong one."""
    for strong, weak in _pairs(circuit, roles):
        for percent in DIFFERENCES_PERCENT:
            yield _mismatched(strong, weak, percent)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the difference of each pair up to three to one."""
    for strong, weak in _pairs(circuit, roles):
        yield ContinuousFault(
            id=fault_id([strong, weak], "mismatched"),
            parts=(strong, weak),
            kind="mismatched",
            unit="%",
            from_value=SWEEP_PERCENT[0],
            to_value=SWEEP_PERCENT[1],
            logarithmic=False,
            make=partial(_mismatched, strong, weak),
            family=NAME,
        )


def _pairs(circuit: Circuit, roles: Roles) -> Iterator[tuple[str, str]]:
    """Give the first tubes of both sides of each output stage, both ways round."""
    for stage in roles.output_stages:
        if stage.sides and all(side and side[0] in circuit.parts for side in stage.sides):
            first, second = stage.sides[0][0], stage.sides[1][0]
            yield first, second
            yield second, first


def _mismatched(strong: str, weak: str, percent: float) -> Fault:
    half = percent / 200.0
    return make_fault(
        NAME,
        [strong, weak],
        "mismatched",
        [ScaleEmission(strong, 1.0 + half), ScaleEmission(weak, 1.0 - half)],
        NEAR if percent <= NEAR_PERCENT else FAR,
        summary=f"{strong} draws {100.0 + percent / 2.0:.4g} % and {weak} "
        f"{100.0 - percent / 2.0:.4g} % of what their type should.",
        measure=f"{POWER_OFF}: exchange {strong} and {weak} with each other; the difference of "
        "their currents changes sides with the tubes.",
        defect=Defect(percent, "%"),
    )


TUBE_MISMATCH = FaultKind(
    name=NAME,
    title="Mismatched output pair",
    model="The first tube's currents are raised by half the difference, the other's lowered "
    "by half.",
    defects="20, 40 and 60 % between the two currents, either tube the strong one; swept to 100 %.",
    likelihood="Very common up to about 30 %, common beyond.",
    readings="Unequal currents at equal grid volts; hum and weak bass from the magnetized core.",
    next_step="Power off: exchange the two tubes with each other; the difference changes sides.",
    source="common practice; sellers' statements on matching, as quoted",
    find=find,
    continuous=continuous,
    body="tube",
    words=(Word("mismatched", "common", "exchange"),),
    exchange="pair",
    signs=(
        Sign(
            "new_tubes", 5.0, "sellers' statements, as quoted: tubes of one lot differ up to 2 to 1"
        ),
    ),
    group="tubes",
)
