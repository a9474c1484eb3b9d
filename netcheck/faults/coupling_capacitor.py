"""Leaky, shorted or open coupling capacitor.

What it does:
    The capacitor between a plate (or a cathode) and the next grid lets direct
    current through, so the high plate voltage pulls the next grid positive.
Why it overheats something:
    A less negative grid means more plate current.  Ten megohms into a 220 kohm grid
    leak already move the grid by several volts; at 1 Mohm the grid sits near zero and
    the tube, its half of the output transformer and its cathode resistor burn.
How it is modelled:
    A resistor across the capacitor, which itself stays: 1 to 500 Mohm for a leak,
    0.1 ohm for a short.  The tube's own grid current clamps the grid.  An open one keeps
    a thousandth of its capacitance.
Known limits:
    Real leaks grow with voltage and warmth; the model's is constant.  Leakage over a
    socket looks alike (`socket_leak.py`).  A capacitor at the input is listed where its
    grid has bias of its own, which the source before it would take away.
Example:
    `C3/leaky@2Mohm`: C3 leaks 2 Mohm from the plate of V2 to the grid of V3.
References:
    Share of shorts among failed paper capacitors 63 %, plastic film 40 %: FMD-91,
    from memory.  Leak values worth trying, and 50 to 100 Mohm as the service limit of
    an output coupler: common practice.
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
    Likelihood,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.capacitors import OPEN, lost_capacitance
from netcheck.faults.common import (
    POWER_OFF,
    across,
    electrodes_on,
    fault_id,
    grids_fed_by,
    joined,
    make_fault,
    parts_with_role,
)
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

NAME = "coupling_capacitor"
LEAKS_OHM = (1e6, 2e6, 5e6, 10e6, 20e6, 50e6, 100e6, 200e6, 500e6)
SWEEP_OHM = (10e9, 100e3)
OLD_YEARS = 40.0
PAPER = ("paper", "oil")
SOUND = ("film", "poly", "mylar", "ptfe", "teflon", "mica", "ceramic")

SHORT_LIKELIHOOD = likelihood(
    "occasional",
    "common practice; shorts are 63 % of paper and 40 % of film capacitor failures "
    "(FMD-91, from memory)",
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the leaks and the short of every coupler fed by a plate or a cathode."""
    for coupler in _couplers(circuit, roles):
        for ohm in LEAKS_OHM:
            yield _leak(circuit, roles, coupler, ohm)
        yield _short(circuit, roles, coupler)
        job = f"the coupling capacitor {_path(circuit, roles, coupler)}"
        yield from lost_capacitance(NAME, coupler, job, OPEN, None)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak of every coupler from a sound part down to a bad one."""
    for coupler in _couplers(circuit, roles):
        yield ContinuousFault(
            id=fault_id([coupler.ref], "leaky"),
            parts=(coupler.ref,),
            kind="leaky",
            unit="ohm",
            from_value=SWEEP_OHM[0],
            to_value=SWEEP_OHM[1],
            logarithmic=True,
            make=partial(_leak, circuit, roles, coupler),
            family=NAME,
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


def _leak(circuit: Circuit, roles: Roles, part: Part, ohm: float) -> Fault:
    defect = Defect(ohm, "ohm")
    return make_fault(
        NAME,
        [part.ref],
        "leaky",
        [across(part, ohm)],
        leak_likelihood(part),
        summary=f"{part.ref} leaks {defect.text} {_path(circuit, roles, part)}.",
        measure=_measure(circuit, roles, part),
        defect=defect,
    )


def _short(circuit: Circuit, roles: Roles, part: Part) -> Fault:
    return make_fault(
        NAME,
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


COUPLING_CAPACITOR = FaultKind(
    name=NAME,
    title="Leaky, shorted or open coupling capacitor",
    model="A resistor across the capacitor, from the feeding plate or cathode to the grid side.",
    defects="Leaks of 1, 2, 5, 10, 20, 50, 100, 200 and 500 Mohm; a short of 0.1 ohm; "
    "open; swept from 10 Gohm to 100 kohm.",
    likelihood="Leak: very common in paper or over 40 years old, rare in film, else common. "
    "Short and open: occasional.",
    readings="Grid less negative than its bias feed, a drop across the grid leak, one side only; "
    "the voltage stays when the fed tube is pulled.",
    next_step="Fed tube out, power on: measure its grid pin with a 10 Mohm meter; then, power off, "
    "lift the grid end of the capacitor and test it at working voltage.",
    source="common practice; failure modes of capacitors: FMD-91, from memory",
    find=find,
    continuous=continuous,
    body="capacitor",
    words=(
        Word("leaky", "common", "wear", grows="leak", gives_up=True),
        Word("shorted", "occasional", "wear", gives_up=True),
        Word("open", "occasional", "chance", unsoldered=True),
    ),
    signs=(Sign("partner", HEATS, PRACTICE, "open"),),
    group="capacitors",
)
