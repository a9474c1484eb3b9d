"""What is said of a schematic while it is translated: mistakes and findings, in order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from netcheck.errors import NetcheckError
from netcheck.findings import Finding
from netcheck.netlist.schematics.drawn import DrawnPlace
from netcheck.netlist.schematics.parts.drawn_parts import DrawnPart


@dataclass(slots=True)
class Tellings:
    """Collects mistakes, which end the reading, and findings, which do not."""

    errors: list[NetcheckError] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def error(self, place: DrawnPlace, message: str, hint: str = "") -> None:
        """Note a mistake."""
        self.errors.append(place.error(message, hint))

    def warn(self, rule: str, place: DrawnPlace, message: str, ref: str = "") -> None:
        """Note what may change a current, or hide a limit."""
        self.findings.append(Finding(rule, "warning", message, ref, place.span))

    def note(self, rule: str, place: DrawnPlace, message: str, ref: str = "") -> None:
        """Note what is good to know."""
        self.findings.append(Finding(rule, "note", message, ref, place.span))

    def odd_fields(self, part: DrawnPart, fields: Sequence[str]) -> None:
        """Name fields that look like a rating and say none."""
        if fields:
            self.note(
                "text-set-aside",
                part.place,
                f"the field `{'`, `'.join(fields)}` of {part.ref} says nothing that is used",
                part.ref,
            )
