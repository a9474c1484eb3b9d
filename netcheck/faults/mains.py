"""Mains too high or too low, or the wrong tap of the mains transformer.

What it does:
    The mains are above what the set was made for, or the transformer is wired for a lower
    mains voltage.
Why it overheats something:
    Everything scales together: tube current goes with about the power 1.5 of the volts and
    dissipation with 2.5, somewhat less under cathode bias. Capacitors near their rating go
    over it.
How it is modelled:
    All sources that are marked `follows_mains` are scaled; where none is marked, all supply
    and bias sources.
Known limits:
    Heaters rise too. Ten percent of heater volts act like 0.1 V at the grid (from memory),
    which is left out; it shortens the tubes' life. A set for 115 V on 230 V blows its fuse
    and is not solved.
Example:
    `VHT+VNEG/mains_high@110%`, `VHT+VNEG/wrong_tap@109%`.
References:
    230 V +-10 %: IEC 60038 and EN 50160. 120 V +-5 %: ANSI C84.1. 240 V on the tap for 220
    V, or 120 V on 110 V: 109 %; 253 V on 220 V: 115 %.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import SetValue
from netcheck.circuit.model import Circuit, Part, natural_key
from netcheck.faults.base import (
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Likelihood,
    Word,
    likelihood,
)
from netcheck.faults.common import fault_id, make_fault
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

NAME = "mains"
HIGH_PERCENT = (105.0, 110.0, 115.0)
LOW_PERCENT = (90.0,)
TAP_PERCENT = (109.0, 92.0)
SWEEP_PERCENT = (100.0, 150.0)

HIGH = likelihood(
    "very_common", "common practice: old sets on today's mains; IEC 60038 allows 110 %"
)
FAR = likelihood("occasional", "253 V on a set for 220 V: IEC 60038 and common practice")
LOW = likelihood("common", "IEC 60038 and ANSI C84.1 allow it")
TAP = likelihood("common", "common practice: selector or tap left as it was")
FAR_PERCENT = 112.0


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
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


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the mains up to half as much again."""
    sources = _sources(circuit, roles)
    if sources:
        refs = tuple(part.ref for part in sources)
        yield ContinuousFault(
            id=fault_id(refs, "mains_high"),
            parts=refs,
            kind="mains_high",
            unit="%",
            from_value=SWEEP_PERCENT[0],
            to_value=SWEEP_PERCENT[1],
            logarithmic=False,
            make=partial(_mains, sources, "mains_high"),
            family=NAME,
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
        NAME,
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
        return TAP
    if kind == "mains_low":
        return LOW
    return FAR if percent > FAR_PERCENT else HIGH


MAINS = FaultKind(
    name=NAME,
    title="Mains too high or too low, or the wrong tap",
    model="All sources that are marked `follows_mains` are scaled; where none is marked, "
    "all supply and bias sources.",
    defects="105, 110, 115 and 90 % of the mains; taps that give 109 and 92 %; swept to 150 %.",
    likelihood="High very common, 115 % occasional; low and a wrong tap common.",
    readings="All volts, heaters included, off by one factor.",
    next_step="Measure the mains at the outlet, compare with the type plate and the tap; then "
    "measure the heaters.",
    source="IEC 60038, EN 50160, ANSI C84.1; common practice",
    find=find,
    continuous=continuous,
    body="source",
    words=(
        Word("mains_high", "very_common", "use", ripple="source"),
        Word("mains_low", "common", "use", starves=True, ripple="source"),
        Word("wrong_tap", "common", "assembly", ripple="source"),
    ),
    powered_only=True,
    group="mains and supply",
)
