"""What was seen, smelled, heard or done at the bench, other than meter readings.

Comes in: `glow(X4)=yes`, `fuse=blown`, `hum=no`, `smell(R24)=yes`, `discolored(R24)=no`,
`swap(X4)=followed`, `recent=new_tubes`.  Goes out: an `Evidence`, and how likely it is
under a cause; how hot each part would be under each fault, as shares of its limit, from the
dictionary's idle page.

Where the dictionary was solved, physics speaks (`evidence_rules.py`): a plate glows by the
fourth-power law, a resistor smells and darkens about its rating, a fuse opens by its
published gates.  Hum, exchanged tubes and recent work are rows with a source each, in the
same place.  Two rules of the repair trade (common practice):

- A different tube that cured the complaint may only hide its cause: a circuit fault makes
  any tube run hot, and a weaker or less gassy one merely runs less hot.  So `cured` leaves
  a circuit fault more than half of what it gives a fault of that tube, while `no_change`
  and `stayed` speak against the tube.
- What heats up under drive only is not at fault for being cool at idle: its glow has a
  floor.

No probability is below 0.02 or above 0.98, so that one mistake cannot kill the truth.
Smell and color of one part are one sign twice: who multiplies both counts it twice.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import ReplaceTube, apply_changes
from netcheck.circuit.model import GROUND, Circuit
from netcheck.diagnose import evidence_rules as rules
from netcheck.diagnose.bench import plate_limits
from netcheck.diagnose.dictionary import Dictionary
from netcheck.diagnose.evidence_rules import UNMODELLED
from netcheck.diagnose.situations import IDLE
from netcheck.errors import NetcheckError
from netcheck.faults.base import Fault
from netcheck.judge.limits import limits_of
from netcheck.netlist.mistakes import did_you_mean, listed
from netcheck.roles.base import Roles

EvidenceKind = Literal["glow", "fuse", "hum", "smell", "discolored", "swap", "recent"]

_SENTENCES: Mapping[EvidenceKind, Mapping[str, str]] = {
    "glow": {
        "yes": "The plate of {part} glows red.",
        "no": "The plate of {part} does not glow.",
    },
    "fuse": {"blown": "{Fuse} has blown.", "whole": "{Fuse} is whole."},
    "hum": {"yes": "It hums.", "no": "It does not hum."},
    "smell": {"yes": "{part} smells burnt.", "no": "{part} does not smell burnt."},
    "discolored": {"yes": "{part} is discolored.", "no": "{part} is not discolored."},
    "swap": {
        "followed": "The tube of {part} was exchanged with the other side's: "
        "the complaint followed the tube.",
        "stayed": "The tube of {part} was exchanged with the other side's: "
        "the complaint stayed with the socket.",
        "changed_sides": "The tube of {part} was exchanged with the other side's: "
        "the complaint changed sides.",
        "cured": "With a different tube at {part} the complaint is gone, "
        "which does not clear the circuit.",
        "no_change": "With a different tube at {part} the complaint is the same.",
    },
    "recent": {
        "new_tubes": "New tubes were fitted recently.",
        "new_capacitors": "New capacitors were fitted recently.",
        "new_resistors": "New resistors were fitted recently.",
        "new_output_transformer": "A new output transformer was fitted recently.",
        "bias_adjusted": "The bias was adjusted recently.",
        "new_rectifier": "Another rectifier was fitted recently.",
        "rewired": "It was rewired recently.",
        "nothing": "Nothing was done to it recently.",
    },
}
EVIDENCE_KINDS: tuple[EvidenceKind, ...] = get_args(EvidenceKind)
_SPELLED: Mapping[str, EvidenceKind] = {"discoloured": "discolored"}
_OF_A_PART = frozenset({"glow", "smell", "discolored", "swap"})
_MAY_NAME_A_PART = _OF_A_PART | {"fuse"}
_SIDES = frozenset({"followed", "stayed", "changed_sides"})
_BURNING = ("resistor", "inductor", "capacitor")
_FORM = re.compile(r"\s*(\w+)\s*(?:\(\s*([^()=@\s]+)\s*\)\s*)?=\s*([^()=@]*\S)\s*", re.ASCII)
_HINT = (
    "such as glow(X4)=yes, fuse=blown, hum=no, smell(R24)=yes, swap(X4)=stayed or recent=nothing"
)


@dataclass(frozen=True, slots=True)
class Evidence:
    """One piece of evidence; `part` is empty where it names none."""

    kind: EvidenceKind
    part: str
    word: str

    @property
    def text(self) -> str:
        """The evidence as it can be typed again."""
        return f"{self.kind}({self.part})={self.word}" if self.part else f"{self.kind}={self.word}"

    @property
    def words(self) -> str:
        """The evidence as a sentence."""
        fuse = f"Fuse {self.part}" if self.part else "The fuse"
        return _SENTENCES[self.kind][self.word].format(part=self.part, Fuse=fuse)


@dataclass(frozen=True, slots=True)
class Signs:
    """What the dictionary solved for one cause at one size, at idle, with nominal parts.

    plate_ratio: plate dissipation over the published limit, by tube.  part_ratio: heat
    over rated heat of resistors and windings, where a rating is known or assumed.
    fuse_ratio: current over rated current by fuse; empty where the circuit has none.
    What is missing or nan was not solved.
    """

    plate_ratio: Mapping[str, float]
    part_ratio: Mapping[str, float]
    fuse_ratio: Mapping[str, float]


def parse_evidence(text: str) -> Evidence:
    """Read one piece of evidence; what cannot be read is one clear error."""
    match = _FORM.fullmatch(text)
    if match is None:
        raise NetcheckError(f"`{text}` is not evidence", hint=_HINT)
    name, part, word = match.group(1).casefold(), match.group(2) or "", match.group(3)
    kind = next((one for one in EVIDENCE_KINDS if one == _SPELLED.get(name, name)), None)
    if kind is None:
        hint = did_you_mean(name, EVIDENCE_KINDS) or f"one of {', '.join(EVIDENCE_KINDS)}"
        raise NetcheckError(f"`{text}`: there is no evidence `{name}`", hint=hint)
    if kind in _OF_A_PART and not part:
        example = "R24" if kind in ("smell", "discolored") else "X4"
        raise NetcheckError(
            f"`{text}`: {kind} is of a part", hint=f"such as {kind}({example})={word}"
        )
    if part and kind not in _MAY_NAME_A_PART:
        raise NetcheckError(f"`{text}`: {kind} is of no part", hint=f"write {kind}={word}")
    return Evidence(kind, part, _word(text, kind, word))


def _word(text: str, kind: EvidenceKind, word: str) -> str:
    """Return the known word; blanks and hyphens may stand for underlines."""
    known = _SENTENCES[kind]
    plain = re.sub(r"[\s-]+", "_", word.casefold())
    if plain not in known:
        choice = f"one of {', '.join(known)}"
        near = did_you_mean(plain, known)
        hint = f"{near} (it is {choice})" if near else choice
        raise NetcheckError(f"`{text}`: {kind} cannot be `{word}`", hint=hint)
    return plain


def check_evidence(evidence: Evidence, circuit: Circuit, roles: Roles) -> None:
    """Raise a NetcheckError unless the circuit has what the evidence is about."""
    match evidence.kind:
        case "glow":
            _check_tube(evidence, circuit)
        case "smell" | "discolored":
            _check_sort(evidence, circuit, _BURNING)
        case "fuse" if evidence.part:
            _check_fuse(evidence, circuit)
        case "swap":
            _check_tube(evidence, circuit)
            if evidence.word in _SIDES:
                _check_other_tube(evidence, circuit)
        case "recent":
            _check_work(evidence, roles)


def _check_there(evidence: Evidence, circuit: Circuit, fit: tuple[str, ...]) -> None:
    """Raise unless the part exists; a bulb's name leads to its sections."""
    if evidence.part in circuit.parts:
        return
    named = evidence.part.casefold()
    sections = [
        tube.ref
        for bulb in circuit.bulbs
        for tube in bulb
        if tube.note.envelope.casefold() == named
    ]
    if sections and set(sections) & set(fit):
        hint = f"{evidence.part} is the bulb of {' and '.join(sections)}: name one of them"
    else:
        hint = did_you_mean(evidence.part, fit) or _would_do(fit)
    raise NetcheckError(f"`{evidence.text}`: the circuit has no {evidence.part}", hint=hint)


def _would_do(fit: tuple[str, ...]) -> str:
    return f"it has {listed(fit)}" if fit else "it has no part of that sort"


def _check_sort(evidence: Evidence, circuit: Circuit, kinds: tuple[str, ...]) -> None:
    fit = tuple(part.ref for part in circuit if part.kind in kinds)
    _check_there(evidence, circuit, fit)
    part = circuit[evidence.part]
    if part.kind not in kinds:
        hint = f"{evidence.kind} is of a {', '.join(kinds[:-1])} or {kinds[-1]}"
        if part.kind == "tube":
            hint += f"; for a tube write glow({part.ref})=yes"
        raise NetcheckError(
            f"`{evidence.text}`: {part.ref} is a {part.kind.replace('_', ' ')}", hint=hint
        )


def _check_tube(evidence: Evidence, circuit: Circuit) -> None:
    fit = tuple(tube.ref for tube in circuit.tubes)
    _check_there(evidence, circuit, fit)
    if evidence.part not in fit:
        kind = circuit[evidence.part].kind.replace("_", " ")
        raise NetcheckError(
            f"`{evidence.text}`: {evidence.part} is a {kind}, not a tube", hint=_would_do(fit)
        )


def _check_fuse(evidence: Evidence, circuit: Circuit) -> None:
    fit = tuple(part.ref for part in rules.fuses_of(circuit))
    _check_there(evidence, circuit, fit)
    if evidence.part not in fit:
        hint = f"its fuses are {listed(fit)}" if fit else "write fuse=blown or fuse=whole"
        raise NetcheckError(
            f"`{evidence.text}`: {evidence.part} is not noted as a fuse",
            hint=f"{hint}; a resistor is one with the note fuse=500mA",
        )


def _check_other_tube(evidence: Evidence, circuit: Circuit) -> None:
    """Raise where no other socket holds a tube of that type to exchange it with."""
    bulb = rules.bulb_of(circuit, evidence.part)

    def types(refs: tuple[str, ...]) -> set[str]:
        return {tube.name if (tube := circuit[ref].tube) else "" for ref in refs}

    wanted = types(bulb)
    others = [tube.ref for tube in circuit.tubes if tube.ref not in bulb]
    if not any(types(rules.bulb_of(circuit, ref)) == wanted for ref in others):
        raise NetcheckError(
            f"`{evidence.text}`: no other socket holds a tube like that of {evidence.part}",
            hint=f"for another tube put in write swap({evidence.part})=cured or "
            f"swap({evidence.part})=no_change",
        )


def _check_work(evidence: Evidence, roles: Roles) -> None:
    """Raise where the work was on something that the netlist does not have."""
    adjusted = roles.bias_supplies or any(one.kind != "hum" for one in roles.adjusters)
    missing = {
        "bias_adjusted": "" if adjusted else "nothing that sets a bias",
        "new_output_transformer": "" if roles.transformers else "no output transformer",
    }.get(evidence.word, "")
    if missing:
        raise NetcheckError(
            f"`{evidence.text}`: the circuit has {missing}",
            hint="leave it out, or put into the netlist what is in the unit",
        )


def evidence_likelihood(
    evidence: Evidence, fault: Fault | None, signs: Signs, circuit: Circuit, roles: Roles
) -> float:
    """Return the probability of what was seen under a cause, from 0.02 to 0.98.

    fault: None for a sound unit.  signs: solved for that cause; where they hold no figure
    the cause is taken to show what a fault outside of the catalogue would.  circuit: the
    sound one; roles: its roles.
    """
    part, plates = evidence.part, signs.plate_ratio
    yes: float | None
    match evidence.kind:
        case "swap":
            return rules.swapped(evidence.word, part, fault, circuit, roles)
        case "recent":
            return rules.worked(evidence.word, fault, roles)
        case "glow":
            yes = rules.glows(part, fault, plates, circuit, roles)
        case "fuse":
            yes = rules.blows(part, fault, signs.fuse_ratio, plates, circuit, roles)
        case "hum":
            yes = rules.hums(fault, plates, roles)
        case _:
            steps = rules.SMELLS if evidence.kind == "smell" else rules.DARKENS
            yes = rules.burns(part, steps, fault, signs.part_ratio, circuit, roles)
    if yes is None:
        return unmodelled_likelihood(evidence)
    return yes if evidence.word in ("yes", "blown") else 1.0 - yes


def unmodelled_likelihood(evidence: Evidence) -> float:
    """Return the probability of what was seen under a fault that is not in the catalogue."""
    return UNMODELLED[evidence.kind][evidence.word]


Array = NDArray[np.float64]
OVER = 1.05
"""From here on a part is said to overheat; less is at its limit."""


def _own_plates(dictionary: Dictionary, fault: Fault) -> dict[str, float]:
    """Return the plate limits [W] that a tube of another type brings with it."""
    replaced = tuple(one for one in fault.changes if isinstance(one, ReplaceTube))
    if not replaced:
        return {}
    fitted = apply_changes(dictionary.circuit, replaced)
    limits = plate_limits(limits_of(fitted, dictionary.roles))
    refs = {one.part for one in replaced}
    return {ref: one.compared_limit for ref, one in limits.items() if ref in refs}


class HeatSigns:
    """Ratios by row of the dictionary; nan where a fault was not solved."""

    def __init__(self, dictionary: Dictionary) -> None:
        page = dictionary.page(IDLE.key)
        circuit, nominal, place = dictionary.circuit, page.nominal, page.place

        def column(name: str) -> Array:
            return np.asarray(nominal[:, place[name]], dtype=float)

        def volts(net: str) -> Array | float:
            return 0.0 if net == GROUND else column(f"v:{net}")

        self.plate: dict[str, Array] = {}
        self.part: dict[str, Array] = {}
        self.fuse: dict[str, Array] = {}
        for ref, quantity, limit in page.limits:
            if quantity == "plate_dissipation_w" and f"w:{ref}" in place:
                self.plate[ref] = column(f"w:{ref}") / limit
            elif quantity == "power_w" and f"i:{ref}" in place:
                first, second = circuit[ref].nets
                watts = np.abs(volts(first) - volts(second)) * column(f"i:{ref}")
                self.part[ref] = np.asarray(watts / limit)
            elif quantity == "current_a" and f"i:{ref}" in place:
                self.part[ref] = (column(f"i:{ref}") / limit) ** 2
        for row, fault in enumerate(dictionary.faults, start=1):
            for ref, limit_w in _own_plates(dictionary, fault).items():
                if ref in self.plate:
                    self.plate[ref][row] = nominal[row, place[f"w:{ref}"]] / limit_w
        for part in circuit.of_kind("resistor"):
            if part.note.fuse_a:
                self.fuse[part.ref] = column(f"i:{part.ref}") / part.note.fuse_a

    def at(self, row: int) -> tuple[Mapping[str, float], Mapping[str, float], Mapping[str, float]]:
        """Return the ratios of plates, parts and fuses in one row."""
        plate, part, fuse = (
            {ref: float(values[row]) for ref, values in table.items()}
            for table in (self.plate, self.part, self.fuse)
        )
        return plate, part, fuse

    def hottest_plate(self) -> Array:
        """Return by row the largest plate ratio."""
        if not self.plate:
            return np.zeros(1)
        ratios = np.array(list(self.plate.values()))
        return np.asarray(np.where(np.isnan(ratios), 0.0, ratios).max(axis=0))

    def words(self, row: int) -> tuple[str, ...]:
        """Return what is overheated in one row, tubes first, the hottest first."""
        found = []
        for rank, table, what in ((0, self.plate, "plate"), (1, self.part, "")):
            for ref, values in table.items():
                ratio = float(values[row])
                if ratio > OVER and ratio > OVER * float(values[0]):
                    name = f"{ref} {what}".rstrip()
                    found.append((rank, -ratio, f"{name} {ratio * 100.0:.0f} % of its limit"))
        return tuple(words for _, _, words in sorted(found))
