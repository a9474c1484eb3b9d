"""What all kinds of capacitor fault share.

Comes in: a capacitor, what it is there for, and `Wear`: what goes wrong with such
capacitors and how likely it is.  Goes out: faults and sweeps.  A leak and a short are
a resistor across the part; a dried-out part has lost capacitance, an open one nearly
all of it.  Neither of the last two moves an operating point: they show when driven.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

from netcheck.circuit.changes import SHORT_OHM, SetValue
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import ContinuousFault, Defect, Fault, Likelihood, likelihood
from netcheck.faults.common import (
    POWER_OFF,
    across,
    fault_id,
    held_by_source,
    joined,
    make_fault,
    parts_with_role,
    served_tubes,
)
from netcheck.roles.base import Role, Roles
from netcheck.roles.table import RoleName

OPEN_SHARE = 1e-3
"""What is left of an open capacitor: wiring and the stray field of its foil."""
DRIED_PERCENT = 30.0
"""Capacitance left in a dried-out electrolytic; less than 80 % counts as worn out."""
SWEEP_OHM = (100e6, 100.0)

ELECTROLYTIC_SHORT = likelihood(
    "common",
    "common practice; 53 % of electrolytic failures are shorts (FMD-91, from memory)",
)
ELECTROLYTIC_LEAK = likelihood("common", "common practice: old electrolytics leak")
ELECTROLYTIC_DRIED = likelihood(
    "common", "common practice: electrolytics dry out; below 80 % they count as worn out"
)
OPEN = likelihood(
    "occasional",
    "common practice; open is 35 % of electrolytic, 42 % of plastic film and 37 % of paper "
    "capacitor failures (FMD-91, from memory)",
)
FILM_SHORT = likelihood(
    "occasional",
    "common practice; shorts are 63 % of paper and 40 % of film capacitor failures "
    "(FMD-91, from memory)",
)


@dataclass(frozen=True, slots=True)
class Wear:
    """What goes wrong with the capacitors of one job.

    family: of the kind; roles: the jobs; leaks_ohm: sizes of leak.  short, leak, open,
    dried: how likely, None where it is not listed.
    """

    family: str
    roles: tuple[RoleName, ...]
    leaks_ohm: tuple[float, ...] = ()
    leak: Likelihood = ELECTROLYTIC_LEAK
    short: Likelihood | None = ELECTROLYTIC_SHORT
    open: Likelihood | None = OPEN
    dried: Likelihood | None = None
    sweep_ohm: tuple[float, float] = SWEEP_OHM


def capacitor_faults(circuit: Circuit, roles: Roles, wear: Wear) -> Iterator[Fault]:
    """List leaks, short, loss of capacitance and open of every such capacitor."""
    for part, played in _capacitors(circuit, roles, wear):
        job = job_text(circuit, played)
        if not held_by_source(circuit, part):
            for ohm in wear.leaks_ohm:
                yield leaky(wear, part, job, ohm)
            if wear.short:
                yield shorted(wear, part, job, wear.short)
        yield from lost_capacitance(wear.family, part, job, wear.open, wear.dried)


def capacitor_sweeps(circuit: Circuit, roles: Roles, wear: Wear) -> Iterator[ContinuousFault]:
    """Sweep the leak of every such capacitor."""
    for part, played in _capacitors(circuit, roles, wear):
        if wear.leaks_ohm and not held_by_source(circuit, part):
            yield ContinuousFault(
                id=fault_id([part.ref], "leaky"),
                parts=(part.ref,),
                kind="leaky",
                unit="ohm",
                from_value=wear.sweep_ohm[0],
                to_value=wear.sweep_ohm[1],
                logarithmic=True,
                make=partial(leaky, wear, part, job_text(circuit, played)),
                family=wear.family,
            )


def _capacitors(
    circuit: Circuit, roles: Roles, wear: Wear
) -> tuple[tuple[Part, tuple[Role, ...]], ...]:
    return parts_with_role(circuit, roles, "capacitor", *wear.roles)


def job_text(circuit: Circuit, played: tuple[Role, ...]) -> str:
    """Say what a capacitor is there for: `the reservoir capacitor at ht`."""
    name = played[0].name.words
    tubes = served_tubes(circuit, played)
    return f"the {name} of {joined(tubes)}" if tubes else f"the {name} at {played[0].of}"


def leaky(wear: Wear, part: Part, job: str, ohm: float) -> Fault:
    """Return a capacitor that leaks."""
    defect = Defect(ohm, "ohm")
    return make_fault(
        wear.family,
        [part.ref],
        "leaky",
        [across(part, ohm)],
        wear.leak,
        summary=f"{part.ref}, {job}, leaks {defect.text}.",
        measure=_leak_measurement(part),
        defect=defect,
    )


def shorted(wear: Wear, part: Part, job: str, chance: Likelihood) -> Fault:
    """Return a shorted capacitor."""
    return make_fault(
        wear.family,
        [part.ref],
        "shorted",
        [across(part, SHORT_OHM)],
        chance,
        summary=f"{part.ref}, {job}, is shorted.",
        measure=_leak_measurement(part),
        defect=Defect(SHORT_OHM, "ohm"),
        only_size=True,
    )


def lost_capacitance(
    family: str, part: Part, job: str, is_open: Likelihood | None, dried: Likelihood | None
) -> Iterator[Fault]:
    """List an open capacitor and a dried-out one."""
    measure = (
        f"{POWER_OFF}: lift one end of {part.ref} and measure its capacitance against its marking."
    )
    sizes = ((is_open, "open", OPEN_SHARE * 100.0), (dried, "dried", DRIED_PERCENT))
    for chance, kind, percent in sizes:
        if chance is None:
            continue
        happened = (
            "is open, or was left out"
            if kind == "open"
            else f"has dried out to {percent:g} % of its capacitance"
        )
        yield make_fault(
            family,
            [part.ref],
            kind,
            [SetValue(part.ref, (part.value or 0.0) * percent / 100.0)],
            chance,
            summary=f"{part.ref}, {job}, {happened}.",
            measure=measure,
            defect=Defect(percent, "%"),
            only_size=kind == "open",
        )


def _leak_measurement(part: Part) -> str:
    return (
        f"{POWER_OFF}: lift one end of {part.ref} and test its leakage at its working voltage, "
        "since an ordinary ohmmeter shows only a gross leak."
    )
