"""Mains and rectifiers: what feeds the set.

Comes in: a circuit and its roles.  Goes out: mains high and low, exchanged, worn, open and
shorted rectifiers.

References.  230 V +-10 %: IEC 60038 and EN 50160. 120 V +-5 %: ANSI C84.1. 240 V on the tap for
220 V, or 120 V on 110 V: 109 %; 253 V on 220 V: 115 %.  Drop at 125 mA a plate: 60 V for a 5Y3GT,
11 V for a GZ34 (sheets, as quoted, and the 3/2 law), about 1 V for silicon (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from netcheck.circuit.changes import (
    OPEN_OHM,
    AddResistor,
    Change,
    Reconnect,
    ReplaceTube,
    ScaleEmission,
    SetValue,
)
from netcheck.circuit.model import Circuit, Part, natural_key
from netcheck.faults.base import (
    NEW_IS_NOT_WORN,
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
from netcheck.faults.common import (
    POWER_OFF,
    make_fault,
    parts_with_role,
    sweep,
)
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName
from netcheck.tubes.substitutes import substitutes_for

HIGH_PERCENT = (105.0, 110.0, 115.0)
LOW_PERCENT = (90.0,)
TAP_PERCENT = (109.0, 92.0)
SWEEP_PERCENT = (100.0, 150.0)
MAINS_HIGH = likelihood(
    "very_common", "common practice: old sets on today's mains; IEC 60038 allows 110 %"
)
FAR_MAINS = likelihood("occasional", "253 V on a set for 220 V: IEC 60038 and common practice")
MAINS_LOW = likelihood("common", "IEC 60038 and ANSI C84.1 allow it")
WRONG_TAP = likelihood("common", "common practice: selector or tap left as it was")
FAR_PERCENT = 112.0


def _mains_moved(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List mains and taps, high and low."""
    sources = _sources(circuit, roles)
    if not sources:
        return
    for percent in HIGH_PERCENT:
        yield _mains(sources, "mains_high", percent)
    for percent in LOW_PERCENT:
        yield _mains(sources, "mains_low", percent)
    for percent in TAP_PERCENT:
        yield _mains(sources, "wrong_tap", percent)


def _mains_moved_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the mains up to half as much again."""
    sources = _sources(circuit, roles)
    if sources:
        refs = tuple(part.ref for part in sources)
        yield sweep(
            refs,
            "mains_high",
            "%",
            SWEEP_PERCENT,
            partial(_mains, sources, "mains_high"),
            linear=True,
        )


def _sources(circuit: Circuit, roles: Roles) -> tuple[Part, ...]:
    """Return the sources that the mains move."""
    sources = [part for part in circuit.of_kind("voltage_source") if part.value]
    marked = [part for part in sources if part.note.follows_mains]
    if not marked:
        refs = {role.part for role in roles.named(RoleName.SUPPLY_SOURCE, RoleName.BIAS_SOURCE)}
        marked = [part for part in sources if part.ref in refs]
    return tuple(sorted(marked, key=lambda part: natural_key(part.ref)))


def _mains(sources: tuple[Part, ...], kind: str, percent: float) -> Fault:
    happened = (
        "The mains transformer is on a tap that makes everything"
        if kind == "wrong_tap"
        else "The mains stand at"
    )
    end = " of what it should be" if kind == "wrong_tap" else " of what the set was made for"
    refs = [part.ref for part in sources]
    return make_fault(
        refs,
        kind,
        [SetValue(part.ref, (part.value or 0.0) * percent / 100.0) for part in sources],
        _chance(kind, percent),
        summary=f"{happened} {percent:.4g} %{end}.",
        measure="Chassis closed, power on: measure the mains at the outlet and compare with the "
        f"type plate and the tap, since {'+'.join(refs)} and the heaters all follow.",
        defect=Defect(percent, "%"),
    )


def _chance(kind: str, percent: float) -> Likelihood:
    if kind == "wrong_tap":
        return WRONG_TAP
    if kind == "mains_low":
        return MAINS_LOW
    return FAR_MAINS if percent > FAR_PERCENT else MAINS_HIGH


BRIDGE_OHM = 1.0
SILICON_SHARE = 0.2
SILICON_RISE = 1.05
WORN_DROP = 2.0
"""A worn rectifier drops twice its volts."""
CHILD = 1.5
"""Current goes with this power of the drop (Child's law)."""
STANDS_FOR_OHM = (20.0, 1e3)
"""What may stand for a rectifier tube: less is a winding's wire, more a dropper."""
SILICON = likelihood("occasional", "common practice: silicon fitted in place of a rectifier tube")
AGED = likelihood("common", "common practice: rectifier tubes wear")
DIODE_OPEN = likelihood(
    "occasional", "common practice; open is 29 % of diode failures (FMD-91, from memory)"
)
DIODE_SHORTED = likelihood(
    "occasional", "common practice; a short is 51 % of diode failures (FMD-91, from memory)"
)


def _rectifiers(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what is wrong with rectifiers, or with the resistance in their place."""
    for tube in _rectifier_tubes(circuit, roles):
        yield from _tube_faults(tube)
    refs = dict.fromkeys(role.part for role in roles.named(RoleName.RECTIFIER_DIODE))
    for ref in refs:
        if ref in circuit.parts and circuit[ref].kind == "diode":
            yield from _diode_faults(circuit[ref])
    for part, _ in parts_with_role(circuit, roles, "resistor", RoleName.SUPPLY_RESISTANCE):
        source = _source_at(circuit, part)
        least, most = STANDS_FOR_OHM
        if source is not None and least <= (part.value or 0.0) <= most:
            yield from _in_place_of(part, source)


def _rectifier_tubes(circuit: Circuit, roles: Roles) -> Iterator[Part]:
    for ref in dict.fromkeys(role.part for role in roles.named(RoleName.RECTIFIER_TUBE)):
        part = circuit.parts.get(ref)
        if part is not None and part.kind == "tube" and part.has_pin("cathode"):
            yield part


def _source_at(circuit: Circuit, part: Part) -> Part | None:
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
    yield _rectifier_fault(tube, "silicon_rectifier", bridges, SILICON, "was replaced by silicon")
    worn = [ScaleEmission(tube.ref, WORN_DROP**-CHILD)]
    yield _rectifier_fault(tube, "worn_rectifier", worn, AGED, "has worn: it drops twice its volts")
    for other in substitutes_for(tube.tube.name) if tube.tube else ():
        if other.same_pins:
            chance = likelihood(other.likelihood, other.source)
            change = ReplaceTube(tube.ref, other.type)
            happened = f"was replaced by a {other.type}"
            yield _rectifier_fault(tube, "wrong_type", [change], chance, happened, other.type)


def _diode_faults(diode: Part) -> Iterator[Fault]:
    anode, cathode = diode.nets
    inner = f"{diode.ref}.anode"
    opened: list[Change] = [
        Reconnect(diode.ref, "anode", inner),
        AddResistor(f"{diode.ref}.break", anode, inner, OPEN_OHM),
    ]
    bridge = AddResistor(f"{diode.ref}.leak", anode, cathode, BRIDGE_OHM)
    yield _rectifier_fault(diode, "open", opened, DIODE_OPEN, "is open")
    yield _rectifier_fault(diode, "shorted", [bridge], DIODE_SHORTED, "is shorted")


def _in_place_of(part: Part, source: Part) -> Iterator[Fault]:
    ohm, volts = part.value or 0.0, source.value or 0.0
    silicon = [SetValue(part.ref, ohm * SILICON_SHARE), SetValue(source.ref, volts * SILICON_RISE)]
    happened = "stands for a rectifier tube, which was replaced by silicon"
    yield _rectifier_fault(part, "silicon_rectifier", silicon, SILICON, happened)
    worn = [SetValue(part.ref, ohm * WORN_DROP)]
    yield _rectifier_fault(
        part, "worn_rectifier", worn, AGED, "stands for a rectifier, which has worn"
    )


def _rectifier_fault(
    part: Part,
    kind: str,
    changes: Sequence[Change],
    chance: Likelihood,
    happened: str,
    tube_type: str = "",
) -> Fault:
    return make_fault(
        [part.ref],
        kind,
        changes,
        chance,
        summary=f"{part.ref} {happened}.",
        measure=f"{POWER_OFF}: look at what is fitted as the rectifier in the place of {part.ref} "
        "and read its type, before the B+ is compared with the chart.",
        tube_type=tube_type,
    )


KINDS: tuple[FaultKind, ...] = (
    FaultKind(
        name="mains",
        search=Found(_mains_moved, _mains_moved_swept),
        title="Mains too high or too low, or the wrong tap",
        does="The mains are above what the set was made for, or the transformer is wired for a "
        "lower mains voltage.",
        why="Everything scales together: tube current goes with about the power 1.5 of the volts "
        "and dissipation with 2.5, somewhat less under cathode bias. Capacitors near their rating "
        "go over it.",
        limits="Heaters rise too. Ten percent of heater volts act like 0.1 V at the grid (from "
        "memory), which is left out; it shortens the tubes' life. A set for 115 V on 230 V blows "
        "its fuse and is not solved.",
        examples=(
            "VHT+VNEG/mains_high@110%",
            "VHT+VNEG/wrong_tap@109%",
        ),
        model="All sources that are marked `follows_mains` are scaled; where none is marked, all "
        "supply and bias sources.",
        defects="105, 110, 115 and 90 % of the mains; taps that give 109 and 92 %; swept to 150 %.",
        likelihood="High very common, 115 % occasional; low and a wrong tap common.",
        readings="All volts, heaters included, off by one factor.",
        next_step="Measure the mains at the outlet, compare with the type plate and the tap; then "
        "measure the heaters.",
        source="IEC 60038, EN 50160, ANSI C84.1; common practice",
        group="mains and supply",
        body="source",
        words=(
            Word("mains_high", "very_common", "use", ripple="source"),
            Word("mains_low", "common", "use", starves=True, ripple="source"),
            Word("wrong_tap", "common", "assembly", ripple="source"),
        ),
        powered_only=True,
    ),
    FaultKind(
        name="rectifier",
        search=Found(_rectifiers),
        title="Rectifier exchanged, weak or shorted",
        does="A rectifier tube is replaced by one with less drop, or by silicon; or the rectifier "
        "wears, opens or shorts.",
        why="Less drop means more B+ on everything, 12 to 18 % where silicon takes the place of a "
        "high-drop tube, and no warm-up delay, so that the capacitors see the full peak before "
        "the tubes draw. A worn rectifier only lowers B+.",
        limits="The 5 % and the fifth are an estimate from the drop of a high-drop tube, and hold "
        "only where the resistance stood for a rectifier tube. Ripple is not modelled.",
        examples=(
            "RSRC/silicon_rectifier",
            "RSRC/worn_rectifier",
        ),
        model="A rectifier in the netlist is exchanged, bridged by 1 ohm, or opened. Where the "
        "netlist has a source and a resistance in its place, silicon leaves a fifth of the "
        "resistance and 5 % more of the source, and a worn rectifier doubles the resistance.",
        defects="Silicon, worn, other types that fit the socket, open, shorted.",
        likelihood="Worn common; silicon, open and shorted occasional; other types by the table "
        "of substitutes.",
        readings="B+ high with healthy tubes (silicon, a type with less drop), or low with all "
        "droppers in proportion (worn).",
        next_step="Power off: read what is fitted; then compare B+ with the chart at the stated "
        "mains.",
        source="common practice; sheets of rectifiers, as quoted",
        group="mains and supply",
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
            Sign("new_rectifier", 0.25, NEW_IS_NOT_WORN, causes=("wear",)),
        ),
    ),
)
