"""The table of limits a circuit is judged by.

Comes in: the circuit, its roles, and the healthy states (for resistors without a
rating).  Goes out: a `LimitTable`: every limit with its source and the way it is
compared, the parts that cannot be judged with the reason, and what was assumed.
Faults are judged by the table of the healthy circuit: a fault changes what a part
bears, not what it was built for.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from types import MappingProxyType

from netcheck.circuit.model import Circuit, Part
from netcheck.conditions import IDLE
from netcheck.judge.base import LimitTable, NotJudged, PartLimit
from netcheck.judge.cores import COMPARISON, core_limits
from netcheck.judge.part_limits import (
    capacitor_limit,
    resistor_limit,
    supply_limit,
    winding_limit,
)
from netcheck.judge.tube_limits import ARC_OVER_SOURCE, compares, tube_limits, used_rows
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName
from netcheck.solve.results import Solved

NO_STATES: Mapping[str, Solved] = MappingProxyType({})


def limits_of(
    circuit: Circuit, roles: Roles, healthy: Mapping[str, Solved] = NO_STATES
) -> LimitTable:
    """Return the limits of every part of the healthy circuit.

    healthy: solved states by condition; without them only signal resistors are
    given an assumed rating.
    """
    limits: list[PartLimit] = []
    without: list[NotJudged] = []
    connections = {ref: stage.connection for stage in roles.stages for ref in stage.tubes}
    bulbs = _bulbs(circuit)
    for part in circuit:
        if part.added:
            continue
        if part.kind == "tube":
            company = bulbs.get(part.ref, ())
            limits += tube_limits(part, connections.get(part.ref, "pentode"), company)
            without += _tube_gaps(part)
            continue
        match _ordinary(part, roles, healthy):
            case PartLimit() as limit:
                limits.append(limit)
            case NotJudged() as gap:
                without.append(gap)
    for found in core_limits(circuit, roles, healthy):
        if isinstance(found, PartLimit):
            limits.append(found)
        else:
            without.append(found)
    return LimitTable(
        tuple(limits),
        tuple(without),
        tuple(_assumptions(circuit, limits)),
        by_supply=frozenset(role.part for role in roles.named(RoleName.SUPPLY_RESISTANCE)),
    )


def _ordinary(
    part: Part, roles: Roles, healthy: Mapping[str, Solved]
) -> PartLimit | NotJudged | None:
    """Limit of a part that is no tube."""
    names = [role.name for role in roles.of_part(part.ref)]
    match part.kind:
        case "resistor":
            return resistor_limit(part, names, healthy.values())
        case "capacitor":
            return capacitor_limit(part, names)
        case "inductor":
            return winding_limit(part)
        case "voltage_source":
            return supply_limit(part, healthy.get(IDLE))
        case "diode" | "transistor":
            return NotJudged(part.ref, "all", f"no limits on file for a {part.kind}")
    return None


def _tube_gaps(part: Part) -> Iterator[NotJudged]:
    if part.tube is None and part.note.plate_power_w is None:
        reason = "own model without a type on file; name the type with type= in its note"
        yield NotJudged(part.ref, "all", reason)
    elif (
        part.has_pin("grid")
        and part.note.plate_power_w is None
        and not used_rows(part.tube, "plate_dissipation_w")
    ):
        yield NotJudged(part.ref, "plate_dissipation_w", "no such limit on file")


def _bulbs(circuit: Circuit) -> dict[str, tuple[str, ...]]:
    """First section of each shared bulb (by ref) and its other sections."""
    shared = ([tube.ref for tube in bulb] for bulb in circuit.bulbs if len(bulb) > 1)
    return {first: tuple(others) for first, *others in shared}


def _assumptions(circuit: Circuit, limits: Sequence[PartLimit]) -> Iterator[str]:
    yield from _assumed_ratings(limits)
    on_file = [(tube, tube.tube) for tube in circuit.tubes if tube.tube]
    sentences = {
        f"the core is held to an estimate: {COMPARISON}": [
            limit.part for limit in limits if limit.core is not None
        ],
        "heater taken as grounded (no heater= in the note)": [
            tube.ref
            for tube, kind in on_file
            if used_rows(kind, "heater_cathode_voltage_v") and not tube.note.heater
        ],
        "no limit on the peaks of the plate is on file; they are compared with a floor at which "
        "base and socket flash over (estimate)": [
            limit.part for limit in limits if limit.source == ARC_OVER_SOURCE
        ],
        "the limit over both plates of the bulb is not compared (no envelope= in the note)": [
            tube.ref
            for tube, kind in on_file
            if used_rows(kind, "both_plates_dissipation_w") and not tube.note.envelope
        ],
        "a rating for speech and music peaks is on file; it is not compared with the mean of"
        " a continuous sine": [
            tube.ref
            for tube, kind in on_file
            if any(row.used and row.condition == "speech_peak" for row in kind.limits)
        ],
        "a limit whose rating system is not stated is taken as design-center": [
            tube.ref
            for tube, kind in on_file
            if any(
                row.used and row.rating_system == "not_stated" and compares(kind, row)
                for row in kind.limits
            )
        ],
    }
    for sentence, refs in sentences.items():
        if refs:
            yield f"{', '.join(refs)}: {sentence}"


def _assumed_ratings(limits: Iterable[PartLimit]) -> Iterator[str]:
    """One sentence for each assumed resistor rating."""
    by_rating: dict[float, list[str]] = {}
    for limit in limits:
        if limit.assumed:
            by_rating.setdefault(limit.limit, []).append(limit.part)
    for rating, refs in sorted(by_rating.items()):
        yield (
            f"{', '.join(refs)}: no power= in the note; taken as {rating:g} W resistors, the"
            " smallest size sold with at least twice the healthy dissipation"
        )
