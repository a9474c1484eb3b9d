"""Shorted turns in the primary of an output transformer.

What it does:
    Insulation breaks down between turns of one half of the primary; the turns in the
    short become a second secondary, loaded by nothing but their own wire.
Why it overheats something:
    The plates see a small part of the load they need.  At idle nothing shows; driven,
    the tubes work into almost a short and their plates and the transformer burn.
How it is modelled:
    The winding is split in two, inductances by turns squared, and the smaller part is
    closed through its own share of the wire resistance.  The short lies in the segment
    nearest the plate; where it holds more turns than that segment has, every
    segment gives the same share, which is electrically the same.  Wire resistance:
    note `dcr=`, else the series resistor, else an estimate (`windings.py`).
Known limits:
    A breakdown that heals when cold, and arcs under drive only, are not modelled; nor
    is the core's loss, which limits the current of a very large short.
Example:
    `L1/shorted_turns@0.5%`: half a percent of the turns of L1's half are shorted.
References:
    Share of shorts among failed transformers and coils 42 %: FMD-91, from memory.
    Audio transformer 0.015 failures per million hours, ground benign:
    MIL-HDBK-217F Notice 2, appendix A, as quoted in a public copy.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import Change, SetValue, ShortTurns
from netcheck.circuit.model import Circuit
from netcheck.faults.base import (
    HEATS,
    PRACTICE,
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import POWER_OFF, fault_id, joined, make_fault
from netcheck.faults.windings import Half, halves
from netcheck.roles.base import Roles

NAME = "output_transformer"
SHARES_PERCENT = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
SWEEP_PERCENT = (0.1, 50.0)
FULL_SEGMENT = 0.95
"""A short may take this share of one segment; a larger one is spread."""

SHORTED_TURNS = likelihood(
    "occasional",
    "common practice; 42 % of transformer and coil failures are shorts (FMD-91, from memory), "
    "at 0.015 failures per million hours (MIL-HDBK-217F Notice 2, as quoted)",
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the shorted shares of every half."""
    for half in halves(circuit, roles):
        for percent in SHARES_PERCENT:
            yield _shorted(circuit, half, percent)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the shorted share of every half."""
    for half in halves(circuit, roles):
        yield ContinuousFault(
            id=fault_id(half.segments, "shorted_turns"),
            parts=half.segments,
            kind="shorted_turns",
            unit="%",
            from_value=SWEEP_PERCENT[0],
            to_value=SWEEP_PERCENT[1],
            logarithmic=True,
            make=partial(_shorted, circuit, half),
            family=NAME,
        )


def _shorted(circuit: Circuit, half: Half, percent: float) -> Fault:
    defect = Defect(percent, "%")
    share = percent / 100.0
    tubes = joined(half.tubes)
    return make_fault(
        NAME,
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


OUTPUT_TRANSFORMER = FaultKind(
    name=NAME,
    title="Shorted turns in the output transformer",
    model="The winding is split; the smaller part, inductance by turns squared, is shorted "
    "through its own share of the wire resistance.",
    defects="0.5, 1, 2, 5, 10, 20 and 50 % of the turns of one half; swept from 0.1 to 50 %.",
    likelihood="Occasional; often the sequel of a speaker left off or of a red-hot output tube.",
    readings="Direct voltages normal at idle; little and distorted output; primary impedance far "
    "too low; winding resistance almost unchanged.",
    next_step="Power off, capacitors discharged, output tubes out, speaker off: a few volts at "
    "1 kHz across the primary; shorted turns draw far more current than a sound winding.",
    source="common practice; FMD-91, from memory; MIL-HDBK-217F Notice 2, as quoted",
    find=find,
    continuous=continuous,
    body="transformer",
    words=(Word("shorted_turns", "occasional", "chance", gives_up=True),),
    bass=True,
    upsets_load=True,
    signs=(
        Sign("all_plates", HEATS, PRACTICE, "shorted_turns"),
        Sign("damaged", 0.3, f"{PRACTICE}: a winding that broke down has mostly been too hot"),
    ),
    group="output transformer and load",
)
