"""Hand-built diagnoses: every ending that a reading, a cause or a probe can have.

The figures are made up so that each section has something to say; parts and nets are
those of `circuits/el34_pair_fixed_bias.cir`, but no circuit was solved for them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from netcheck.models.diagnosis import (
    NO_FAULT,
    NONE_OF_THESE,
    CauseLine,
    Diagnosis,
    EvidenceLine,
    Explained,
    Foretold,
    GroupLine,
    ProbeLine,
    ReadingLine,
)
from netcheck.models.sheet import Caution

NAN, INF = float("nan"), float("inf")
ESCAPES = "\x1b[31mred\x07\x9b2J"
HOSTILE = f"<script>alert(1)</script> [bold]loud[/bold] {ESCAPES} &amp; \"quoted\" 'x'"

READINGS = (
    ReadingLine("V(g4)=-31.2V", "idle", "V", "g4", "0", "", -31.2, -38.1, -40.2, -36.3, 6.2),
    ReadingLine(
        "R(g4)=open@power_off", "power_off", "ohm", "g4", "0", "", INF, 230e3, 221e3, 239e3, INF
    ),
    ReadingLine("ripple(ht)=yes", "idle", None, "ht", "", "", 1.0, NAN, NAN, NAN, NAN),
    ReadingLine("I(R24)=61mA", "idle", "A", "", "", "R24", 61e-3, 38e-3, 30e-3, 46e-3, 4.7),
    ReadingLine(
        "V(p4,ht)=-2V@tubes_out", "tubes_out", "V", "p4", "ht", "", -2.0, -2.1, -2.4, -1.8, -0.4
    ),
)
EVIDENCE = (EvidenceLine("glow(X4)=yes", "The plate of X4 glows red."),)
LEAK = CauseLine(
    id="C5/leaky",
    parts=("C5",),
    kind="leaky",
    words="The coupling capacitor C5 passes DC to the grid of X4",
    probability=0.614,
    prior=0.08,
    group=1,
    defect="3.2 Mohm",
    smallest="2 Mohm",
    largest="5 Mohm",
    explained=(
        Explained(-31.6, -33.0, -30.1, 0.3),
        Explained(230e3, 221e3, 239e3, INF),
        Explained(NAN, NAN, NAN, NAN, 0.12),
        Explained(60e-3, 52e-3, 68e-3, 0.2),
        Explained(-2.1, -2.4, -1.8, -0.4),
    ),
    evidence=(0.72,),
    overheats=("X4 plate 180 % of its limit",),
    next_step="lift the grid end of C5 and read its volts to ground",
)
PAIR = CauseLine(
    id="C4/leaky & R22/open",
    parts=("C4", "R22"),
    kind="pair",
    words="C4 leaks and R22 is open",
    probability=0.21,
    prior=0.002,
    group=1,
    defect="4 Mohm",
    smallest="4 Mohm",
    largest="4 Mohm",
    explained=(
        Explained(-33.0, -35.0, -31.0, -1.9),
        Explained(INF, INF, INF, 0.0),
        Explained(NAN, NAN, NAN, NAN, 0.9),
        Explained(NAN, NAN, NAN, NAN),
        Explained(-2.1, -2.4, -1.8, -0.4),
    ),
    evidence=(0.4,),
)
OPEN = CauseLine("R33/open", ("R33",), "open", "R33 is open", 0.09, 0.01, 2)
SOUND = CauseLine(NO_FAULT, (), "", "every part is sound", 0.004, 0.3, 3)
OTHER = CauseLine(NONE_OF_THESE, (), "", "a fault that was not weighed", 0.05, 0.05, 4)
CHASSIS = "0 (chassis)"
PROBES = (
    ProbeLine(
        "tubes_out/grid/X4", "grid of X4", "tubes_out", "V(g4)=?@tubes_out", "g4", CHASSIS,
        "V", 0.93, 2.0,
        (Foretold("C5/leaky", -24.0, -27.0, -20.0), Foretold("R33/open", NAN, NAN, NAN)),
    ),
    ProbeLine(
        "power_off/ohms/g4", "grid to chassis", "power_off", "R(g4)=?", "g4", CHASSIS,
        "ohm", 0.4, 1.0,
        (Foretold(NO_FAULT, 230e3, 221e3, 239e3), Foretold("R33/open", INF, INF, INF)),
    ),
    ProbeLine("idle/plate/X2", "plate 2", "idle", "V(p2)=?", "p2", CHASSIS, "V", 0.2, 3.0, ()),
    ProbeLine("idle/plate/X3", "plate 3", "idle", "V(p3)=?", "p3", CHASSIS, "V", 0.1, 3.0, ()),
)  # fmt: skip
SAMPLE = Diagnosis(
    file="circuits/el34_pair_fixed_bias.cir",
    title="EL34 pair in class AB with fixed bias and a long-tailed-pair inverter",
    meter="10 Mohm",
    readings=READINGS,
    evidence=EVIDENCE,
    causes=(LEAK, PAIR, OPEN, OTHER, SOUND),
    groups=(
        GroupLine(1, 0.824, ("C5/leaky", "C4/leaky & R22/open"), "tubes_out/grid/X4"),
        GroupLine(2, 0.09, ("R33/open",)),
        GroupLine(3, 0.004, (NO_FAULT,)),
        GroupLine(4, 0.05, (NONE_OF_THESE,)),
    ),
    probes=PROBES,
    refused=("V(p4) at idle: above the 300 V of the meter",),
    unsolved=("C9/shorted: no operating point in 5 s",),
    settled="",
    cautions=(Caution("Capacitors hold their charge; drain them and check.", "common practice"),),
    assumptions=("One fault, or two at once; not three.",),
    engine="ngspice 39",
)
NOTHING_READ = replace(
    SAMPLE,
    readings=(),
    evidence=(),
    causes=tuple(replace(one, explained=(), evidence=()) for one in SAMPLE.causes),
)


def many(count: int = 30) -> Diagnosis:
    """Return a diagnosis with that many causes, `no fault` and `none of these` at the end."""
    lead = tuple(
        replace(
            OPEN, id=f"R{n}/open", parts=(f"R{n}",), probability=0.9 / 2 ** (n + 1), group=n + 1
        )
        for n in range(count - 2)
    )
    ends = (replace(OTHER, group=count - 1), replace(SOUND, group=count))
    groups = tuple(GroupLine(one.group, one.probability, (one.id,)) for one in (*lead, *ends))
    return replace(
        SAMPLE, causes=(*lead, *ends), groups=groups, probes=(), readings=(), evidence=()
    )


def hostile() -> Diagnosis:
    """Return the sample with a stranger's text in every field that holds text."""
    return _poisoned(SAMPLE)  # type: ignore[no-any-return]


_KEPT = {"situation", "unit", "splits"}
"""Fields with words of the program's own."""


def _poisoned(value: Any) -> Any:
    if value in (NO_FAULT, NONE_OF_THESE):
        return value
    if isinstance(value, str):
        return f"{value}{HOSTILE}"
    if isinstance(value, tuple):
        return tuple(_poisoned(one) for one in value)
    if not hasattr(value, "__dataclass_fields__"):
        return value
    return replace(
        value,
        **{
            name: _poisoned(getattr(value, name))
            for name in value.__dataclass_fields__
            if name not in _KEPT
        },
    )
