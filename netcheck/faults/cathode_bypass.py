"""Shorted, leaky, dried-out or open cathode bypass capacitor.

What it does:
    The electrolytic across a cathode resistor carries part or all of the current that
    should set the bias.
Why it overheats something:
    With the cathode at ground the tube runs at zero bias, at several times its idle
    current; the cathode resistor meanwhile stays cold and measures good.
How it is modelled:
    A resistor across the capacitor: 0.1 ohm for a short, 0.2 to 20 times the bypassed
    resistance for a leak, as far as that lies between 50 ohm and 10 kohm.  A dried-out
    one keeps 30 % of its capacitance, an open one a thousandth.
Known limits:
    Lost capacitance changes no direct voltage: it shows only when driven.  The leak is
    constant, though a real one grows with voltage and warmth.
Example:
    `C5/shorted`, `C5/leaky@470ohm`.
References:
    Failed aluminum electrolytics are shorted in 53 % of cases: FMD-91, from memory; in
    50 %: a practitioner's guide to discrete parts (support.ptc.com), as quoted.  Leak
    range: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import SHORT_OHM
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    PRACTICE,
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.capacitors import ELECTROLYTIC_DRIED, OPEN, lost_capacitance
from netcheck.faults.common import (
    POWER_OFF,
    across,
    fault_id,
    joined,
    make_fault,
    parts_with_role,
    served_tubes,
)
from netcheck.roles.base import Role, Roles
from netcheck.roles.table import RoleName

NAME = "cathode_bypass"
LEAK_FACTORS = (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
LEAK_RANGE_OHM = (50.0, 10e3)
SWEEP_OHM = (1e6, 0.1)

SHORTED = likelihood(
    "common",
    "common practice, electrolytics near hot tubes; 53 % of electrolytic failures are shorts "
    "(FMD-91, from memory)",
)
LEAKY = likelihood("common", "common practice: old electrolytics leak")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the short and the leaks of every cathode bypass capacitor."""
    for part, bypassed, tubes in _bypasses(circuit, roles):
        yield _fault(part, bypassed, tubes, "shorted", SHORT_OHM)
        for factor in LEAK_FACTORS:
            ohm = factor * _ohm(bypassed)
            if LEAK_RANGE_OHM[0] <= ohm <= LEAK_RANGE_OHM[1]:
                yield _fault(part, bypassed, tubes, "leaky", ohm)
        job = f"the cathode bypass of {joined(tubes)}"
        yield from lost_capacitance(NAME, part, job, OPEN, ELECTROLYTIC_DRIED)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak of every cathode bypass capacitor down to a short."""
    for part, bypassed, tubes in _bypasses(circuit, roles):
        yield ContinuousFault(
            id=fault_id([part.ref], "leaky"),
            parts=(part.ref,),
            kind="leaky",
            unit="ohm",
            from_value=SWEEP_OHM[0],
            to_value=SWEEP_OHM[1],
            logarithmic=True,
            make=partial(_fault, part, bypassed, tubes, "leaky"),
            family=NAME,
        )


def _bypasses(
    circuit: Circuit, roles: Roles
) -> Iterator[tuple[Part, tuple[Part, ...], tuple[str, ...]]]:
    """Give each capacitor with the resistors it bypasses and their tubes."""
    for part, played in parts_with_role(
        circuit, roles, "capacitor", RoleName.CATHODE_BYPASS_CAPACITOR
    ):
        yield part, _bypassed(circuit, roles, part, played), served_tubes(circuit, played)


def _bypassed(
    circuit: Circuit, roles: Roles, capacitor: Part, played: tuple[Role, ...]
) -> tuple[Part, ...]:
    """Return the resistor across the capacitor, else the tubes' cathode resistors in series."""
    known = parts_with_role(
        circuit, roles, "resistor", RoleName.CATHODE_RESISTOR, RoleName.TAIL_RESISTOR
    )
    across = [part for part, _ in known if set(part.nets) == set(capacitor.nets)]
    if across:
        return tuple(across[:1])
    owners = {role.of for role in played}
    return tuple(part for part, jobs in known if owners & {role.of for role in jobs})


def _ohm(resistors: tuple[Part, ...]) -> float:
    return sum(part.value or 0.0 for part in resistors)


def _fault(
    part: Part, bypassed: tuple[Part, ...], tubes: tuple[str, ...], kind: str, ohm: float
) -> Fault:
    defect = Defect(ohm, "ohm")
    place = f"the cathode bypass of {joined(tubes)}"
    resistors = joined([each.ref for each in bypassed], "the cathode resistor")
    happened = "is shorted" if kind == "shorted" else f"leaks {defect.text}"
    return make_fault(
        NAME,
        [part.ref],
        kind,
        [across(part, ohm)],
        SHORTED if kind == "shorted" else LEAKY,
        summary=f"{part.ref}, {place}, {happened} beside {resistors}.",
        measure=f"{POWER_OFF}, {joined(tubes)} out: measure across {part.ref}, then again with "
        f"one end lifted; only the second reading shows {resistors} alone.",
        defect=defect,
        only_size=kind == "shorted",
    )


CATHODE_BYPASS = FaultKind(
    name=NAME,
    title="Shorted, leaky, dried-out or open cathode bypass capacitor",
    model="A resistor across the capacitor; the cathode resistor itself stays sound.",
    defects="A short of 0.1 ohm; leaks of 0.2 to 20 times the cathode resistor within 50 ohm to "
    "10 kohm; 30 % of its capacitance; open; swept from 1 Mohm to 0.1 ohm.",
    likelihood="Short, leak and drying out common (electrolytics beside hot tubes), open "
    "occasional.",
    readings="Cathode voltage low or zero while the tube draws more; the cathode resistor is cold "
    "and, lifted, measures good.",
    next_step="Power off, capacitors discharged, tube out: measure across the capacitor, then "
    "again with one end lifted.",
    source="common practice; failure modes of electrolytics: FMD-91, from memory",
    find=find,
    continuous=continuous,
    body="capacitor",
    words=(
        Word("shorted", "common", "wear", gives_up=True),
        Word("leaky", "common", "wear", grows="leak", gives_up=True),
        Word("dried", "common", "wear"),
        Word("open", "occasional", "chance", unsoldered=True),
    ),
    signs=(
        Sign(
            "damaged",
            0.4,
            f"{PRACTICE}: a leaking or reversed electrolytic heats, bulges and vents",
            "shorted leaky",
        ),
        Sign("hum", 0.25, f"{PRACTICE}: a bare cathode passes heater leakage on", "dried open"),
    ),
    group="capacitors",
)
