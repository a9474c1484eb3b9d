"""The sample output in README.md: found, run again, cut to what is shown, compared; and the
tables of registers in the manual.

A sample stands between two comments:

    <!-- output of: netcheck audit circuits/a.cir; show: Verdict, Faults 16 -->
    <!-- end of output -->

`show` names the sections by how their heading begins (commas left out), with the most
lines shown of each; `Verdict` is what comes before the first heading.  What is left out is marked
with three dots.  A table stands between `<!-- table of: roles -->` and `<!-- end of table -->`.
"""

from __future__ import annotations

import re
import shlex
from dataclasses import dataclass
from itertools import pairwise

from netcheck.faults import FAULT_KINDS
from netcheck.findings import FINDING_KINDS
from netcheck.netlist.notes import NoteKey
from netcheck.roles.table import Heading, RoleName

SAMPLE = re.compile(
    r"<!-- output of: netcheck (?P<command>[^;>]+?)(?:; show: (?P<show>[^>]+?))? -->\n"
    r"```text\n(?P<text>.*?)```\n<!-- end of output -->",
    re.DOTALL,
)
TABLE = re.compile(
    r"(?<=<!-- table of: )(?P<name>\w+) -->\n(?P<rows>.*?)(?=<!-- end of table -->)", re.DOTALL
)
DOTS = "..."
TOLERANCE = 0.03
"""Share by which a number may differ: another ngspice rounds otherwise."""


@dataclass(frozen=True)
class Sample:
    """One sample: the arguments that make it, what is shown, and the text as printed."""

    arguments: tuple[str, ...]
    show: str
    text: str
    start: int
    end: int


def samples(readme: str) -> list[Sample]:
    """Return the samples of a README in order."""
    return [
        Sample(
            tuple(shlex.split(match["command"])),
            match["show"] or "",
            match["text"],
            match.start("text"),
            match.end("text"),
        )
        for match in SAMPLE.finditer(readme)
    ]


def with_tables(text: str) -> str:
    """Return a document with its tables as the registers are now."""
    return TABLE.sub(lambda found: f"{found['name']} -->\n{TABLES[found['name']]()}", text)


def roles_table() -> str:
    """Return the roles under their headings, each with what such a part does."""
    lines = []
    for heading in Heading:
        lines += ["", f"| {heading.lower()} | what it is |", "| --- | --- |"]
        lines += [
            f"| `{name}` | {name.kind.does} |" for name in RoleName if name.kind.heading == heading
        ]
    return "\n".join([*lines, "", ""])


def faults_table() -> str:
    """Return the kinds of fault in their groups, each with its words and its sizes."""
    lines = []
    for group in dict.fromkeys(kind.group for kind in FAULT_KINDS):
        lines += ["", f"| {group} | words in ids | what is tried |", "| --- | --- | --- |"]
        for kind in FAULT_KINDS:
            words = ", ".join(f"`{word.name}`" for word in kind.words if not word.swept_only)
            lines += [f"| `{kind.name}` | {words} | {kind.defects} |"] * (kind.group == group)
    return "\n".join([*lines, "", ""])


FOUND_FROM = {
    "text": "what the text says",
    "wiring": "what the wiring alone says",
    "solved": "what the solved circuit says",
}


def findings_table() -> str:
    """Return the kinds of finding by what they are found from, each with level and title."""
    lines = []
    for basis, title in FOUND_FROM.items():
        lines += ["", f"| {title} | level | what |", "| --- | --- | --- |"]
        lines += [
            f"| `{code}` | {kind.level} | {kind.title} |"
            for code, kind in sorted(FINDING_KINDS.items())
            if kind.basis == basis
        ]
    return "\n".join([*lines, "", ""])


def notes_table() -> str:
    """Return the keys of part notes by the kind of card they are for."""
    lines = ["", "| note | on | meaning |", "| --- | --- | --- |"]
    for key in sorted(NoteKey, key=lambda key: "RCLVX".index(key.row.letter)):
        others = "".join(f" or `{one}`" for one in key.row.choices if one not in key.row.sample)
        lines.append(f"| `{key.row.sample}`{others} | {key.row.letter} | {key.row.meaning} |")
    return "\n".join([*lines, "", ""])


TABLES = {
    "roles": roles_table,
    "faults": faults_table,
    "findings": findings_table,
    "notes": notes_table,
}


def excerpt(output: str, show: str) -> str:
    """Cut program output to what a sample shows."""
    if not show:
        return output
    wanted = [re.fullmatch(r"(.+?)(?: (\d+))?", each.strip()) for each in show.split(",")]
    most = {match[1]: int(match[2] or 10_000) for match in wanted if match}
    kept: list[str] = []
    for heading, lines in sections(output):
        plain = heading.replace(",", "")
        name = next((each for each in most if plain.startswith(each)), None)
        if name is None:
            kept += [] if kept[-1:] == [DOTS] else [DOTS]
            continue
        kept += ["", *lines[: most[name]]]
        if len(lines) > most[name]:
            kept.append(DOTS)
    return "\n".join(kept).strip("\n") + "\n"


def sections(output: str) -> list[tuple[str, list[str]]]:
    """Split a report at its headings: underlined, with a blank line above.

    The part before them is `Verdict`.
    """
    lines = output.rstrip("\n").split("\n")
    starts = [
        number
        for number, (line, below) in enumerate(pairwise(lines))
        if line and below == "-" * len(line) and not lines[number - 1]
    ]
    bounds = [0, *starts, len(lines)]
    found = []
    for first, last in pairwise(bounds):
        block = "\n".join(lines[first:last]).strip("\n").split("\n")
        found.append(("Verdict" if first == 0 else lines[first], block))
    return found


def differences(shown: str, now: str) -> list[str]:
    """Return the words that differ by more than rounding; rules and wrapping are free."""
    pairs = list(zip(_words(shown), _words(now), strict=False))
    differing = [f"{old} is now {new}" for old, new in pairs if not _alike(old, new)]
    if len(_words(shown)) != len(_words(now)):
        differing.append(f"{len(_words(shown))} words are now {len(_words(now))}")
    return differing


def _words(text: str) -> list[str]:
    return [word for word in text.split() if set(word) != {"-"}]


def _alike(old: str, new: str) -> bool:
    """Compare two words, numbers in them within the tolerance."""
    pattern = r"\d+(?:\.\d+)?"
    if re.split(pattern, old) != re.split(pattern, new):
        return False
    numbers = zip(re.findall(pattern, old), re.findall(pattern, new), strict=True)
    return all(
        abs(float(first) - float(second)) <= TOLERANCE * max(float(first), float(second), 0.5)
        for first, second in numbers
    )
