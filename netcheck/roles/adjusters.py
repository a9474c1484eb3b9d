"""Bias pots: what each does, to which tubes, and how far it reaches.

Comes in: `Facts`, and the resistors of each bias supply.  Goes out: `Adjuster`s.  A
negative supply and its resistors are a linear network, and grids take no current: the
volts at every feed follow from the wiper's place.  A pot that moves the feeds of all
tubes of one source the same way sets the bias; one that lifts some and lowers others
is a balance control; one that reaches only some is a trim.
(Ohm's and Kirchhoff's laws; nodal analysis.)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from netcheck.circuit.model import GROUND, Part, natural_key
from netcheck.roles.base import Adjuster
from netcheck.roles.facts import Facts
from netcheck.units import six_digits

END_OHM = 1.0
"""What is left of a half when the wiper is at its end."""

STEP = 0.01
"""Share of the track by which a wiper is moved to see what follows."""

MOVED_SHARE = 1e-4
"""A feed that moves less than this share of its volts does not follow a pot."""

HALVES = 2


def pots_of(parts: Sequence[Part]) -> Mapping[str, tuple[Part, ...]]:
    """Group resistors with a pot's note by that pot, the upper half first."""
    found: dict[str, list[Part]] = {}
    for part in parts:
        if part.note.pot and part.kind == "resistor":
            found.setdefault(part.note.pot, []).append(part)
    return {
        name: tuple(sorted(halves, key=lambda half: half.note.pot_side != "upper"))
        for name, halves in found.items()
        if len(halves) <= HALVES
    }


def bias_adjusters(
    facts: Facts, source: str, feeds: Mapping[str, tuple[str, ...]], parts: Sequence[Part]
) -> tuple[Adjuster, ...]:
    """Return what each pot of one source's network does; `feeds` has the tubes by net."""
    return tuple(
        _bias_adjuster(facts, source, feeds, parts, halves)
        for _, halves in sorted(pots_of(parts).items(), key=lambda item: natural_key(item[0]))
    )


def _bias_adjuster(
    facts: Facts,
    source: str,
    feeds: Mapping[str, tuple[str, ...]],
    parts: Sequence[Part],
    halves: tuple[Part, ...],
) -> Adjuster:
    here = _volts(facts, source, parts, {})
    moved = _volts(facts, source, parts, _turned(halves, STEP))
    start = _volts(facts, source, parts, _turned(halves, -1.0))
    end = _volts(facts, source, parts, _turned(halves, 1.0))
    change = {net: moved.get(net, 0.0) - here.get(net, 0.0) for net in feeds}
    largest = max(map(abs, change.values()), default=0.0)
    follow = [net for net in feeds if largest and abs(change[net]) > MOVED_SHARE * largest]
    signs = {change[net] > 0 for net in follow}
    kind = "bias" if len(follow) == len(feeds) else "trim"
    if len(signs) == HALVES:
        kind = "balance"
    follow = follow or list(feeds)
    return Adjuster(
        halves[0].note.pot,
        kind,
        tuple(half.ref for half in halves),
        tuple(tube for net in follow for tube in feeds[net]),
        {net: (six_digits(start.get(net, 0.0)), six_digits(end.get(net, 0.0))) for net in follow},
    )


def _turned(halves: tuple[Part, ...], share: float) -> dict[str, float]:
    """Return the halves' ohms with the wiper moved by a share of the track, 1 to its end."""
    track = sum(half.value or 0.0 for half in halves)
    upper = halves[0].value or 0.0
    if len(halves) < HALVES:
        return {halves[0].ref: max(END_OHM, upper * (1.0 + share))}
    at = min(max(upper + share * track, END_OHM), track - END_OHM)
    return {halves[0].ref: at, halves[1].ref: track - at}


def _volts(
    facts: Facts, source: str, parts: Sequence[Part], moved: Mapping[str, float]
) -> Mapping[str, float]:
    """Return the volts at every net of the network that is not held."""
    held = {GROUND: 0.0} | _held(facts, source)
    nets = sorted({net for part in parts for net in part.nets} - set(held), key=natural_key)
    place = {net: index for index, net in enumerate(nets)}
    matrix = np.zeros((len(nets), len(nets)))
    drive = np.zeros(len(nets))
    for part in parts:
        ohm = moved.get(part.ref, part.value or 0.0)
        siemens = 1.0 / max(ohm, END_OHM)
        for near, far in (part.nets, part.nets[::-1]):
            if near not in place:
                continue
            matrix[place[near], place[near]] += siemens
            if far in place:
                matrix[place[near], place[far]] -= siemens
            else:
                drive[place[near]] += siemens * held[far]
    solution = np.linalg.lstsq(matrix, drive, rcond=None)[0] if nets else drive
    return dict(zip(nets, map(float, solution), strict=True)) | held


def _held(facts: Facts, source: str) -> dict[str, float]:
    """Return the net a source holds and its volts; 1 V below ground where unknown."""
    part = facts.wiring[source]
    plus, minus = part.nets[:2]
    known = part.kind == "voltage_source" and GROUND in (plus, minus)
    if known:
        volts = part.value or 0.0
        return {plus: volts} if minus == GROUND else {minus: -volts}
    seeds = facts.supply.seeds | facts.supply.back
    held = [net for net in facts.supply.negative if net in seeds]
    return {net: -1.0 for net in held if facts.supply.source_of[net] == source}


def cathode_adjusters(facts: Facts) -> tuple[Adjuster, ...]:
    """Return the pots in the cathode circuits of tubes."""
    table: dict[str, tuple[tuple[Part, ...], dict[str, None]]] = {}
    for tube, circuit in facts.cathodes.items():
        for name, halves in pots_of([facts.wiring[ref] for ref in circuit.parts]).items():
            table.setdefault(name, (halves, {}))[1][tube] = None
    return tuple(
        Adjuster(name, "cathode", tuple(half.ref for half in halves), tuple(tubes))
        for name, (halves, tubes) in sorted(table.items(), key=lambda item: natural_key(item[0]))
    )
