"""Windings of the output transformer: shorted turns, broken wires, leaks to the core.

Comes in: a circuit and its roles.  Goes out: faults of each winding, and one `Half` for each
plate winding, with the segments in order from the plate, their share of the half's turns
(turns go with the square root of inductance on one core) and the resistance of the wire.

The wire resistance is the part note's `dcr=`, else that of a resistor recognised as
the winding's wire, else an estimate: 2 % of the load the whole primary reflects,
shared out by turns.  The rule is an assumption; a push-pull transformer for 6.6 or
8 kohm with 141 ohm in its whole primary (a maker's sheet, as quoted) has 1.8 to 2.1 %.
Where no speaker load is known, 100 ohm a half (common practice: 50 to 500 ohm).

References.  Share of shorts among failed transformers and coils 42 %: FMD-91, from memory. Audio
transformer 0.015 failures per million hours, ground benign: MIL-HDBK-217F Notice 2, appendix A,
as quoted in a public copy.  Open windings are 42 % of transformer and coil failures: FMD-91, from
memory. A single-ended primary often opens after a leaky coupling capacitor: common practice.
Sound insulation is 10 Mohm or more at 500 V: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from math import sqrt

from netcheck.circuit.changes import OPEN_OHM, AddResistor, Change, SetValue, SetWire, ShortTurns
from netcheck.circuit.model import GROUND, Circuit, Part, natural_key
from netcheck.faults.base import (
    BURNT_WINDING,
    HEATS,
    PRACTICE,
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Found,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import (
    POWER_OFF,
    joined,
    make_fault,
    served_tubes,
    sweep,
)
from netcheck.roles.base import OutputTransformer, Roles
from netcheck.roles.table import RoleName

DCR_SHARE_OF_LOAD = 0.02
DCR_FALLBACK_OHM = 100.0


@dataclass(frozen=True, slots=True)
class Half:
    """The plate winding of one tube, or of tubes in parallel.

    segments: windings from the plate inward; turn_share: their shares of the half's
    turns, summing to 1.  wire: resistors that stand for the wire, if any.
    dcr_ohm: of the whole half; estimated: whether by the rule.
    """

    tubes: tuple[str, ...]
    segments: tuple[str, ...]
    turn_share: tuple[float, ...]
    wire: tuple[str, ...]
    dcr_ohm: float
    estimated: bool


def halves(circuit: Circuit, roles: Roles) -> tuple[Half, ...]:
    """Return the plate windings of all output transformers, each once."""
    found: list[Half] = []
    for transformer in roles.transformers:
        tubes: dict[tuple[str, ...], list[str]] = {}
        for tube, segments in transformer.primaries.items():
            if segments and all(_is_winding(circuit, ref) for ref in segments):
                tubes.setdefault(tuple(segments), []).append(tube)
        for segments, refs in tubes.items():
            served = tuple(sorted(refs, key=natural_key))
            found.append(_half(circuit, roles, transformer, segments, served))
    return tuple(found)


def estimated_wires(circuit: Circuit, roles: Roles) -> tuple[str, ...]:
    """Return one sentence for each plate winding whose wire resistance is an estimate."""
    return tuple(
        f"{', '.join(half.segments)}: no dcr= in the note; the wire of its turns, where they are "
        f"shorted, is taken as {half.dcr_ohm:.3g} ohm in all, {100.0 * DCR_SHARE_OF_LOAD:g} % of "
        "the load it reflects (estimate)"
        for half in halves(circuit, roles)
        if half.estimated
    )


def _is_winding(circuit: Circuit, ref: str) -> bool:
    part = circuit.parts.get(ref)
    return part is not None and part.kind == "inductor" and (part.value or 0.0) > 0.0


def _half(
    circuit: Circuit,
    roles: Roles,
    transformer: OutputTransformer,
    segments: tuple[str, ...],
    tubes: tuple[str, ...],
) -> Half:
    turns = [_turns(circuit[ref]) for ref in segments]
    total = sum(turns)
    shares = tuple(each / total for each in turns)
    wire = _wire_resistors(circuit, roles, transformer.center_tap, segments)
    noted = [
        (circuit[ref].note.dcr_ohm, share) for ref, share in zip(segments, shares, strict=True)
    ]
    known = [(ohm, share) for ohm, share in noted if ohm]
    if known:
        dcr = sum(ohm for ohm, _ in known) / sum(share for _, share in known)
    elif wire:
        dcr = sum(circuit[ref].value or 0.0 for ref in wire)
    else:
        dcr = _estimated_dcr(circuit, transformer, total)
    return Half(tubes, segments, shares, wire, dcr, not known and not wire)


def _turns(winding: Part) -> float:
    """Return a number in proportion to the winding's turns."""
    return sqrt(winding.value or 0.0)


def _wire_resistors(
    circuit: Circuit, roles: Roles, center_tap: str, segments: Sequence[str]
) -> tuple[str, ...]:
    """Return the resistors that stand for the wire of these segments.

    A role that names one of the segments decides; else the resistor must share a net
    with a segment and with no other winding.
    """
    named = [
        role
        for role in roles.named(RoleName.WIRE_RESISTANCE)
        if role.part in circuit.parts and circuit[role.part].kind == "resistor"
    ]
    chosen = {role.part for role in named if role.of in segments}
    if not chosen:
        own = {net for ref in segments for net in circuit[ref].nets}
        windings = [part for part in circuit.of_kind("inductor") if part.ref not in segments]
        others = {net for part in windings for net in part.nets}
        refs = {part.ref for part in windings}
        for role in named:
            part = circuit[role.part]
            # At the center tap, a resistor that leads to another winding is that one's wire.
            mine = [
                net
                for net in part.nets
                if net in own - others and not (net == center_tap and part.other_net(net) in others)
            ]
            if mine and role.of not in refs:
                chosen.add(part.ref)
    return tuple(sorted(chosen, key=natural_key))


def _estimated_dcr(circuit: Circuit, transformer: OutputTransformer, half_turns: float) -> float:
    """Return 2 % of the reflected load, shared out by turns; see the module's rule."""
    speaker = circuit.parts.get(transformer.speaker or "")
    load_ohm = (speaker.value or 0.0) if speaker else 0.0
    secondary = _secondary_turns(circuit, transformer, speaker)
    if load_ohm <= 0.0 or secondary <= 0.0:
        return DCR_FALLBACK_OHM
    windings = {tuple(segments) for segments in transformer.primaries.values()}
    primary = sum(
        _turns(circuit[ref]) for group in windings for ref in group if ref in circuit.parts
    )
    reflected_ohm = load_ohm * (primary / secondary) ** 2
    return DCR_SHARE_OF_LOAD * reflected_ohm * half_turns / primary


def _secondary_turns(
    circuit: Circuit, transformer: OutputTransformer, speaker: Part | None
) -> float:
    """Return the turns the speaker hangs on: one winding, or several in series."""
    windings = [circuit[ref] for ref in transformer.secondaries if _is_winding(circuit, ref)]
    across = [part for part in windings if speaker and set(part.nets) == set(speaker.nets)]
    return sum(_turns(part) for part in across[:1] or windings)


SHARES_PERCENT = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
TURNS_SWEEP_PERCENT = (0.1, 50.0)
FULL_SEGMENT = 0.95
"""A short may take this share of one segment; a larger one is spread."""
SHORTED_TURNS = likelihood(
    "occasional",
    "common practice; 42 % of transformer and coil failures are shorts (FMD-91, from memory), "
    "at 0.015 failures per million hours (MIL-HDBK-217F Notice 2, as quoted)",
)


def _winding_shorts(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the shorted shares of every half."""
    for half in halves(circuit, roles):
        for percent in SHARES_PERCENT:
            yield _shorted_turns(circuit, half, percent)


def _winding_shorts_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the shorted share of every half."""
    for half in halves(circuit, roles):
        yield sweep(
            half.segments,
            "shorted_turns",
            "%",
            TURNS_SWEEP_PERCENT,
            partial(_shorted_turns, circuit, half),
        )


def _shorted_turns(circuit: Circuit, half: Half, percent: float) -> Fault:
    defect = Defect(percent, "%")
    share = percent / 100.0
    tubes = joined(half.tubes)
    return make_fault(
        half.segments,
        "shorted_turns",
        [*_shorts(half, share), *_less_wire(circuit, half, share)],
        SHORTED_TURNS,
        summary=f"{defect.text} of the turns of the plate winding of {tubes} "
        f"({_winding(half)}) are shorted.",
        measure=f"{POWER_OFF}, output tubes and speaker off: put a few volts at 1 kHz across the "
        f"whole primary; shorted turns in {_winding(half)} make it draw far more current than a "
        "sound one, though its resistance hardly differs.",
        defect=defect,
    )


def _winding(half: Half) -> str:
    return joined(half.segments)


def _shorts(half: Half, share: float) -> tuple[ShortTurns, ...]:
    """Put the short nearest the plate, or spread it where it does not fit there."""
    nearest = share / half.turn_share[0]
    if nearest <= FULL_SEGMENT:
        return (ShortTurns(half.segments[0], nearest, half.dcr_ohm * half.turn_share[0]),)
    return tuple(
        ShortTurns(segment, share, half.dcr_ohm * turns)
        for segment, turns in zip(half.segments, half.turn_share, strict=True)
    )


def _less_wire(circuit: Circuit, half: Half, share: float) -> tuple[Change, ...]:
    """Take the shorted turns' wire out of resistors that stand for the wire."""
    return tuple(SetValue(ref, (circuit[ref].value or 0.0) * (1.0 - share)) for ref in half.wire)


BROKEN = likelihood(
    "occasional",
    "common practice, after an overload; open is 42 % of transformer and coil failures "
    "(FMD-91, from memory)",
)


def _broken(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List every segment of every plate winding, and the interstage windings."""
    for half in halves(circuit, roles):
        for segment in half.segments:
            yield _broken_winding(segment, f"the plate winding of {joined(half.tubes)}")
    refs = {role.part for role in roles.named(RoleName.INTERSTAGE_TRANSFORMER)}
    for ref in sorted(refs & set(circuit.parts), key=natural_key):
        if circuit[ref].kind == "inductor":
            tubes = served_tubes(circuit, roles.of_part(ref))
            yield _broken_winding(ref, f"an interstage winding of {joined(tubes)}")


def _broken_winding(winding: str, place: str) -> Fault:
    return make_fault(
        [winding],
        "winding_open",
        [SetWire(winding, OPEN_OHM)],
        BROKEN,
        summary=f"The wire of {winding}, {place}, is broken.",
        measure=f"{POWER_OFF}, output tubes out: measure the resistance of {winding}; a sound "
        "plate winding has tens to hundreds of ohms, and the two halves differ by 5 to 15 %.",
    )


CORE_LEAKS_OHM = (1e3, 10e3, 100e3)
CORE_SWEEP_OHM = (100e6, 1e3)
CORE_LEAKY = likelihood("rare", "common practice: damp or overheated transformers")


def _core(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the leaks of every half."""
    for half in halves(circuit, roles):
        for ohm in CORE_LEAKS_OHM:
            yield _core_leak(circuit, half, ohm)


def _core_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak of every half."""
    for half in halves(circuit, roles):
        yield sweep(
            half.segments[:1],
            "core_leaky",
            "ohm",
            CORE_SWEEP_OHM,
            partial(_core_leak, circuit, half),
        )


def _core_leak(circuit: Circuit, half: Half, ohm: float) -> Fault:
    defect = Defect(ohm, "ohm")
    winding = circuit[half.segments[0]]
    following = circuit[half.segments[1]].nets if half.segments[1:] else ()
    plate = circuit[half.tubes[0]].net("plate")
    outer = plate if plate in winding.nets else _outer(winding.nets, following)
    return make_fault(
        [winding.ref],
        "core_leaky",
        [AddResistor(f"{winding.ref}.core", outer, GROUND, ohm)],
        CORE_LEAKY,
        summary=f"{winding.ref}, the plate winding of {joined(half.tubes)}, leaks {defect.text} to "
        "the core.",
        measure=f"{POWER_OFF}, output tubes out: disconnect {winding.ref} from B+ and test it "
        "against the core and the secondary with an insulation tester at 500 V.",
        defect=defect,
    )


def _outer(nets: tuple[str, ...], following: tuple[str, ...]) -> str:
    """Return the end of a winding that is not shared with the next segment."""
    return next((net for net in nets if net not in following), nets[0])


KINDS: tuple[FaultKind, ...] = (
    FaultKind(
        name="output_transformer",
        search=Found(_winding_shorts, _winding_shorts_swept),
        title="Shorted turns in the output transformer",
        does="Insulation breaks down between turns of one half of the primary; the turns in the "
        "short become a second secondary, loaded by nothing but their own wire.",
        why="The plates see a small part of the load they need. At idle nothing shows; driven, "
        "the tubes work into almost a short and their plates and the transformer burn.",
        limits="A breakdown that heals when cold, and arcs under drive only, are not modelled; "
        "nor is the core's loss, which limits the current of a very large short.",
        examples=("L1/shorted_turns@0.5%",),
        model="The winding is split; the smaller part, inductance by turns squared, is shorted "
        "through its own share of the wire resistance.",
        defects="0.5, 1, 2, 5, 10, 20 and 50 % of the turns of one half; swept from 0.1 to 50 %.",
        likelihood="Occasional; often the sequel of a speaker left off or of a red-hot output "
        "tube.",
        readings="Direct voltages normal at idle; little and distorted output; primary impedance "
        "far too low; winding resistance almost unchanged.",
        next_step="Power off, capacitors discharged, output tubes out, speaker off: a few volts "
        "at 1 kHz across the primary; shorted turns draw far more current than a sound winding.",
        source="common practice; FMD-91, from memory; MIL-HDBK-217F Notice 2, as quoted",
        group="output transformer and load",
        body="transformer",
        words=(Word("shorted_turns", "occasional", "chance", gives_up=True),),
        bass=True,
        upsets_load=True,
        shows_driven=True,
        signs=(
            Sign("all_plates", HEATS, PRACTICE, "shorted_turns"),
            BURNT_WINDING,
        ),
    ),
    FaultKind(
        name="primary_open",
        search=Found(_broken),
        title="Open winding of an output or interstage transformer",
        does="The wire of one half of a primary, or of an interstage winding, is broken.",
        why="The plate it feeds falls to nothing, and the whole current goes to the screen, which "
        "glows. The partner carries the signal alone into half a transformer. An open interstage "
        "secondary leaves its grid without bias.",
        limits="An arc at the break, which is what is usually heard first, is not modelled.",
        examples=("L1/winding_open",),
        model="The wire resistance of the winding becomes 1 Gohm; its coupling with the others "
        "stays.",
        defects="Each segment of each plate winding; each interstage winding.",
        likelihood="Occasional.",
        readings="No volts at that plate while the screen has its own and glows; power low and "
        "one-sided.",
        next_step="Power off, capacitors discharged, tubes out: measure both halves of the "
        "primary.",
        source="common practice; FMD-91, from memory",
        group="output transformer and load",
        body="transformer",
        words=(Word("winding_open", "occasional", "chance", gives_up=True),),
        bass=True,
        signs=(
            Sign("partner", HEATS, PRACTICE),
            BURNT_WINDING,
        ),
    ),
    FaultKind(
        name="core_leak",
        search=Found(_core, _core_swept),
        title="Leak from a primary to the core",
        does="Insulation between the primary and the grounded core, or the secondary, breaks down.",
        why="B+ drives a current through the winding that no tube controls: it heats the winding "
        "and the supply, and puts the speaker at high voltage where the secondary is not "
        "grounded.",
        limits="Where along the winding the leak sits hardly matters, since all of it stands near "
        "B+.",
        examples=("L1/core_leaky@100kohm",),
        model="A resistor from the plate end of the half to ground.",
        defects="1, 10 and 100 kohm; swept from 100 Mohm to 1 kohm.",
        likelihood="Rare.",
        readings="B+ current that no cathode accounts for; the transformer warm with the tubes "
        "out; volts on an ungrounded speaker.",
        next_step="Power off, capacitors discharged: test the primary against core and secondary "
        "with an insulation tester.",
        source="common practice",
        group="output transformer and load",
        body="transformer",
        words=(Word("core_leaky", "rare", "wear"),),
        bass=True,
        signs=(
            BURNT_WINDING,
            Sign("blows", 0.3, PRACTICE),
        ),
    ),
)
