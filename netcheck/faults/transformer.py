"""What hangs on the output tubes: the speaker, another transformer, crossed wires.

Comes in: a circuit and its roles.  Goes out: what loads the tubes otherwise under drive, while
the direct volts stay.

References.  A loss of one percent in the core is an assumption.  Speakers of 4, 8 and 16 ohm
exchanged for each other: common practice.  A replacement is chosen by size more often than by
impedance: common practice.  Common in new builds and after the transformer was replaced: common
practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import SHORT_OHM, Change, Reconnect, SetValue
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
from netcheck.faults.common import (
    POWER_OFF,
    SUSTAINED,
    joined,
    make_fault,
    parts_with_role,
    sweep,
)
from netcheck.roles.base import OutputTransformer, Roles, Stage
from netcheck.roles.table import RoleName

NO_LOAD_FACTOR = 100.0
"""Core loss left as load, in speaker impedances: a loss of one percent (assumption)."""
LOAD_FACTORS = (0.25, 0.5, 2.0)
LOAD_SWEEPS = (("load_down", 0.02), ("load_up", NO_LOAD_FACTOR))
NO_LOAD = likelihood("common", "common practice: cable out, fuse or voice coil gone")
LOAD_SHORTED = likelihood("occasional", "common practice: cables and jacks")
WRONG_LOAD = likelihood("common", "common practice: speakers of 4, 8 and 16 ohm exchanged")
FAR_LOAD = likelihood("occasional", "common practice: several speakers in parallel on one tap")


def _load(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List an open, a shorted and a wrong speaker at every transformer."""
    for part in _speakers(circuit, roles):
        yield _other_load(part, "open", NO_LOAD, NO_LOAD_FACTOR * (part.value or 0.0))
        yield _other_load(part, "shorted", LOAD_SHORTED, SHORT_OHM)
        for factor in LOAD_FACTORS:
            ohm = factor * (part.value or 0.0)
            yield _other_load(
                part, "wrong_load", FAR_LOAD if factor < LOAD_FACTORS[1] else WRONG_LOAD, ohm
            )


def _load_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the load down to a short and up to none."""
    for part in _speakers(circuit, roles):
        for kind, factor in LOAD_SWEEPS:
            yield sweep(
                (part.ref,),
                kind,
                "ohm",
                (part.value or 0.0, factor * (part.value or 0.0)),
                partial(_other_load, part, kind, WRONG_LOAD),
            )


def _speakers(circuit: Circuit, roles: Roles) -> tuple[Part, ...]:
    return tuple(
        part for part, _ in parts_with_role(circuit, roles, "resistor", RoleName.SPEAKER_LOAD)
    )


def _other_load(part: Part, kind: str, chance: Likelihood, ohm: float) -> Fault:
    defect = Defect(ohm, "ohm")
    right = Defect(part.value or 0.0, "ohm").text
    happened = {
        "open": "nothing is connected to the output in its place",
        "shorted": "the output is shorted",
    }.get(kind, f"{defect.text} hangs on the tap for {right}")
    return make_fault(
        [part.ref],
        kind,
        [SetValue(part.ref, ohm)],
        chance,
        summary=f"{part.ref}, the speaker: {happened}.",
        measure=f"{POWER_OFF}: measure the resistance of {part.ref} at the end of its cable; a "
        f"speaker of {right} reads a little less than that.",
        defect=defect,
        only_size=kind in ("open", "shorted"),
    )


RATIOS_PERCENT = (25.0, 50.0, 200.0, 400.0)
IMPEDANCE_SWEEPS = (("impedance_down", 10.0), ("impedance_up", 1000.0))
NEAR_PERCENT = (50.0, 200.0)
WRONG_IMPEDANCE = likelihood("occasional", "common practice: replaced transformers and kits")
FAR_IMPEDANCE = likelihood("rare", "common practice: a transformer for another class of tube")


def _other_transformer(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the wrong impedances of every output transformer."""
    for secondaries in _transformers(circuit, roles):
        for percent in RATIOS_PERCENT:
            yield _wrong_impedance(secondaries, "wrong_impedance", percent)


def _other_transformer_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the impedance down to a tenth and up to ten times."""
    for secondaries in _transformers(circuit, roles):
        refs = tuple(part.ref for part in secondaries)
        for kind, end in IMPEDANCE_SWEEPS:
            yield sweep(refs, kind, "%", (100.0, end), partial(_wrong_impedance, secondaries, kind))


def _transformers(circuit: Circuit, roles: Roles) -> Iterator[tuple[Part, ...]]:
    for transformer in roles.transformers:
        windings = tuple(
            circuit[ref]
            for ref in transformer.secondaries
            if ref in circuit.parts and circuit[ref].kind == "inductor" and circuit[ref].value
        )
        if windings and transformer.speaker:
            yield windings


def _wrong_impedance(secondaries: tuple[Part, ...], kind: str, percent: float) -> Fault:
    refs = [part.ref for part in secondaries]
    share = percent / 100.0
    return make_fault(
        refs,
        kind,
        [SetValue(part.ref, (part.value or 0.0) / share) for part in secondaries],
        WRONG_IMPEDANCE if NEAR_PERCENT[0] <= percent <= NEAR_PERCENT[1] else FAR_IMPEDANCE,
        summary=f"The primary of the output transformer has {percent:.4g} % of the impedance it "
        "should have.",
        measure=f"{POWER_OFF}, output tubes out: put a volt at 1 kHz across the primary and "
        f"measure {'+'.join(refs)}; the load times the square of the ratio is the primary's "
        "impedance.",
        defect=Defect(percent, "%"),
    )


CROSSED = likelihood("common", "common practice: new builds and replaced transformers")


def _crossed_wires(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List exchanged plates where there is feedback, and exchanged taps."""
    for stage in roles.output_stages:
        if not stage.sides:
            continue
        for transformer in roles.transformers:
            if set(stage.tubes) <= set(transformer.primaries):
                if _feeds_back(circuit, roles, transformer):
                    yield from _crossed(circuit, stage, "plates_crossed", "plate")
                if transformer.taps and stage.connection == "ultralinear":
                    yield from _crossed(circuit, stage, "taps_crossed", "screen")


def _feeds_back(circuit: Circuit, roles: Roles, transformer: OutputTransformer) -> bool:
    """Say whether a feedback part hangs on the secondary."""
    windings = [circuit[ref] for ref in transformer.secondaries if ref in circuit.parts]
    nets = {net for part in windings for net in part.nets} - {GROUND}
    parts = {
        role.part for role in roles.named(RoleName.FEEDBACK_RESISTOR, RoleName.FEEDBACK_CAPACITOR)
    }
    return any(nets & set(circuit[ref].nets) for ref in parts if ref in circuit.parts)


def _crossed(circuit: Circuit, stage: Stage, kind: str, pin: str) -> Iterator[Fault]:
    """Give the fault in which the tubes of both sides change places at one pin."""
    first, second = stage.sides or ((), ())
    pairs = [(circuit[a], circuit[b]) for a, b in zip(first, second, strict=False)]
    changes: list[Change] = []
    for one, other in pairs:
        if one.has_pin(pin) and other.has_pin(pin) and one.net(pin) != other.net(pin):
            changes.append(Reconnect(one.ref, pin, other.net(pin)))
            changes.append(Reconnect(other.ref, pin, one.net(pin)))
    if not changes:
        return
    if pin == "plate":
        changes.append(SUSTAINED)
    refs = [part.ref for pair in pairs for part in pair]
    what = "plate wires" if pin == "plate" else "ultralinear taps"
    then = "the feedback is positive" if pin == "plate" else "each screen works against its plate"
    yield make_fault(
        refs,
        kind,
        changes,
        CROSSED,
        summary=f"The {what} of {joined(refs)} are exchanged with each other: {then}.",
        measure=f"{POWER_OFF}: trace the {what} of {joined(refs)} to the transformer; with the "
        "feedback lifted the amplifier is quiet, with it connected it howls."
        if pin == "plate"
        else f"{POWER_OFF}, {joined(refs)} out: measure from each plate pin to both screen pins; "
        "a tube's own tap is nearer to its own plate.",
    )


KINDS: tuple[FaultKind, ...] = (
    FaultKind(
        name="speaker",
        search=Found(_load, _load_swept),
        title="Speaker open, shorted or of the wrong impedance",
        does="What hangs on the secondary is missing, shorted, or another speaker than the tap is "
        "for.",
        why="At rest nothing changes. Driven into a short the tubes see almost no load and their "
        "plates take the whole power; into an open secondary the plates swing to a multiple of "
        "B+, screens take the current, and the insulation arcs. A speaker of half the impedance "
        "burdens the plates, one of twice the impedance the screens.",
        limits="A real speaker's impedance goes up and down with frequency. Arcs are not modelled.",
        examples=(
            "R40/open",
            "R40/wrong_load@4ohm",
        ),
        model="The load resistor takes another value: a hundred times its own when open (the "
        "core's loss), 0.1 ohm when shorted, and the impedances of neighboring taps.",
        defects="No load, a short of 0.1 ohm, a quarter, half and twice the impedance; swept both "
        "ways.",
        likelihood="Open and wrong common; short and a quarter occasional.",
        readings="Direct volts normal; no or distorted sound; crackling of an arc without load.",
        next_step="Power off: measure the speaker's resistance at the end of its cable, and read "
        "the tap.",
        source="common practice",
        group="output transformer and load",
        body="load",
        words=(
            Word("open", "common", "use", gives_up=True),
            Word("shorted", "occasional", "use"),
            Word("wrong_load", "common", "use"),
            Word("load_down", "common", "use", deviates=True),
            Word("load_up", "common", "use", deviates=True),
        ),
        bass=True,
        upsets_load=True,
        shows_driven=True,
        signs=(
            Sign("low_load", HEATS, PRACTICE),
            Sign(
                "new_output_transformer",
                2.0,
                f"{PRACTICE}: the speaker is put on another tap",
                "wrong_load load_down load_up",
            ),
        ),
    ),
    FaultKind(
        name="wrong_transformer",
        search=Found(_other_transformer, _other_transformer_swept),
        title="Output transformer of the wrong primary impedance",
        does="A transformer for another type of tube, or for another number of them, was fitted.",
        why="At rest nothing changes. Driven, a primary of half the impedance makes the tubes "
        "draw more current than their plates can bear; twice the impedance sends the plates into "
        "the knee, where the screens take over.",
        limits="Other primary inductance, wire and tap of the other transformer are not known and "
        "stay.",
        examples=("L3/wrong_impedance@50%",),
        model="The inductance of every secondary is divided by the ratio, so that the same "
        "speaker reflects so much more or less.",
        defects="25, 50, 200 and 400 % of the impedance; swept from 10 to 1000 %.",
        likelihood="Half and double occasional, further off rare.",
        readings="Direct volts normal; power below what the supply should give, early clipping.",
        next_step="Power off: measure the turns ratio with a volt at 1 kHz and compute the "
        "impedance.",
        source="common practice",
        group="output transformer and load",
        body="transformer",
        words=(
            Word("wrong_impedance", "occasional", "exchange"),
            Word("impedance_down", "occasional", "exchange", deviates=True),
            Word("impedance_up", "occasional", "exchange", deviates=True),
        ),
        bass=True,
        upsets_load=True,
        shows_driven=True,
        signs=(
            Sign("low_load", HEATS, PRACTICE),
            Sign("new_output_transformer", 6.0, f"{PRACTICE}: replacements are chosen by size"),
        ),
    ),
    FaultKind(
        name="transformer_wiring",
        search=Found(_crossed_wires),
        title="Output transformer wired the wrong way round",
        does="The ends of the primary, or the ultralinear taps, are exchanged with each other.",
        why="With feedback from the secondary, exchanged plates turn it into positive feedback: "
        "the amplifier howls at full power with no input. Exchanged taps drive each screen "
        "against its own plate, which costs power, heats the screens and may oscillate.",
        limits="That positive feedback is strong enough to oscillate is taken for granted. "
        "Exchanged taps show nothing at rest; a driven run that does not settle is their sign.",
        examples=(
            "X4+X5/plates_crossed",
            "X3+X4/taps_crossed",
        ),
        model="The plates, or what feeds the screens, change places; positive feedback counts as "
        "a sustained overdrive.",
        defects="Plates exchanged, where feedback comes from the secondary; taps exchanged.",
        likelihood="Common in new builds and after a repair of the transformer.",
        readings="Howl or ultrasonic oscillation, hot tubes with no input; or low power and hot "
        "screens.",
        next_step="Power off: lift the feedback; where that ends the howl, exchange the two plate "
        "wires.",
        source="common practice",
        group="output transformer and load",
        body="transformer",
        words=(
            Word("plates_crossed", "common", "assembly"),
            Word("taps_crossed", "common", "assembly"),
        ),
        bass=True,
        upsets_load=True,
        signs=(
            Sign("all_plates", HEATS, PRACTICE),
            Sign("hum", 0.3, f"{PRACTICE}: motorboating and howl are taken for hum"),
            Sign(
                "new_output_transformer", 8.0, f"{PRACTICE}: new builds and replaced transformers"
            ),
            Sign("rewired", 6.0, f"{PRACTICE}: new builds and changed wiring"),
        ),
    ),
)
