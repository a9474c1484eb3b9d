"""What the healthy circuit's own state says about how it is wired.

Comes in: a circuit, its roles, the idle state and the stresses of health.  Goes out:
findings about capacitors that block nothing or stand the wrong way round, and about
resistors, capacitors and heaters beyond their ratings, and an idle that does not last.
A rating that was assumed gives no finding.  The size that is advised leaves the margin
of `netcheck.ratings.parts`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from netcheck.circuit.model import Circuit
from netcheck.conditions import is_in_use
from netcheck.findings import Finding
from netcheck.judge.base import LimitTable, Load
from netcheck.judge.unrest import unrest_words
from netcheck.ratings.parts import ADVISED_VOLTAGE_SHARE, assumed_rating_w
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName
from netcheck.solve.results import Solved
from netcheck.units import format_quantity

NOTHING_TO_BLOCK_V = 0.5
"""A plate or cathode that drives a grid stands volts above or below it (our choice)."""

BACKWARDS_V = 1.0
"""Electrolytics bear a reverse volt or so for long (common practice)."""

OVERLOADS: Mapping[str, tuple[str, str]] = {
    "power_w": ("resistor-overload", "dissipated"),
    "voltage_v": ("capacitor-overvoltage", "across it"),
    "heater_cathode_voltage_v": ("heater-cathode-voltage", "between heater and cathode"),
}


def capacitor_findings(circuit: Circuit, roles: Roles, idle: Solved) -> Iterator[Finding]:
    """Yield findings about coupling and polarized capacitors."""
    tubes = {tube.ref for tube in circuit.tubes}
    told: set[str] = set()
    for role in roles.named(RoleName.COUPLING_CAPACITOR):
        state = idle.parts.get(role.part)
        if role.part in told or role.of not in tubes or state is None:
            continue
        told.add(role.part)
        if abs(state.voltage_v) < NOTHING_TO_BLOCK_V:
            yield Finding(
                "coupling-without-dc",
                "note",
                f"{role.part} couples {role.source_net} to {role.feeds} and blocks "
                f"{abs(state.voltage_v):.2f} V: there is no DC to keep apart",
                role.part,
                circuit[role.part].span,
                "is it on the net that was meant? If so, a wire would do",
            )
    for part in circuit.of_kind("capacitor"):
        state = idle.parts.get(part.ref)
        if part.note.is_polarized and state is not None and state.voltage_v < -BACKWARDS_V:
            plus, minus = part.nets
            yield Finding(
                "electrolytic-backwards",
                "warning",
                f"{part.ref} is polarized and its plus, on {plus}, is {-state.voltage_v:.1f} V "
                f"below its minus, on {minus}",
                part.ref,
                part.span,
                f"exchange its pins: {part.ref} {minus} {plus}",
            )


def overload_findings(
    circuit: Circuit, table: LimitTable, healthy: Iterable[Load]
) -> Iterator[Finding]:
    """Yield a finding for each part that is over its rating in normal use."""
    assumed = {(limit.part, limit.quantity) for limit in table.limits if limit.assumed}
    hardest: dict[tuple[str, str], Load] = {}
    for stress in healthy:
        key = (stress.part, stress.quantity)
        rated = stress.quantity in OVERLOADS and key not in assumed
        if rated and is_in_use(stress.condition) and stress.level == "over_limit":
            hardest[key] = max(hardest.get(key, stress), stress, key=lambda one: one.ratio)
    for (ref, quantity), stress in hardest.items():
        rule, where = OVERLOADS[quantity]
        unit = "W" if quantity == "power_w" else "V"
        yield Finding(
            rule,
            "warning",
            f"{ref} has {format_quantity(stress.value, unit, 3)} {where} "
            f"({stress.condition.replace('_', ' ')}), {stress.ratio:.2f} times its limit of "
            f"{format_quantity(stress.limit, unit, 3)}",
            ref,
            circuit[ref].span,
            _advice(stress),
        )


def _advice(stress: Load) -> str:
    match stress.quantity:
        case "power_w":
            size = assumed_rating_w(stress.value)
            return f"a {size:g} W resistor has the usual margin" if size else ""
        case "voltage_v":
            return f"rated for {stress.value / ADVISED_VOLTAGE_SHARE:.0f} V or more it would last"
    return "refer the heaters to a voltage nearer this cathode, or use a supply of their own"


def stability_findings(idle: Solved) -> Iterator[Finding]:
    """Yield a finding where the circuit leaves its operating point by itself."""
    found = idle.stability
    if found is None or found.stable is not False:
        return
    words = unrest_words(found)
    if found.trusted:
        yield Finding(
            "unstable-idle",
            "error",
            f"idle does not last: without a signal the circuit {words}",
            hint="what is said of idle is of a state that the circuit leaves; look at the "
            "decoupling of the supplies, at feedback and its polarity",
        )
        return
    yield Finding(
        "unstable-idle",
        "warning",
        f"idle may not last: without a signal the circuit {words}, as far as the capacitances in "
        "the netlist say",
        hint="the netlist does not have wiring and winding capacitances: look for it with a "
        "scope, and at grid stoppers and feedback",
    )
