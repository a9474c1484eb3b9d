"""The limits of one tube section, as they apply in this circuit.

Comes in: a tube with its type on file, how its screen is connected, its note and
the sections that share its bulb.  Goes out: limits ready for comparison.

A limit knows its condition and its company.  A zero-signal figure holds at idle
and a with-signal figure under drive; a speech-and-music peak rating is not
compared with the mean of a continuous sine.  Volts at zero current (a cold tube)
may be higher than in operation.  Where plate and screen share a supply, in
ultralinear and triode connection, the joint ratings hold.  Sources: the type's
own data file; the systems are those of IEC 60134.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from netcheck.circuit.model import Part
from netcheck.conditions import IDLE, ConditionKind
from netcheck.judge.base import (
    EVERY_CONDITION,
    TUBES_CONDUCTING,
    PartLimit,
)
from netcheck.ratings.systems import scaled
from netcheck.tubes.types import Condition, Limit, TubeType

DISSIPATIONS_AND_CURRENT = ("plate_dissipation_w", "screen_dissipation_w", "cathode_current_a")
OF_RECTIFIER = ("output_current_a", "heater_cathode_voltage_v")
VOLTS_AT_ALL_TIMES = ("grid_voltage_negative_v", "heater_cathode_voltage_v")

PEAK = "plate_peak_v"
ARC_OVER_V = {"octal": 1200.0, "noval": 1000.0, "miniature": 800.0}
OTHER_BASE_V = 1200.0
SWING_OF_RATING = 2.4
"""A plate rated for V swings to 2 V in class AB, and a fifth more in overdrive."""
ARC_OVER_SOURCE = (
    "octal: pulses of 1.2 kV are rated for the plate of a 6V6GTA in vertical deflection (from "
    "memory); other bases, and 2.4 times the rated plate volts where that is more: common practice"
)

PREFERRED: dict[ConditionKind, tuple[Condition, ...]] = {
    IDLE: ("zero_signal", "any", "with_signal"),
    "driven": ("with_signal", "any", "zero_signal"),
}
"""Which row of a quantity holds: its own condition, else any, else what there is."""

REMARK: dict[Condition, str] = {
    "zero_signal": "zero-signal rating",
    "with_signal": "rating with signal",
}


def tube_limits(part: Part, connection: str, company: Sequence[str]) -> tuple[PartLimit, ...]:
    """Return the limits of one tube section.

    connection is pentode, triode or ultralinear.  company lists the other
    sections of the same bulb; a limit over both plates is given where it is not
    empty.  A tube without a type on file has only what its note gives it.
    """
    if part.tube is not None and part.tube.kind == "rectifier":
        return tuple(_of_rectifier(part, part.tube))
    joined = part.has_pin("screen") and connection in ("triode", "ultralinear")
    found = list(_dissipations_and_current(part))
    if part.tube is not None:
        found += _voltages(part, part.tube, joined)
        found += _at_all_times(part, part.tube)
        if company:
            rows = used_rows(part.tube, "both_plates_dissipation_w")
            found += _by_signal(part, rows, tuple(company))
    if joined:
        found += _joint_dissipation(part, connection, found)
    if part.tube is not None and part.tube.power:
        found.append(_peak(part, part.tube))
    return tuple(found)


def _peak(part: Part, tube: TubeType) -> PartLimit:
    """Return what the peaks of a power tube's plate are compared with.

    They fall where the tube is cut off: a published limit at zero current is theirs, where
    it is above the floor at which base and socket flash over.  Below it stands for direct
    volts, which a pair on its data sheet passes at every peak.
    """
    rated = used_rows(tube, "plate_voltage_v")
    at_base = next(
        (volts for base, volts in ARC_OVER_V.items() if tube.base.startswith(base)), OTHER_BASE_V
    )
    running = [row.value for row in rated if row.condition != "cold"]
    floor_v = max(at_base, SWING_OF_RATING * max(running, default=0.0))
    for row in rated:
        if row.condition == "cold" and row.value > floor_v:
            limit = _limit(part, row, TUBES_CONDUCTING)
            said = f"largest plate volts; {limit.comparison}; rating at zero current"
            return replace(limit, quantity=PEAK, comparison=said)
    return PartLimit(
        part.ref,
        PEAK,
        floor_v,
        floor_v,
        "not_stated",
        "largest plate volts against an estimated floor of arc-over at base and socket",
        ARC_OVER_SOURCE,
        TUBES_CONDUCTING,
    )


def _of_rectifier(part: Part, tube: TubeType) -> Iterator[PartLimit]:
    """Return what can be judged where a rectifier stands in series with a DC source.

    Its direct current and the volts from heater to cathode hold there; what the sheet
    says of peaks, inverse volts and the transformer needs the alternating supply.  The
    current for capacitor input is taken, which nearly every amplifier has.
    """
    for row in used_rows(tube, "output_current_a"):
        if row.condition == "any":
            yield _limit(part, row, TUBES_CONDUCTING)
    yield from _at_all_times(part, tube)


def compares(tube: TubeType, row: Limit) -> bool:
    """Say whether a limit on file can be compared at all, its supply being a DC source."""
    return tube.kind != "rectifier" or row.quantity in OF_RECTIFIER


def used_rows(tube: TubeType | None, quantity: str) -> tuple[Limit, ...]:
    """Return the rows of `quantity` that count (where two sheets differ, one does)."""
    rows = tube.limits if tube else ()
    return tuple(row for row in rows if row.used and row.quantity == quantity)


def _limit(
    part: Part,
    row: Limit,
    conditions: frozenset[ConditionKind],
    company: tuple[str, ...] = (),
) -> PartLimit:
    brought = scaled(row.value, row.rating_system)
    remark = REMARK.get(row.condition, "")
    return PartLimit(
        part.ref,
        row.quantity,
        row.value,
        brought.value,
        row.rating_system,
        brought.statement + (f"; {remark}" if remark else ""),
        row.source,
        conditions,
        company,
    )


def _from_note(part: Part, quantity: str, watts: float, key: str) -> PartLimit:
    statement = scaled(watts, "not_stated").statement
    return PartLimit(
        part.ref,
        quantity,
        watts,
        watts,
        "not_stated",
        f"{statement}; given by {key}= in the netlist",
        f"note {key}= in the netlist",
        TUBES_CONDUCTING,
    )


def _dissipations_and_current(part: Part) -> Iterator[PartLimit]:
    given = {
        "plate_dissipation_w": (part.note.plate_power_w, "plate_power"),
        "screen_dissipation_w": (part.note.screen_power_w, "screen_power"),
    }
    for quantity in DISSIPATIONS_AND_CURRENT:
        watts, key = given.get(quantity, (None, ""))
        if watts is not None:
            yield _from_note(part, quantity, watts, key)
        else:
            yield from _by_signal(part, used_rows(part.tube, quantity))


def _by_signal(
    part: Part, rows: Sequence[Limit], company: tuple[str, ...] = ()
) -> Iterator[PartLimit]:
    """Share the rows of one quantity out over idle and driven."""
    by_condition = {row.condition: row for row in rows}
    kinds: dict[Condition, set[ConditionKind]] = {}
    for kind, order in PREFERRED.items():
        for condition in order:
            if condition in by_condition:
                kinds.setdefault(condition, set()).add(kind)
                break
    for condition, held in kinds.items():
        yield _limit(part, by_condition[condition], frozenset(held), company)


def _voltages(part: Part, tube: TubeType, joined: bool) -> Iterator[PartLimit]:
    """Volts to the cathode, in operation and at zero current.

    Without a rating at zero current a cold tube is not compared: before the
    cathodes are warm every plate of a healthy amplifier stands at B+.
    """
    quantities = ["plate_voltage_v", "screen_voltage_v"]
    in_operation = quantities
    if joined and used_rows(tube, "plate_and_screen_voltage_v"):
        in_operation = ["plate_and_screen_voltage_v"]
    for quantity in quantities:
        rows = used_rows(tube, quantity)
        cold = [row for row in rows if row.condition == "cold"]
        for row in cold:
            yield replace(_limit(part, row, EVERY_CONDITION), at_current="zero")
        if quantity in in_operation:
            yield from (
                replace(limit, at_current="flowing" if cold else "any")
                for limit in _by_signal(part, rows)
            )
    if in_operation != quantities:
        yield from _by_signal(part, used_rows(tube, "plate_and_screen_voltage_v"))


def _at_all_times(part: Part, tube: TubeType) -> Iterator[PartLimit]:
    for quantity in VOLTS_AT_ALL_TIMES:
        if quantity == "heater_cathode_voltage_v" and tube.directly_heated:
            continue
        for row in used_rows(tube, quantity):
            if row.condition == "any":
                reference_v = part.note.heater_v or 0.0
                yield replace(_limit(part, row, EVERY_CONDITION), reference_v=reference_v)


def _joint_dissipation(
    part: Part, connection: str, single: Sequence[PartLimit]
) -> Iterator[PartLimit]:
    """Plate and screen together, where they share a supply.

    A published joint rating is taken as it is.  Without one, a triode-connected
    pentode is compared with the sum of its two ratings: how the current divides
    between plate and screen is the least certain figure of any model.
    """
    quantity = "plate_plus_screen_dissipation_w"
    if rows := used_rows(part.tube, quantity):
        yield from _by_signal(part, rows)
    elif connection == "triode":
        for plate in (row for row in single if row.quantity == "plate_dissipation_w"):
            for screen in (row for row in single if row.quantity == "screen_dissipation_w"):
                if both := plate.conditions & screen.conditions:
                    yield replace(
                        plate,
                        quantity=quantity,
                        limit=plate.limit + screen.limit,
                        compared_limit=plate.compared_limit + screen.compared_limit,
                        comparison=f"{plate.comparison}; sum of the plate and the screen rating,"
                        " no joint rating on file",
                        source=f"{plate.source}; {screen.source}",
                        conditions=both,
                    )
