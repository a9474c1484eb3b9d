"""Output transformer of the wrong primary impedance.

What it does:
    A transformer for another type of tube, or for another number of them, was fitted.
Why it overheats something:
    At rest nothing changes. Driven, a primary of half the impedance makes the tubes draw
    more current than their plates can bear; twice the impedance sends the plates into the
    knee, where the screens take over.
How it is modelled:
    The inductance of every secondary is divided by the ratio, so that the same speaker
    reflects so much more or less.
Known limits:
    Other primary inductance, wire and tap of the other transformer are not known and stay.
Example:
    `L3/wrong_impedance@50%`.
References:
    A replacement is chosen by size more often than by impedance: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import SetValue
from netcheck.circuit.model import Circuit, Part
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
from netcheck.faults.common import POWER_OFF, fault_id, make_fault
from netcheck.roles.base import Roles

NAME = "wrong_transformer"
RATIOS_PERCENT = (25.0, 50.0, 200.0, 400.0)
SWEEPS = (("impedance_down", 10.0), ("impedance_up", 1000.0))
NEAR = (50.0, 200.0)

WRONG = likelihood("occasional", "common practice: replaced transformers and kits")
FAR = likelihood("rare", "common practice: a transformer for another class of tube")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the wrong impedances of every output transformer."""
    for secondaries in _transformers(circuit, roles):
        for percent in RATIOS_PERCENT:
            yield _wrong(secondaries, "wrong_impedance", percent)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the impedance down to a tenth and up to ten times."""
    for secondaries in _transformers(circuit, roles):
        refs = tuple(part.ref for part in secondaries)
        for kind, end in SWEEPS:
            yield ContinuousFault(
                id=fault_id(refs, kind),
                parts=refs,
                kind=kind,
                unit="%",
                from_value=100.0,
                to_value=end,
                logarithmic=True,
                make=partial(_wrong, secondaries, kind),
                family=NAME,
            )


def _transformers(circuit: Circuit, roles: Roles) -> Iterator[tuple[Part, ...]]:
    for transformer in roles.transformers:
        windings = tuple(
            circuit[ref]
            for ref in transformer.secondaries
            if ref in circuit.parts and circuit[ref].kind == "inductor" and circuit[ref].value
        )
        if windings and transformer.speaker:
            yield windings


def _wrong(secondaries: tuple[Part, ...], kind: str, percent: float) -> Fault:
    refs = [part.ref for part in secondaries]
    share = percent / 100.0
    return make_fault(
        NAME,
        refs,
        kind,
        [SetValue(part.ref, (part.value or 0.0) / share) for part in secondaries],
        WRONG if NEAR[0] <= percent <= NEAR[1] else FAR,
        summary=f"The primary of the output transformer has {percent:.4g} % of the impedance it "
        "should have.",
        measure=f"{POWER_OFF}, output tubes out: put a volt at 1 kHz across the primary and "
        f"measure {'+'.join(refs)}; the load times the square of the ratio is the primary's "
        "impedance.",
        defect=Defect(percent, "%"),
    )


WRONG_TRANSFORMER = FaultKind(
    name=NAME,
    title="Output transformer of the wrong primary impedance",
    model="The inductance of every secondary is divided by the ratio, so that the same "
    "speaker reflects so much more or less.",
    defects="25, 50, 200 and 400 % of the impedance; swept from 10 to 1000 %.",
    likelihood="Half and double occasional, further off rare.",
    readings="Direct volts normal; power below what the supply should give, early clipping.",
    next_step="Power off: measure the turns ratio with a volt at 1 kHz and compute the impedance.",
    source="common practice",
    find=find,
    continuous=continuous,
    body="transformer",
    words=(
        Word("wrong_impedance", "occasional", "exchange"),
        Word("impedance_down", "occasional", "exchange", deviates=True),
        Word("impedance_up", "occasional", "exchange", deviates=True),
    ),
    bass=True,
    upsets_load=True,
    signs=(
        Sign("low_load", HEATS, PRACTICE),
        Sign("new_output_transformer", 6.0, f"{PRACTICE}: replacements are chosen by size"),
    ),
    group="output transformer and load",
)
