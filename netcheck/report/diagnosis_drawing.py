"""A diagnosis on the schematic: readings at their places, suspects with rank and percent.

Comes in: a `Diagnosis`, and for the picture the circuit with its roles.  Goes out: what is
to be marked, or the whole SVG.  A suspect is a cause of 5 % or more: its parts are framed
with dashes (heavy in the ambiguity group of the likeliest, light elsewhere), and a disc
with its rank stands before its percentage.  A reading that is off has a heavy frame and
says so in words; nothing is said by color alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from netcheck.circuit.model import Circuit
from netcheck.conditions import IDLE
from netcheck.drawing import Annotations, Drawing, draw_circuit, role_annotations, to_svg
from netcheck.drawing.annotations import Caption
from netcheck.drawing.callouts import Callout, Row, fitted, with_callouts, with_legend
from netcheck.drawing.style import shortened
from netcheck.models.diagnosis import (
    NO_FAULT,
    NONE_OF_THESE,
    CauseLine,
    Diagnosis,
    ReadingLine,
)
from netcheck.report import diagnosis_words as words
from netcheck.report.escapes import one_line
from netcheck.report.words import joined
from netcheck.roles.base import Roles

SUSPECT = 0.05
"""A cause of this probability or more is marked; our own choice."""
LONGEST = 34
"""Signs in a line of a callout; the title on hover has it whole."""
LEGEND = (
    "Boxes: readings, and what a sound unit is expected to read. Discs: rank of the suspects, with "
    "their probability. Dashes: heavy around what may be the likeliest cause, light around the "
    f"other suspects. {words.SD_NOTE}"
)


@dataclass(frozen=True, slots=True)
class Marks:
    """What a diagnosis marks on any drawing of its circuit.

    captions: frames of suspects, by part.  notes: sentences by part, for hover.
    """

    callouts: tuple[Callout, ...]
    captions: Mapping[str, Caption]
    notes: Mapping[str, str]
    heading: str


def marks(diagnosis: Diagnosis) -> Marks:
    """Return the marks: readings by net and part, suspects by part."""
    suspects = _suspects(diagnosis)
    first = next(
        (cause.group for each in suspects.values() for rank, cause in each if rank == 1), 0
    )
    captions = {
        ref: Caption(mark="fault" if first in {one.group for _, one in each} else "suspect")
        for ref, each in suspects.items()
    }
    notes = {
        ref: "; ".join(_suspect_sentence(rank, cause) for rank, cause in each)
        for ref, each in suspects.items()
    }
    callouts = (
        *(_suspect_callout(ref, each) for ref, each in suspects.items()),
        *_reading_callouts(diagnosis),
    )
    return Marks(callouts, captions, notes, one_line(words.summary_words(diagnosis)))


def drawing_of(circuit: Circuit, roles: Roles, diagnosis: Diagnosis) -> str:
    """Return the schematic with the diagnosis on it, as SVG."""
    return to_svg(*annotated(circuit, roles, diagnosis))


def annotated(circuit: Circuit, roles: Roles, diagnosis: Diagnosis) -> tuple[Drawing, Annotations]:
    """Return the drawing, with room for the marks, and its annotations (for SVG or PNG)."""
    found = marks(diagnosis)
    drawing, overlay, lost = with_callouts(draw_circuit(circuit, roles), found.callouts)
    said = role_annotations(circuit, roles)
    hover = {
        ref: f"{words_}; {found.notes[ref]}" if ref in found.notes else words_
        for ref, words_ in said.hover.items()
    }
    lines = [LEGEND]
    if lost:
        names = [shortened(one_line(one), LONGEST) for one in lost]
        lines.append(f"Not on the drawing: {joined(names)}.")
    drawing, legend = with_legend(drawing, lines)
    annotations = replace(
        said,
        captions=found.captions,
        hover=hover,
        heading=fitted(found.heading, drawing),
        overlay=(*overlay, legend),
    )
    return drawing, annotations


def _suspects(diagnosis: Diagnosis) -> dict[str, list[tuple[int, CauseLine]]]:
    """Return rank and cause of the suspects, by part; the likeliest first."""
    found: dict[str, list[tuple[int, CauseLine]]] = {}
    for rank, cause in enumerate(diagnosis.causes, 1):
        if cause.id in (NO_FAULT, NONE_OF_THESE) or not cause.probability >= SUSPECT:
            continue
        for ref in dict.fromkeys(cause.parts):
            found.setdefault(ref, []).append((rank, cause))
    return found


def _suspect_callout(ref: str, suspects: list[tuple[int, CauseLine]]) -> Callout:
    rows = []
    for rank, cause in suspects:
        share = words.percent(cause.probability)
        rows.append(Row(share, str(rank), loud=True))
        rows.append(Row(_short(_seen_from(ref, cause))))
    title = "; ".join(_suspect_sentence(rank, cause) for rank, cause in suspects)
    return Callout("part", ref, tuple(rows), title, "note-suspect")


def _seen_from(ref: str, cause: CauseLine) -> str:
    """Return what a cause says of one part: `leaky`, of a pair `leaky, with R22 open`."""
    own, others = [], []
    for one in cause.id.split(" & "):
        parts, _, kind = one.rpartition("/")
        if ref in parts.split("+"):
            own.append(kind.replace("_", " "))
        else:
            others.append(words.short_name(one))
    if not own:
        return words.short_name(cause.id)
    return f"{joined(own)}, with {joined(others)}" if others else joined(own)


def _suspect_sentence(rank: int, cause: CauseLine) -> str:
    size = words.size_words(cause)
    name = f"{words.short_name(cause.id)}, {size}" if size else words.short_name(cause.id)
    return one_line(f"suspect {rank}, {words.percent(cause.probability)}: {name}")


def _reading_callouts(diagnosis: Diagnosis) -> Iterator[Callout]:
    """Yield one callout for each net or part with readings."""
    places: dict[tuple[str, str], list[ReadingLine]] = {}
    for line in diagnosis.readings:
        key = ("part", line.part) if line.part else ("net", line.net_a or line.text)
        places.setdefault(key, []).append(line)
    for (about, name), lines in places.items():
        off = any(words.is_off(line) for line in lines)
        yield Callout(
            "part" if about == "part" else "net",
            name,
            tuple(row for line in lines for row in _reading_rows(line)),
            one_line("; ".join(_reading_sentence(line) for line in lines)),
            "note-off" if off else "note",
        )


def _reading_rows(line: ReadingLine) -> Iterator[Row]:
    read = words.value_words(line.value, line.unit)
    name = line.text.partition("=")[0].strip()
    yield Row(_short(f"{name}: {read}"), loud=True)
    usual = "power_off" if line.unit == "ohm" else IDLE
    if line.situation != usual:
        yield Row(_short(words.situation_words(line.situation)))
    if words.expected_words(line) == "-":
        return
    yield Row(_short(f"expected {words.value_words(line.nominal, line.unit)}"))
    yield Row(_short(words.off_words(line)))


def _reading_sentence(line: ReadingLine) -> str:
    read = words.value_words(line.value, line.unit)
    expected = words.expected_words(line)
    sound = f", a sound unit {expected}" if expected != "-" else ""
    return f"{words.reading_name(line)}: read {read}{sound}; {words.off_words(line)}"


def _short(text: str) -> str:
    return shortened(one_line(text), LONGEST)
