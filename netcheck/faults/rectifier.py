"""Rectifier exchanged for another, worn, open or shorted.

What it does:
    A rectifier tube is replaced by one with less drop, or by silicon; or the rectifier
    wears, opens or shorts.
Why it overheats something:
    Less drop means more B+ on everything, 12 to 18 % where silicon takes the place of a
    high-drop tube, and no warm-up delay, so that the capacitors see the full peak before
    the tubes draw. A worn rectifier only lowers B+.
How it is modelled:
    A rectifier in the netlist is exchanged, bridged by 1 ohm, or opened. Where the netlist
    has a source and a resistance in its place, silicon leaves a fifth of the resistance and
    5 % more of the source, and a worn rectifier doubles the resistance.
Known limits:
    The 5 % and the fifth are an estimate from the drop of a high-drop tube, and hold only
    where the resistance stood for a rectifier tube. Ripple is not modelled.
Example:
    `RSRC/silicon_rectifier`, `RSRC/worn_rectifier`.
References:
    Drop at 125 mA a plate: 60 V for a 5Y3GT, 11 V for a GZ34 (sheets, as quoted, and the
    3/2 law), about 1 V for silicon (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from netcheck.circuit.changes import (
    OPEN_OHM,
    AddResistor,
    Change,
    Reconnect,
    ReplaceTube,
    ScaleEmission,
    SetValue,
)
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
from netcheck.tubes.substitutes import substitutes_for

NAME = "rectifier"
BRIDGE_OHM = 1.0
SILICON_SHARE = 0.2
SILICON_RISE = 1.05
WORN = 2.0
"""A worn rectifier drops twice its volts."""
CHILD = 1.5
"""Current goes with this power of the drop (Child's law)."""
STANDS_FOR_OHM = (20.0, 1e3)
"""What may stand for a rectifier tube: less is a winding's wire, more a dropper."""

SILICON = likelihood("occasional", "common practice: silicon fitted in place of a rectifier tube")
AGED = likelihood("common", "common practice: rectifier tubes wear")
OPEN = likelihood(
    "occasional", "common practice; open is 29 % of diode failures (FMD-91, from memory)"
)
SHORTED = likelihood(
    "occasional", "common practice; a short is 51 % of diode failures (FMD-91, from memory)"
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what is wrong with rectifiers, or with the resistance in their place."""
    for tube in _rectifier_tubes(circuit, roles):
        yield from _tube_faults(tube)
    refs = dict.fromkeys(role.part for role in roles.named(RoleName.RECTIFIER_DIODE))
    for ref in refs:
        if ref in circuit.parts and circuit[ref].kind == "diode":
            yield from _diode_faults(circuit[ref])
    for part, _ in parts_with_role(circuit, roles, "resistor", RoleName.SUPPLY_RESISTANCE):
        source = _source(circuit, part)
        least, most = STANDS_FOR_OHM
        if source is not None and least <= (part.value or 0.0) <= most:
            yield from _in_place_of(part, source)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """What has a size here is the mains'."""
    yield from ()


def _rectifier_tubes(circuit: Circuit, roles: Roles) -> Iterator[Part]:
    for ref in dict.fromkeys(role.part for role in roles.named(RoleName.RECTIFIER_TUBE)):
        part = circuit.parts.get(ref)
        if part is not None and part.kind == "tube" and part.has_pin("cathode"):
            yield part


def _source(circuit: Circuit, part: Part) -> Part | None:
    return next(
        (
            other
            for net in part.nets
            for other in circuit.parts_on[net]
            if other.kind == "voltage_source" and other.value
        ),
        None,
    )


def _tube_faults(tube: Part) -> Iterator[Fault]:
    plates = [pin for pin in tube.pins if pin.name not in ("cathode", "grid", "heater")]
    bridges = [
        AddResistor(f"{tube.ref}.{pin.name}", pin.net, tube.net("cathode"), BRIDGE_OHM)
        for pin in plates
    ]
    yield _fault(tube, "silicon_rectifier", bridges, SILICON, "was replaced by silicon")
    worn = [ScaleEmission(tube.ref, WORN**-CHILD)]
    yield _fault(tube, "worn_rectifier", worn, AGED, "has worn: it drops twice its volts")
    for other in substitutes_for(tube.tube.name) if tube.tube else ():
        if other.same_pins:
            chance = likelihood(other.likelihood, other.source)
            change = ReplaceTube(tube.ref, other.type)
            happened = f"was replaced by a {other.type}"
            yield _fault(tube, "wrong_type", [change], chance, happened, other.type)


def _diode_faults(diode: Part) -> Iterator[Fault]:
    anode, cathode = diode.nets
    inner = f"{diode.ref}.anode"
    opened: list[Change] = [
        Reconnect(diode.ref, "anode", inner),
        AddResistor(f"{diode.ref}.break", anode, inner, OPEN_OHM),
    ]
    bridge = AddResistor(f"{diode.ref}.leak", anode, cathode, BRIDGE_OHM)
    yield _fault(diode, "open", opened, OPEN, "is open")
    yield _fault(diode, "shorted", [bridge], SHORTED, "is shorted")


def _in_place_of(part: Part, source: Part) -> Iterator[Fault]:
    ohm, volts = part.value or 0.0, source.value or 0.0
    silicon = [SetValue(part.ref, ohm * SILICON_SHARE), SetValue(source.ref, volts * SILICON_RISE)]
    happened = "stands for a rectifier tube, which was replaced by silicon"
    yield _fault(part, "silicon_rectifier", silicon, SILICON, happened)
    worn = [SetValue(part.ref, ohm * WORN)]
    yield _fault(part, "worn_rectifier", worn, AGED, "stands for a rectifier, which has worn")


def _fault(
    part: Part,
    kind: str,
    changes: Sequence[Change],
    chance: Likelihood,
    happened: str,
    tube_type: str = "",
) -> Fault:
    return make_fault(
        NAME,
        [part.ref],
        kind,
        changes,
        chance,
        summary=f"{part.ref} {happened}.",
        measure=f"{POWER_OFF}: look at what is fitted as the rectifier in the place of {part.ref} "
        "and read its type, before the B+ is compared with the chart.",
        tube_type=tube_type,
    )


RECTIFIER = FaultKind(
    name=NAME,
    title="Rectifier exchanged, weak or shorted",
    model="A rectifier in the netlist is exchanged, bridged by 1 ohm, or opened. Where the "
    "netlist has a source and a resistance in its place, silicon leaves a fifth of "
    "the resistance and 5 % more of the source, and a worn rectifier doubles the "
    "resistance.",
    defects="Silicon, worn, other types that fit the socket, open, shorted.",
    likelihood="Worn common; silicon, open and shorted occasional; other types by the table of "
    "substitutes.",
    readings="B+ high with healthy tubes (silicon, a type with less drop), or low with all "
    "droppers in proportion (worn).",
    next_step="Power off: read what is fitted; then compare B+ with the chart at the stated mains.",
    source="common practice; sheets of rectifiers, as quoted",
    find=find,
    continuous=continuous,
    body="rectifier",
    words=(
        Word("silicon_rectifier", "occasional", "exchange", ripple="source"),
        Word("worn_rectifier", "common", "wear", ripple="source"),
        Word("wrong_type", "occasional", "exchange", ripple="source"),
        Word("open", "occasional", "chance", ripple="half_wave"),
        Word("shorted", "occasional", "chance", ripple="source"),
    ),
    exchange="tube",
    signs=(
        Sign("blows", 0.8, f"{PRACTICE}: alternating volts on the reservoir", "shorted"),
        Sign("hum", 0.7, f"{PRACTICE}: one rectifier open leaves half waves", "open"),
        Sign("hum", 0.7, f"{PRACTICE}: alternating volts on the reservoir", "shorted"),
        Sign("hum", 0.15, PRACTICE, "worn_rectifier"),
        Sign(
            "new_capacitors",
            1.5,
            f"{PRACTICE}: a larger reservoir burdens the rectifier",
            causes=("chance", "wear"),
        ),
        Sign(
            "new_rectifier",
            6.0,
            f"{PRACTICE}: silicon or another type in place of a rectifier tube",
            causes=("exchange",),
        ),
        Sign("new_rectifier", 0.25, f"{PRACTICE}: what is new has not worn yet", causes=("wear",)),
    ),
    group="mains and supply",
)
