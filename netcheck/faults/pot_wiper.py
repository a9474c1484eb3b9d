"""Open wiper or open track of a pot.

What it does:
    The wiper of a bias pot or a volume control lifts off its track, or the track breaks on
    one side.
Why it overheats something:
    Where the wiper is the bias output, the grids lose their bias altogether and their tubes
    run away. Good circuits tie the wiper to the cold end or hold the grids by a further
    resistor. A broken track takes the bias to one extreme.
How it is modelled:
    The halves of the pot become 1 Gohm; for the wiper the track stays, as a resistor
    between its ends. For a broken track one half becomes 1 Gohm.
Known limits:
    A pot of which the netlist shows one half only opens as a whole. Scratchy wipers, which
    open for moments, are solved as if they stayed open.
Example:
    `R31+R32/wiper_open`, `R31/track_open`.
References:
    Failed variable resistors are open in 53 % of cases: FMD-91, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from netcheck.circuit.changes import OPEN_OHM, AddResistor, Change, SetValue
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    PRACTICE,
    ContinuousFault,
    Fault,
    FaultKind,
    Likelihood,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import POWER_OFF, make_fault, parts_with_role
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

NAME = "pot_wiper"
HALVES = 2
WIPER = likelihood(
    "common", "common practice; open is 53 % of variable resistor failures (FMD-91, from memory)"
)
TRACK = likelihood("occasional", "common practice: burnt or cracked tracks")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the wiper and both ends of every pot."""
    for name, halves in _pots(circuit, roles):
        if len(halves) == HALVES:
            yield _wiper(name, halves)
        for half in halves:
            yield _track(name, half)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """A wiper touches or it does not."""
    yield from ()


def _pots(circuit: Circuit, roles: Roles) -> Iterator[tuple[str, tuple[Part, ...]]]:
    table: dict[str, list[Part]] = {}
    for part, _ in parts_with_role(
        circuit, roles, "resistor", RoleName.BIAS_POT, RoleName.VOLUME_CONTROL
    ):
        if part.note.pot:
            table.setdefault(part.note.pot, []).append(part)
    for name, halves in table.items():
        yield name, tuple(sorted(halves, key=lambda part: part.note.pot_side != "upper"))


def _wiper(name: str, halves: tuple[Part, ...]) -> Fault:
    upper, lower = halves
    changes: list[Change] = [SetValue(part.ref, OPEN_OHM) for part in halves]
    wiper = set(upper.nets) & set(lower.nets)
    ends = [net for part in halves for net in part.nets if net not in wiper]
    if len(ends) == HALVES:
        track = (upper.value or 0.0) + (lower.value or 0.0)
        changes.append(AddResistor(f"{name}.track", ends[0], ends[1], track))
    return _fault(name, halves, "wiper_open", changes, WIPER, "the wiper does not touch the track")


def _track(name: str, half: Part) -> Fault:
    side = half.note.pot_side or "one"
    happened = f"the track is broken on its {side} side"
    return _fault(name, (half,), "track_open", [SetValue(half.ref, OPEN_OHM)], TRACK, happened)


def _fault(
    name: str,
    parts: tuple[Part, ...],
    kind: str,
    changes: Sequence[Change],
    chance: Likelihood,
    happened: str,
) -> Fault:
    refs = [part.ref for part in parts]
    return make_fault(
        NAME,
        refs,
        kind,
        changes,
        chance,
        summary=f"{name}, the pot of {'+'.join(refs)}: {happened}.",
        measure=f"{POWER_OFF}, tubes out: measure from the wiper of {name} to both its ends while "
        "turning it; the two readings change without a jump and their sum stays.",
    )


POT_WIPER = FaultKind(
    name=NAME,
    title="Open wiper or open track of a pot",
    model="The halves of the pot become 1 Gohm; for the wiper the track stays, as a "
    "resistor between its ends. For a broken track one half becomes 1 Gohm.",
    defects="Wiper open; either end of the track open.",
    likelihood="Wiper common, track occasional.",
    readings="The ends of the pot read right, the wiper reads nothing or jumps.",
    next_step="Power off, tubes out: measure from the wiper to both ends while turning it.",
    source="common practice; FMD-91, from memory",
    find=find,
    continuous=continuous,
    body="pot",
    words=(
        Word("wiper_open", "common", "wear"),
        Word("track_open", "occasional", "chance"),
    ),
    signs=(
        Sign("hum", 0.5, f"{PRACTICE}: an open grid picks up hum"),
        Sign("bias_adjusted", 3.0, f"{PRACTICE}: a wiper moved on a worn track"),
    ),
    group="bias supply",
)
