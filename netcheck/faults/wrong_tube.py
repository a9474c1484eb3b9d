"""Wrong type of tube in a socket.

What it does:
    A tube of another type that fits the base is plugged in.
Why it overheats something:
    Its bias for the same current is another, so that it may draw a multiple or next to
    nothing; and its limits may be lower than those the circuit was laid out for.
How it is modelled:
    The type's current law takes the place of the right one; a bulb with several sections is
    exchanged as a whole.
Known limits:
    Types that need an adapter, and types whose heater stays cold in the socket, are not
    listed. The load on the heater winding is not solved; where heaters differ the summary
    says so.
Example:
    `X4/wrong_type@KT88`, `X2+X3/wrong_type@12AU7`.
References:
    What fits which base, and how often it happens: `netcheck/tubes/substitutes.toml`, each
    row with its source.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.changes import ReplaceTube
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import PRACTICE, ContinuousFault, Fault, FaultKind, Sign, Word, likelihood
from netcheck.faults.common import POWER_OFF, bulbs, joined, make_fault
from netcheck.roles.base import Roles
from netcheck.tubes.library import load_library
from netcheck.tubes.substitutes import Substitute, substitutes_for

NAME = "wrong_tube"


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the types that fit each socket and have the same electrodes."""
    for sections in bulbs(circuit):
        right = {part.tube.name for part in sections if part.tube is not None}
        if len(right) != 1 or any(part.tube is None for part in sections):
            continue
        name = right.pop()
        for other in substitutes_for(name):
            if other.same_pins and other.same_heater_pins and _fits(sections, other):
                yield _wrong(sections, name, other)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """A type has no size."""
    yield from ()


def _fits(sections: tuple[Part, ...], other: Substitute) -> bool:
    """Say whether the other type has the electrodes that are wired."""
    found = load_library().find(other.type)
    return found is not None and all(
        part.tube is not None and part.tube.kind == found.kind for part in sections
    )


def _wrong(sections: tuple[Part, ...], right: str, other: Substitute) -> Fault:
    refs = [part.ref for part in sections]
    heater = f", heater {other.heater}" if other.heater else ""
    return make_fault(
        NAME,
        refs,
        "wrong_type",
        [ReplaceTube(ref, other.type) for ref in refs],
        likelihood(other.likelihood, other.source),
        summary=f"{joined(refs)} is a {other.type} where a {right} belongs{heater}.",
        measure=f"{POWER_OFF}: read the type on the glass of {joined(refs)}; a {right} belongs "
        "there.",
        tube_type=other.type,
    )


WRONG_TUBE = FaultKind(
    name=NAME,
    title="Wrong type of tube",
    model="The type's current law takes the place of the right one; a bulb with several "
    "sections is exchanged as a whole.",
    defects="Every type on file that fits the base with the same electrodes.",
    likelihood="As the table of substitutes says, row by row.",
    readings="All volts of the stage differ from the chart; the type on the glass is not the "
    "one on the chassis.",
    next_step="Power off: read the type on the glass.",
    source="netcheck/tubes/substitutes.toml, source by row",
    find=find,
    continuous=continuous,
    body="tube",
    words=(Word("wrong_type", "occasional", "exchange"),),
    exchange="tube",
    signs=(Sign("new_tubes", 6.0, f"{PRACTICE}: what fits the base is put in"),),
    group="tubes",
)
