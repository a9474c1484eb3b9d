"""How a diagnosis says its readings, causes, groups and measurements.

Comes in: pieces of a `Diagnosis`.  Goes out: the words that text, page and drawing
share, so that all three say the same.  How far a reading is off is counted in standard
deviations of tolerance, meter and model together (`sd`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import TypeVar

from netcheck.conditions import IDLE
from netcheck.models.diagnosis import (
    NO_FAULT,
    NONE_OF_THESE,
    CauseLine,
    Diagnosis,
    Explained,
    Foretold,
    GroupLine,
    ProbeLine,
    ReadingLine,
)
from netcheck.models.sheet import SheetUnit
from netcheck.report.expect_words import reading
from netcheck.report.words import counted, joined

First = TypeVar("First")
Second = TypeVar("Second")

WITHIN, DOUBTFUL = 1.645, 3.0
"""90 % of a normal distribution lie within the first, 99.7 % within the second
(tables of the standard normal distribution, from memory)."""
FAR = 6.0
"""From here on a reading is called far off; our own choice, twice `DOUBTFUL`."""
EXPLAINED = 3
"""Causes whose account of every reading is written out."""
LISTED = 12
"""Causes listed as text; the JSON has every one."""
NAMED = 6
"""Members of an ambiguity group that are named; more are counted."""
WORTH_A_GROUP = 0.01
"""Groups of causes less likely together are not spelled out."""
PROBES = 3
"""Measurements proposed at a time."""
SD_NOTE = "sd: standard deviations of tolerance, meter and model together."

_SITUATIONS = {
    "power_off": "with the power off",
    "tubes_out": "with the tubes out",
    IDLE: "at idle",
    "lamp": "behind the lamp",
}
_MAINS = re.compile(r"mains_(\d+)")
_SMALLEST, _LARGEST = 0.01, 0.995
_MOST_SD = 1000.0


def situation_words(situation: str) -> str:
    """Return `with the tubes out` for `tubes_out`."""
    if found := _MAINS.fullmatch(situation):
        return f"at {found.group(1)} % of the mains"
    return _SITUATIONS.get(situation, situation.replace("_", " "))


def percent(share: float) -> str:
    """Write a probability in whole percents; never as certain, nor as impossible."""
    if not math.isfinite(share):
        return "?"
    if share < _SMALLEST:
        return "< 1 %"
    return "> 99 %" if share >= _LARGEST else f"{share * 100:.0f} %"


def value_words(value: float, unit: SheetUnit | None) -> str:
    """Write a value as a meter shows it; a ripple is yes or no."""
    if unit is not None:
        return reading(value, unit)
    return "?" if math.isnan(value) else "yes" if value >= 0.5 else "no"


def band_words(low: float, high: float, unit: SheetUnit | None) -> str:
    """Write a band: `209 kohm to 241 kohm`; empty where there is none."""
    if math.isnan(low) or math.isnan(high):
        return ""
    first, last = value_words(low, unit), value_words(high, unit)
    return first if first == last else f"{first} to {last}"


def with_band(value: float, low: float, high: float, unit: SheetUnit | None) -> str:
    """Write a value and its band: `-38.1 V (-40 V to -36 V)`."""
    band = band_words(low, high, unit)
    words = value_words(value, unit)
    return f"{words} ({band})" if band and band != words else words


def reading_name(line: ReadingLine) -> str:
    """Return what was read, without the value: `V(g4) with the tubes out`."""
    what = line.text.partition("=")[0].strip()
    if meter := line.text.partition(" by ")[2]:
        what = f"{what} by {meter}"
    usual = "power_off" if line.unit == "ohm" else IDLE
    return what if line.situation == usual else f"{what} {situation_words(line.situation)}"


def sd_words(away: float) -> str:
    """Write a number of standard deviations; empty where there is none."""
    if math.isnan(away):
        return ""
    size = abs(away)
    if size >= _MOST_SD:
        return "over 1000 sd"
    return f"{size:.0f} sd" if size >= 10 or size == 0 else f"{size:.1f} sd"


def side_words(value: float, nominal: float, unit: SheetUnit | None) -> str:
    """Say on which side of nominal a value is, so that a negative one is not misread."""
    if math.isnan(value) or math.isnan(nominal) or value == nominal:
        return ""
    if nominal < 0.0 and unit == "V":
        return "less negative" if value > nominal else "more negative"
    return "too high" if value > nominal else "too low"


def is_off(line: ReadingLine) -> bool:
    """Say whether a sound unit would seldom read so."""
    return not (math.isnan(line.away) or abs(line.away) <= WITHIN)


def off_words(line: ReadingLine) -> str:
    """Say how far a reading is from a sound unit's: `far off: less negative, 6.2 sd`."""
    if math.isnan(line.nominal) or math.isnan(line.away):
        return "a sound unit has no figure for this"
    size = abs(line.away)
    if size <= WITHIN:
        return f"as expected, {sd_words(size)}"
    word = "a little off" if size <= DOUBTFUL else "off" if size <= FAR else "far off"
    side = side_words(line.value, line.nominal, line.unit)
    return f"{word}: {side}, {sd_words(size)}" if side else f"{word}, {sd_words(size)}"


def expected_words(line: ReadingLine) -> str:
    """Return what a sound unit reads, with its band; a dash where it has no figure."""
    if math.isnan(line.nominal):
        return "-"
    return with_band(line.nominal, line.low, line.high, line.unit)


def short_name(cause: str) -> str:
    """Return a cause's id as a person says it: `C4 leaky`, `C4 leaky with R22 open`."""
    if cause in (NO_FAULT, NONE_OF_THESE):
        return "no fault" if cause == NO_FAULT else "none of these"
    return " with ".join(_one_name(one) for one in cause.split(" & "))


def _one_name(fault: str) -> str:
    parts, slash, kind = fault.rpartition("/")
    return f"{parts} {kind.replace('_', ' ')}" if slash else fault


def size_words(cause: CauseLine) -> str:
    """Write the size that fits best and its range; empty where there is none."""
    if not cause.defect:
        return ""
    if not cause.smallest or cause.smallest == cause.largest:
        return cause.defect
    return f"{cause.defect} ({cause.smallest} to {cause.largest})"


def fit_words(explained: Explained, unit: SheetUnit | None) -> str:
    """Say what a cause expects of a reading, and whether the reading agrees."""
    if math.isnan(explained.expected):
        if math.isnan(explained.likelihood):
            return "not solved"
        return f"{percent(explained.likelihood)} of units with it answer so"
    expected = with_band(explained.expected, explained.low, explained.high, unit)
    if math.isnan(explained.away):
        return f"expects {expected}"
    return f"expects {expected}: {_fit(explained.away)}, {sd_words(explained.away)} off"


def _fit(away: float) -> str:
    size = abs(away)
    return "fits" if size <= WITHIN else "fits poorly" if size <= DOUBTFUL else "does not fit"


def seen_words(likelihood: float) -> str:
    """Say how likely a line of evidence is under a cause."""
    return f"{percent(likelihood)} likely with it"


def accounts(asked: Sequence[First], answers: Sequence[Second]) -> Iterator[tuple[First, Second]]:
    """Pair what was read or seen with a cause's account of it; none if it gives none."""
    if answers:
        yield from zip(asked, answers, strict=True)


def group_members(diagnosis: Diagnosis, cause: CauseLine) -> int:
    """Return how many causes share a cause's ambiguity group."""
    return next((len(one.causes) for one in diagnosis.groups if one.number == cause.group), 1)


def group_words(group: GroupLine, probes: Mapping[str, ProbeLine]) -> str:
    """Say in a sentence which causes are not split, and what would split them."""
    names = [short_name(one) for one in group.causes[:NAMED]]
    if len(group.causes) > NAMED:
        names.append(f"{len(group.causes) - NAMED} more")
    lead = f"{joined(names)}: no reading so far splits these"
    if not group.splits:
        return f"{lead}, and none that can be made would"
    probe = probes.get(group.splits)
    if probe is None:
        return f"{lead}; {_of_id(group.splits)} would"
    what = probe.reading.partition("=")[0].strip()
    return f"{lead}; {what} {situation_words(probe.situation)} would"


def _of_id(probe: str) -> str:
    situation, _, rest = probe.partition("/")
    return f"{rest.replace('/', ' ')} {situation_words(situation)}".strip()


def foretold_words(foretold: Foretold, unit: SheetUnit) -> str:
    """Say what a measurement would read under one cause."""
    if math.isnan(foretold.value):
        return f"{short_name(foretold.cause)}: not solved"
    value = with_band(foretold.value, foretold.low, foretold.high, unit)
    return f"{short_name(foretold.cause)}: {value}"


def gain_words(probe: ProbeLine) -> str:
    """Say what a measurement is worth, and what it costs."""
    return (
        f"expected to take {probe.gain_bit:.2g} bit of doubt away (1 bit halves the causes); "
        f"effort {probe.effort:.2g} (1: ohms, power off)"
    )


def listed(causes: Sequence[CauseLine], most: int) -> list[tuple[int, CauseLine]]:
    """Return rank and cause of the first ones, and of those that are always shown."""
    always = (NO_FAULT, NONE_OF_THESE)
    return [(rank, one) for rank, one in enumerate(causes, 1) if rank <= most or one.id in always]


def hidden_words(causes: Sequence[CauseLine], most: int) -> str:
    """Say how many causes are not listed, and how likely they are; empty where all are."""
    shown = {rank for rank, _ in listed(causes, most)}
    hidden = [one.probability for rank, one in enumerate(causes, 1) if rank not in shown]
    if not hidden:
        return ""
    each = "below 1 %" if max(hidden) < _SMALLEST else f"at most {percent(max(hidden))}"
    return (
        f"{counted(len(hidden), 'more cause')}, each {each}, "
        f"together {percent(math.fsum(hidden))}; the JSON report has every one."
    )


def summary_words(diagnosis: Diagnosis) -> str:
    """Return the outcome in one sentence."""
    first = diagnosis.causes[0] if diagnosis.causes else None
    if first is None:
        return "No cause was weighed."
    sure = percent(first.probability)
    rivals = group_members(diagnosis, first) - 1
    beside = f"; {counted(rivals, 'other')} cannot be told from it yet" if rivals else ""
    if first.id == NO_FAULT:
        return f"Likeliest: no fault ({sure}){beside}."
    if first.id == NONE_OF_THESE:
        return f"Likeliest: none of the causes that were weighed ({sure}){beside}."
    return f"Likeliest: {short_name(first.id)} ({sure}){beside}."
