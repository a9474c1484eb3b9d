"""A diagnosis as values: readings in, causes out, and what to measure next.

Made by `diagnose/diagnosis.py`, printed by `diagnosis_text.py`, `to_json.py`, the
HTML page and the drawing.  Numbers are SI; an open circuit is infinite ohms.
"""

from __future__ import annotations

from dataclasses import dataclass

from netcheck.models.sheet import Caution, SheetUnit

NO_FAULT = "no_fault"
NONE_OF_THESE = "none_of_these"


@dataclass(frozen=True, slots=True)
class ReadingLine:
    """One reading, beside what a sound unit would show.

    text: the reading as it can be typed again.  net_a, net_b: between which nets; part:
    the part or tube it is of, where it is a current or watts.  value: as read; a
    ripple is 1 for yes and 0 for no, and its unit is empty.  nominal: of a sound
    unit with this meter; low, high: 90 % of sound units; away: how many standard
    deviations (tolerance, meter and model together) the reading is off from nominal.
    Where a sound unit has no figure (ripple) these are nan.
    """

    text: str
    situation: str
    unit: SheetUnit | None
    net_a: str
    net_b: str
    part: str
    value: float
    nominal: float
    low: float
    high: float
    away: float


@dataclass(frozen=True, slots=True)
class EvidenceLine:
    """One thing seen, heard or done, other than a reading; `words` say it in full."""

    text: str
    words: str


@dataclass(frozen=True, slots=True)
class Explained:
    """How one cause explains one reading.

    expected: with the size that fits best; low, high: 90 % of the units with it; away:
    standard deviations from expected to read.  nan for a ripple, where `likelihood`
    alone speaks: the probability of the answer given under this cause.
    """

    expected: float
    low: float
    high: float
    away: float
    likelihood: float = float("nan")


@dataclass(frozen=True, slots=True)
class CauseLine:
    """One candidate cause.

    id: as of the fault, without its size (`C4/leaky`), or `no_fault`, `none_of_these`;
    of a pair both ids joined by ` & `.  parts: what to mark.  defect: the size that fits
    best, empty where there is none; smallest, largest: the sizes that hold 90 % of its
    probability.  probability: after readings and evidence; prior: before them.
    group: the ambiguity group, counted from 1 in the order of probability; members of
    one group are not split by any reading so far.  explained: by reading;
    evidence: by line of evidence, how likely it is under this cause.  overheats: what
    it overheats at this size, in words (`X4 plate 180 % of its limit`).
    """

    id: str
    parts: tuple[str, ...]
    kind: str
    words: str
    probability: float
    prior: float
    group: int
    defect: str = ""
    smallest: str = ""
    largest: str = ""
    explained: tuple[Explained, ...] = ()
    evidence: tuple[float, ...] = ()
    overheats: tuple[str, ...] = ()
    next_step: str = ""


@dataclass(frozen=True, slots=True)
class GroupLine:
    """Causes that no reading so far can split.

    splits: the measurement that would split them best, by its id; empty where none can.
    """

    number: int
    probability: float
    causes: tuple[str, ...]
    splits: str = ""


@dataclass(frozen=True, slots=True)
class Foretold:
    """What a measurement would read under one cause; nan where it was not solved."""

    cause: str
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ProbeLine:
    """A measurement that would split the candidates.

    id: stable, `<situation>/<what>/<where>`.  reading: how to type the answer, such as
    `V(g4)=?@tubes_out`.  red, black: where the probes go.  gain_bit: by how much it lowers
    the entropy of the candidates, expected, in bit; effort: of making it, 1 is a cold
    reading of ohms.  foretold: under the likeliest causes.
    """

    id: str
    what: str
    situation: str
    reading: str
    red: str
    black: str
    unit: SheetUnit
    gain_bit: float
    effort: float
    foretold: tuple[Foretold, ...]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The whole diagnosis.

    causes: likeliest first, `no_fault` and `none_of_these` always among them.  probes:
    most split per effort first.  refused: measurements left out and why.  unsolved:
    faults that could not be weighed, with the reason.  doubtful: readings that look like
    mistakes.  settled: why no more is asked,
    empty while there is a next measurement.
    """

    file: str
    title: str
    meter: str
    readings: tuple[ReadingLine, ...]
    evidence: tuple[EvidenceLine, ...]
    causes: tuple[CauseLine, ...]
    groups: tuple[GroupLine, ...]
    probes: tuple[ProbeLine, ...]
    refused: tuple[str, ...]
    unsolved: tuple[str, ...]
    settled: str
    cautions: tuple[Caution, ...]
    assumptions: tuple[str, ...]
    engine: str = ""
    doubtful: tuple[str, ...] = ()
