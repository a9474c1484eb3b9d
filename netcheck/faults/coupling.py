"""Couplers and cathode bypasses: capacitors with rules of their own.

Comes in: a circuit and its roles.  Goes out: their leaks, shorts and losses of capacitance.
A leak of a coupler moves the next grid by a drop over its grid leak: ten megohms into 220 kohm
are several volts.  A bypass leaks across its cathode resistor, which stays sound.

References.  Share of shorts among failed paper capacitors 63 %, plastic film 40 %: FMD-91, from
memory.  Leak values worth trying, and 50 to 100 Mohm as the service limit of an output coupler:
common practice.  Failed aluminum electrolytics are shorted in 53 % of cases: FMD-91, from memory;
in 50 %: a practitioner's guide to discrete parts (support.ptc.com), as quoted.  Leak range:
common practice.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial

from netcheck.circuit.changes import SHORT_OHM
from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.faults.base import (
    HEATS,
    PRACTICE,
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Found,
    Likelihood,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.capacitor import (
    ELECTROLYTIC_DRIED,
    OPEN,
    VENTS,
    lost_capacitance,
)
from netcheck.faults.common import (
    POWER_OFF,
    across,
    electrodes_on,
    grids_fed_by,
    joined,
    make_fault,
    parts_with_role,
    served_tubes,
    sweep,
)
from netcheck.roles.base import Role, Roles
from netcheck.roles.table import RoleName

COUPLER_LEAKS_OHM = (1e6, 2e6, 5e6, 10e6, 20e6, 50e6, 100e6, 200e6, 500e6)
COUPLER_SWEEP_OHM = (10e9, 100e3)
OLD_YEARS = 40.0
PAPER = ("paper", "oil")
SOUND = ("film", "poly", "mylar", "ptfe", "teflon", "mica", "ceramic")
SHORT_LIKELIHOOD = likelihood(
    "occasional",
    "common practice; shorts are 63 % of paper and 40 % of film capacitor failures "
    "(FMD-91, from memory)",
)


def _coupler(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the leaks and the short of every coupler fed by a plate or a cathode."""
    for coupler in _couplers(circuit, roles):
        for ohm in COUPLER_LEAKS_OHM:
            yield _coupler_leak(circuit, roles, coupler, ohm)
        yield _coupler_short(circuit, roles, coupler)
        job = f"the coupling capacitor {_path(circuit, roles, coupler)}"
        yield from lost_capacitance(coupler, job, OPEN, None)


def _coupler_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak of every coupler from a sound part down to a bad one."""
    for coupler in _couplers(circuit, roles):
        yield sweep(
            (coupler.ref,),
            "leaky",
            "ohm",
            COUPLER_SWEEP_OHM,
            partial(_coupler_leak, circuit, roles, coupler),
        )


def _couplers(circuit: Circuit, roles: Roles) -> Iterable[Part]:
    for part, _ in parts_with_role(circuit, roles, "capacitor", RoleName.COUPLING_CAPACITOR):
        if _source(circuit, roles, part)[0]:
            yield part
    leaks = roles.named(RoleName.GRID_LEAK)
    for part, played in parts_with_role(circuit, roles, "capacitor", RoleName.INPUT_CAPACITOR):
        tubes = {role.of for role in played}
        if any(leak.of in tubes and leak.source_net not in ("", GROUND) for leak in leaks):
            yield part


def _coupler_leak(circuit: Circuit, roles: Roles, part: Part, ohm: float) -> Fault:
    defect = Defect(ohm, "ohm")
    return make_fault(
        [part.ref],
        "leaky",
        [across(part, ohm)],
        leak_likelihood(part),
        summary=f"{part.ref} leaks {defect.text} {_path(circuit, roles, part)}.",
        measure=_measure(circuit, roles, part),
        defect=defect,
    )


def _coupler_short(circuit: Circuit, roles: Roles, part: Part) -> Fault:
    return make_fault(
        [part.ref],
        "shorted",
        [across(part, SHORT_OHM)],
        SHORT_LIKELIHOOD,
        summary=f"{part.ref} is shorted {_path(circuit, roles, part)}.",
        measure=_measure(circuit, roles, part),
        defect=Defect(SHORT_OHM, "ohm"),
        only_size=True,
    )


def leak_likelihood(part: Part) -> Likelihood:
    """Return how likely a leak is, by the dielectric and the age in the part's note."""
    dielectric = part.note.dielectric.casefold()
    if any(word in dielectric for word in PAPER):
        return likelihood(
            "very_common", "common practice: paper capacitors leak with age", by_part=True
        )
    if any(word in dielectric for word in SOUND):
        return likelihood(
            "rare", "common practice: film, mica and ceramic parts seldom leak", by_part=True
        )
    if (part.note.age_years or 0.0) >= OLD_YEARS:
        return likelihood(
            "very_common",
            "common practice: a coupler this old is taken for a paper one",
            by_part=True,
        )
    known_age = part.note.age_years is not None
    return likelihood("common", "common practice; the dielectric is not stated", by_part=known_age)


def _source(circuit: Circuit, roles: Roles, part: Part) -> tuple[str, str]:
    """Return where the coupler is fed from, in words, and the net it feeds.

    The words are empty where no plate and no cathode feeds it.
    """
    names = (RoleName.COUPLING_CAPACITOR, RoleName.INPUT_CAPACITOR)
    known = [role for role in roles.of_part(part.ref) if role.name in names]
    feeds = next((role.feeds for role in known if role.feeds in part.nets), "")
    for net in part.nets if not feeds else (part.other_net(feeds),):
        for tube, pin in electrodes_on(circuit, net, "plate", "cathode"):
            return f"the {pin} of {tube}", feeds or part.other_net(net)
    for role in known:
        if (
            role.name != RoleName.INPUT_CAPACITOR
            and role.of in circuit.parts
            and circuit[role.of].kind == "tube"
        ):
            return f"the output of {role.of}", feeds or part.nets[1]
    if any(role.name == RoleName.INPUT_CAPACITOR for role in roles.of_part(part.ref)):
        return "the input", feeds or part.nets[1]
    return "", feeds


def _path(circuit: Circuit, roles: Roles, part: Part) -> str:
    source, net = _source(circuit, roles, part)
    fed = grids_fed_by(circuit, roles, net)
    target = f"the grid of {joined(fed)}" if fed else f"net {net}"
    return f"from {source} to {target}"


def _measure(circuit: Circuit, roles: Roles, part: Part) -> str:
    source, net = _source(circuit, roles, part)
    fed = grids_fed_by(circuit, roles, net)
    if not fed:
        return (
            f"{POWER_OFF}: lift the end of {part.ref} away from {source} and test its "
            "leakage at its working voltage."
        )
    tubes = joined(fed)
    return (
        f"{tubes} out, power on: measure the grid pin of {tubes} with a 10 Mohm meter; a "
        f"voltage above that of the grid return, with no tube in the socket, is {part.ref} leaking."
    )


LEAK_FACTORS = (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
LEAK_RANGE_OHM = (50.0, 10e3)
BYPASS_SWEEP_OHM = (1e6, 0.1)
BYPASS_SHORTED = likelihood(
    "common",
    "common practice, electrolytics near hot tubes; 53 % of electrolytic failures are shorts "
    "(FMD-91, from memory)",
)
BYPASS_LEAKY = likelihood("common", "common practice: old electrolytics leak")


def _bypass(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the short and the leaks of every cathode bypass capacitor."""
    for part, bypassed, tubes in _bypasses(circuit, roles):
        yield _bypass_fault(part, bypassed, tubes, "shorted", SHORT_OHM)
        for factor in LEAK_FACTORS:
            ohm = factor * _ohm(bypassed)
            if LEAK_RANGE_OHM[0] <= ohm <= LEAK_RANGE_OHM[1]:
                yield _bypass_fault(part, bypassed, tubes, "leaky", ohm)
        job = f"the cathode bypass of {joined(tubes)}"
        yield from lost_capacitance(part, job, OPEN, ELECTROLYTIC_DRIED)


def _bypass_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak of every cathode bypass capacitor down to a short."""
    for part, bypassed, tubes in _bypasses(circuit, roles):
        yield sweep(
            (part.ref,),
            "leaky",
            "ohm",
            BYPASS_SWEEP_OHM,
            partial(_bypass_fault, part, bypassed, tubes, "leaky"),
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


def _bypass_fault(
    part: Part, bypassed: tuple[Part, ...], tubes: tuple[str, ...], kind: str, ohm: float
) -> Fault:
    defect = Defect(ohm, "ohm")
    place = f"the cathode bypass of {joined(tubes)}"
    resistors = joined([each.ref for each in bypassed], "the cathode resistor")
    happened = "is shorted" if kind == "shorted" else f"leaks {defect.text}"
    return make_fault(
        [part.ref],
        kind,
        [across(part, ohm)],
        BYPASS_SHORTED if kind == "shorted" else BYPASS_LEAKY,
        summary=f"{part.ref}, {place}, {happened} beside {resistors}.",
        measure=f"{POWER_OFF}, {joined(tubes)} out: measure across {part.ref}, then again with "
        f"one end lifted; only the second reading shows {resistors} alone.",
        defect=defect,
        only_size=kind == "shorted",
    )


KINDS: tuple[FaultKind, ...] = (
    FaultKind(
        name="coupling_capacitor",
        search=Found(_coupler, _coupler_swept),
        title="Leaky, shorted or open coupling capacitor",
        does="The capacitor between a plate (or a cathode) and the next grid lets direct current "
        "through, so the high plate voltage pulls the next grid positive.",
        why="A less negative grid means more plate current. Ten megohms into a 220 kohm grid leak "
        "already move the grid by several volts; at 1 Mohm the grid sits near zero and the tube, "
        "its half of the output transformer and its cathode resistor burn.",
        limits="Real leaks grow with voltage and warmth; the model's is constant. Leakage over a "
        "socket looks alike (`socket_leak`). A capacitor at the input is listed where its grid "
        "has bias of its own, which the source before it would take away.",
        examples=("C3/leaky@2Mohm",),
        model="A resistor across the capacitor, from the feeding plate or cathode to the grid "
        "side.",
        defects="Leaks of 1, 2, 5, 10, 20, 50, 100, 200 and 500 Mohm; a short of 0.1 ohm; open; "
        "swept from 10 Gohm to 100 kohm.",
        likelihood="Leak: very common in paper or over 40 years old, rare in film, else common. "
        "Short and open: occasional.",
        readings="Grid less negative than its bias feed, a drop across the grid leak, one side "
        "only; the voltage stays when the fed tube is pulled.",
        next_step="Fed tube out, power on: measure its grid pin with a 10 Mohm meter; then, power "
        "off, lift the grid end of the capacitor and test it at working voltage.",
        source="common practice; failure modes of capacitors: FMD-91, from memory",
        group="capacitors",
        body="capacitor",
        words=(
            Word("leaky", "common", "wear", grows="leak", gives_up=True),
            Word("shorted", "occasional", "wear", gives_up=True),
            Word("open", "occasional", "chance", unsoldered=True),
        ),
        signs=(Sign("partner", HEATS, PRACTICE, "open"),),
    ),
    FaultKind(
        name="cathode_bypass",
        search=Found(_bypass, _bypass_swept),
        title="Shorted, leaky, dried-out or open cathode bypass capacitor",
        does="The electrolytic across a cathode resistor carries part or all of the current that "
        "should set the bias.",
        why="With the cathode at ground the tube runs at zero bias, at several times its idle "
        "current; the cathode resistor meanwhile stays cold and measures good.",
        limits="Lost capacitance changes no direct voltage: it shows only when driven. The leak "
        "is constant, though a real one grows with voltage and warmth.",
        examples=(
            "C5/shorted",
            "C5/leaky@470ohm",
        ),
        model="A resistor across the capacitor; the cathode resistor itself stays sound.",
        defects="A short of 0.1 ohm; leaks of 0.2 to 20 times the cathode resistor within 50 ohm "
        "to 10 kohm; 30 % of its capacitance; open; swept from 1 Mohm to 0.1 ohm.",
        likelihood="Short, leak and drying out common (electrolytics beside hot tubes), open "
        "occasional.",
        readings="Cathode voltage low or zero while the tube draws more; the cathode resistor is "
        "cold and, lifted, measures good.",
        next_step="Power off, capacitors discharged, tube out: measure across the capacitor, then "
        "again with one end lifted.",
        source="common practice; failure modes of electrolytics: FMD-91, from memory",
        group="capacitors",
        body="capacitor",
        words=(
            Word("shorted", "common", "wear", gives_up=True),
            Word("leaky", "common", "wear", grows="leak", gives_up=True),
            Word("dried", "common", "wear"),
            Word("open", "occasional", "chance", unsoldered=True),
        ),
        signs=(
            VENTS,
            Sign("hum", 0.25, f"{PRACTICE}: a bare cathode passes heater leakage on", "dried open"),
        ),
    ),
)
