"""Which sections of twin tubes share a bulb, and which section each one is.

Comes in: tube parts.  Goes out: the same parts with the name of their section where
the netlist tells, and with `envelope` set for pairs that say by their refs that they
are one bulb.  A schematic calls the halves of the tube V2 `V2A` and `V2B` (common
practice), so the cards `XV2A` and `XV2B` of one twin type are taken as one bulb, with
a finding; an `envelope=` note on either of them is the user's own word and stays.
Section A is the first of the type's data file, whose pins stand there.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from netcheck.circuit.model import Part
from netcheck.findings import Finding
from netcheck.tubes.types import TubeType

LETTERS = "ab"


def section_names(tube: TubeType) -> tuple[str, ...]:
    """Return the names of a bulb's sections, first the one that is called A."""
    return tuple(section.name for section in tube.sections)


def named_section(tube: TubeType, word: str) -> str | None:
    """Return the section that a `section=` note means by its name or letter."""
    names = section_names(tube)
    by_word = {name.casefold(): name for name in names}
    if len(names) > 1:
        by_word |= dict(zip(LETTERS, names, strict=False))
    return by_word.get(word.casefold())


def section_of(ref: str, tube: TubeType) -> str:
    """Return the section that a ref such as `XV2B` stands for; empty where none is told."""
    names = section_names(tube)
    if len(names) == 1:
        return names[0]
    _, letter = _stem(ref)
    return names[LETTERS.index(letter)] if letter else ""


def spelled_alike(parts: Iterable[Part]) -> list[Part]:
    """Give bulbs the spelling of their first note: letter case tells no two bulbs apart."""
    spelling: dict[str, str] = {}
    alike: list[Part] = []
    for part in parts:
        bulb = part.note.envelope
        first = spelling.setdefault(bulb.casefold(), bulb)
        alike.append(
            part if first == bulb else replace(part, note=replace(part.note, envelope=first))
        )
    return alike


def join_bulbs(
    parts: Iterable[Part], bulb_types: Mapping[str, str]
) -> tuple[list[Part], list[Finding]]:
    """Give pairs such as `XV2A` and `XV2B` of one twin type a common envelope.

    bulb_types: name of the bulb's type by ref, the same for both of its sections.
    """
    found = list(parts)
    pairs: dict[str, dict[str, Part]] = {}
    for part in found:
        stem, letter = _stem(part.ref)
        if (
            part.kind == "tube"
            and letter
            and part.tube
            and _has_two(part.tube, bulb_types[part.ref])
        ):
            pairs.setdefault(stem, {})[letter] = part
    joined: dict[str, Part] = {}
    findings: list[Finding] = []
    for pair in pairs.values():
        if len(pair) < len(LETTERS) or not _is_one_bulb(pair["a"], pair["b"], bulb_types):
            continue
        first, second = pair["a"], pair["b"]
        envelope = first.ref[:-1].removeprefix("X").removeprefix("x") or first.ref[:-1]
        for part in (first, second):
            joined[part.ref] = replace(part, note=replace(part.note, envelope=envelope))
        findings.append(
            Finding(
                "joined-envelope",
                "note",
                f"{first.ref} and {second.ref} are taken as the two sections of one "
                f"{bulb_types[first.ref]}; write envelope= on both if they are not",
                first.ref,
                first.span,
            )
        )
    return [joined.get(part.ref, part) for part in found], findings


def _stem(ref: str) -> tuple[str, str]:
    """Split `XV2B` into `xv2` and `b`; the letter is empty where a ref has none."""
    folded = ref.casefold()
    if len(folded) > 1 and folded[-1] in LETTERS and folded[-2].isdigit():
        return folded[:-1], folded[-1]
    return folded, ""


def _has_two(tube: TubeType, bulb: str) -> bool:
    return len(tube.sections) > 1 or tube.companion is not None or bulb != tube.name


def _is_one_bulb(first: Part, second: Part, bulb_types: Mapping[str, str]) -> bool:
    """Say whether two sections can be one bulb: one type, no word of the user's own."""
    if first.note.envelope or second.note.envelope:
        return False
    assert first.tube is not None
    assert second.tube is not None
    unlike = len(first.tube.sections) == 1
    return bulb_types[first.ref] == bulb_types[second.ref] and (
        first.tube.name != second.tube.name if unlike else first.tube.name == second.tube.name
    )
