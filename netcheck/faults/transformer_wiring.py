"""Output transformer wired the wrong way round.

What it does:
    The ends of the primary, or the ultralinear taps, are exchanged with each other.
Why it overheats something:
    With feedback from the secondary, exchanged plates turn it into positive feedback: the
    amplifier howls at full power with no input. Exchanged taps drive each screen against
    its own plate, which costs power, heats the screens and may oscillate.
How it is modelled:
    The plates, or what feeds the screens, change places.  Positive feedback is taken for
    a sustained overdrive, as an oscillation is (`oscillation.py`).
Known limits:
    That positive feedback is strong enough to oscillate is taken for granted.  Exchanged
    taps show nothing at rest; a driven run that does not settle is their sign.
Example:
    `X4+X5/plates_crossed`, `X3+X4/taps_crossed`.
References:
    Common in new builds and after the transformer was replaced: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.changes import Change, Reconnect
from netcheck.circuit.model import GROUND, Circuit
from netcheck.faults.base import (
    HEATS,
    PRACTICE,
    ContinuousFault,
    Fault,
    FaultKind,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import POWER_OFF, joined, make_fault
from netcheck.faults.oscillation import SUSTAINED
from netcheck.roles.base import OutputTransformer, Roles, Stage
from netcheck.roles.table import RoleName

NAME = "transformer_wiring"
CROSSED = likelihood("common", "common practice: new builds and replaced transformers")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
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


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Wires are crossed or they are not."""
    yield from ()


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
        NAME,
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


TRANSFORMER_WIRING = FaultKind(
    name=NAME,
    title="Output transformer wired the wrong way round",
    model="The plates, or what feeds the screens, change places; positive feedback counts as a "
    "sustained overdrive.",
    defects="Plates exchanged, where feedback comes from the secondary; taps exchanged.",
    likelihood="Common in new builds and after a repair of the transformer.",
    readings="Howl or ultrasonic oscillation, hot tubes with no input; or low power and hot "
    "screens.",
    next_step="Power off: lift the feedback; where that ends the howl, exchange the two plate "
    "wires.",
    source="common practice",
    find=find,
    continuous=continuous,
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
        Sign("new_output_transformer", 8.0, f"{PRACTICE}: new builds and replaced transformers"),
        Sign("rewired", 6.0, f"{PRACTICE}: new builds and changed wiring"),
    ),
    group="output transformer and load",
)
