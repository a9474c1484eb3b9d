"""The bias pot: its halves, where its wiper stands, and which end is hot.

Comes in: a circuit and its roles.  Goes out: one `BiasPot` for each pot of a bias
supply.  The hot end is found by solving the bias network, as plain resistors between
source and ground, with the wiper at both ends of the track (Kirchhoff's current law);
tubes do not load it, since grids draw no current worth counting when negative.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from netcheck.circuit.changes import SetValue
from netcheck.circuit.linear import solve_network
from netcheck.circuit.model import GROUND, Circuit
from netcheck.roles.base import BiasSupply, Roles
from netcheck.roles.table import RoleName

END_OHM = 1.0
"""What is left between wiper and end of a pot at its stop (common practice)."""

LEAK_SIEMENS = 1e-15
"""From every net to ground, so that parts of the network that hang free have an answer."""

NETWORK_ROLES = tuple(each for each in RoleName if each.kind.biases)
HALVES = 2


@dataclass(frozen=True, slots=True)
class BiasPot:
    """One pot.

    rising: the half that grows as the wiper moves to the hot end; falling: the one
    that shrinks, absent where the netlist shows one half only.  percent: where the
    wiper stands, 100 at the hot end.
    """

    name: str
    parts: tuple[str, ...]
    tubes: tuple[str, ...]
    rising: str | None
    falling: str | None
    track_ohm: float
    percent: float

    def at(self, percent: float) -> tuple[SetValue, ...]:
        """Return the changes that put the wiper at `percent` of its travel."""
        up = max(self.track_ohm * percent / 100.0, END_OHM)
        down = max(self.track_ohm * (1.0 - percent / 100.0), END_OHM)
        halves = ((self.rising, up), (self.falling, down))
        return tuple(SetValue(ref, ohm) for ref, ohm in halves if ref is not None)


def bias_pots(circuit: Circuit, roles: Roles) -> tuple[BiasPot, ...]:
    """Return the pots of all bias supplies, each once."""
    found: dict[tuple[str, ...], BiasPot] = {}
    for supply in roles.bias_supplies:
        halves = tuple(ref for ref in supply.pot if _is_resistor(circuit, ref))
        if halves and len(halves) <= HALVES and halves not in found:
            found[halves] = _pot(circuit, roles, supply, halves)
    return tuple(found.values())


def _is_resistor(circuit: Circuit, ref: str) -> bool:
    part = circuit.parts.get(ref)
    return part is not None and part.kind == "resistor" and part.value is not None


def _pot(circuit: Circuit, roles: Roles, supply: BiasSupply, halves: tuple[str, ...]) -> BiasPot:
    values = {ref: circuit[ref].value or 0.0 for ref in halves}
    track = sum(values.values()) * (HALVES / len(halves))
    first = halves[0]
    second = halves[1] if len(halves) == HALVES else None

    def feed_v(first_ohm: float) -> float:
        moved = {first: first_ohm}
        if second:
            moved[second] = max(track - first_ohm, END_OHM)
        return _feed_v(circuit, roles, supply, moved)

    # A network that cannot be solved gives 0 V both times: the first half counts as rising.
    first_rises = feed_v(track) >= feed_v(END_OHM)
    rising, falling = (first, second) if first_rises else (second, first)
    share = values[first] / track if track > 0.0 else 0.0
    return BiasPot(
        name=circuit[first].note.pot or "+".join(halves),
        parts=halves,
        tubes=_tubes(roles, halves),
        rising=rising,
        falling=falling,
        track_ohm=track,
        percent=100.0 * (share if first_rises else 1.0 - share),
    )


def _tubes(roles: Roles, halves: tuple[str, ...]) -> tuple[str, ...]:
    """Return the tubes of every supply this pot belongs to."""
    refs = [tube for supply in roles.bias_supplies if set(halves) <= set(supply.pot)
            for tube in supply.tubes]  # fmt: skip
    return tuple(dict.fromkeys(refs))


def _feed_v(
    circuit: Circuit, roles: Roles, supply: BiasSupply, moved: Mapping[str, float]
) -> float:
    """Return the volts at the feed net with some resistors moved; 0 where it hangs free."""
    source = circuit.parts.get(supply.source)
    if source is None:
        return 0.0
    plus, minus = source.nets
    volts = source.value or 0.0
    fixed = {GROUND: 0.0}
    if minus == GROUND:
        fixed[plus] = volts
    elif plus == GROUND:
        fixed[minus] = -volts
    refs = {*supply.pot, *supply.divider, *(role.part for role in roles.named(*NETWORK_ROLES))}
    edges: list[tuple[str, str, float]] = []
    for ref in sorted(refs):
        if _is_resistor(circuit, ref):
            first, second = circuit[ref].nets
            ohm = moved.get(ref, circuit[ref].value or 0.0)
            edges.append((first, second, max(ohm, END_OHM)))
    return _solve(edges, fixed).get(supply.feed_net, 0.0)


def _solve(edges: list[tuple[str, str, float]], fixed: Mapping[str, float]) -> dict[str, float]:
    """Solve a network of resistors between nets of known volts."""
    nets = sorted({net for first, second, _ in edges for net in (first, second)} - fixed.keys())
    place = {net: number for number, net in enumerate(nets)}
    matrix = np.eye(len(nets)) * LEAK_SIEMENS
    current = np.zeros(len(nets))
    for first, second, ohm in edges:
        for near, far in ((first, second), (second, first)):
            if near in place:
                matrix[place[near], place[near]] += 1.0 / ohm
                if far in place:
                    matrix[place[near], place[far]] -= 1.0 / ohm
                else:
                    current[place[near]] += fixed[far] / ohm
    solution = solve_network(matrix, current, LEAK_SIEMENS)
    return {**fixed, **{net: float(solution[place[net]]) for net in nets}}
