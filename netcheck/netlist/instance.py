"""Words beside a value (`Rser=0.2 V=400 temp=50`): parts, ratings, or set aside.

Comes in: an element with the `key=value` words of its card.  Goes out: that element with
its ratings in the note and its number of parallel parts in the value, and the parts that
other dialects write into it.  What changes a current is never dropped: a word that is
neither a part, a rating nor on the list of what may be set aside is a finding.

A series resistance of a winding is the wire's (`dcr=` of a part note, which counts where
both are given).  In series with a source or a capacitor it is a resistor `REF.Rser` on a
net `REF.ser`; across a part it is `REF.Rpar`, a capacitance across it `REF.Cpar`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from netcheck.netlist.cards import Card, Word
from netcheck.netlist.flat import FlatElement
from netcheck.netlist.values import FindingLog

SERIES = {"rser": "R", "lser": "L"}
GROUND = "0"
ACROSS = {"rpar": "R", "cpar": "C", "lpar": "L"}
_PARTS: Mapping[str, frozenset[str]] = {
    "C": frozenset({"rser", "lser", "rpar", "cpar"}),
    "L": frozenset({"rser", "rpar", "cpar", "dcr"}),
    "V": frozenset({"rser", "cpar"}),
    "I": frozenset({"rpar", "cpar"}),
    "B": frozenset({"rpar", "cpar"}),
    "E": frozenset({"rpar", "cpar"}),
    "G": frozenset({"rpar", "cpar"}),
}
_RATINGS: Mapping[str, Mapping[str, tuple[str, float]]] = {
    "R": {"pwr": ("power_w", 1.0), "power": ("power_w", 1.0), "tol": ("tolerance", 0.01)},
    "C": {"v": ("volts_v", 1.0), "tol": ("tolerance", 0.01)},
    "L": {"ipk": ("max_current_a", 1.0), "tol": ("tolerance", 0.01)},
}
"""Key of a card: field of the part note, and the factor on the figure."""

SET_ASIDE = frozenset(
    {
        *("temp", "dtemp", "tc", "tc1", "tc2", "tce", "noisy", "noiseless", "ic", "off"),
        *("mfg", "manufacturer", "pn", "part", "type", "desc", "spicemodel", "footprint"),
        *("irms", "ripple", "ripplecurrent", "vpk", "nt", "tripdv", "tripdt"),
        *("distof1", "distof2", "portnum", "z0"),
    }
)
"""Words that change no current at the temperature and frequencies that are solved: of
temperature coefficients, noise, starting values, analyses, and of who made a part."""

TEMPERED = frozenset({"tc", "tc1", "tc2", "tce"})
"""Words that count where a card gives a temperature of its own."""

CURRENT_WORDS = frozenset(SERIES) | frozenset(ACROSS) | {"dcr", "m"}
"""Words whose value has to be a number: text in their place is a mistake."""

LEAD_H = 1e-6
"""Inductance of a capacitor's leads, set aside: 0.13 ohm at 20 kHz at the most."""

_PER_PARALLEL = {"R": -1, "L": -1, "C": 1}


def with_instance_words(element: FlatElement, log: FindingLog) -> tuple[FlatElement, ...]:
    """Return the element and the parts its card holds besides."""
    given = element.parameters
    aside = SET_ASIDE - TEMPERED if given.keys() & {"temp", "dtemp"} else SET_ASIDE
    words = {key: value for key, value in given.items() if key not in aside}
    if not words:
        return (element,)
    element = _rated(element, words)
    element = _multiplied(element, words)
    parts: list[FlatElement] = []
    told: list[str] = []
    outer = element.nodes[:2]
    known = _PARTS.get(element.letter, frozenset())
    for key in [key for key in words if key in known]:
        value = words.pop(key)
        if value < 0.0:
            words[key] = value
        elif element.letter == "L" and key in {"rser", "dcr"}:
            element = _wired(element, key, value, told)
        elif key == "lser" and value < LEAD_H:
            pass
        elif key in SERIES and value:
            element, part = _in_series(element, key, value)
            parts.append(part)
        elif key in ACROSS and value:
            parts.append(_part(element, key, ACROSS[key], outer, value))
    _tell(element, words, told, log)
    return (element, *parts)


def _rated(element: FlatElement, words: dict[str, float]) -> FlatElement:
    note = element.note
    for key, (field, factor) in _RATINGS.get(element.letter, {}).items():
        if key not in words:
            continue
        value = words.pop(key) * factor
        if getattr(note, field) is None and value > 0.0:
            note = replace(note, **{field: value})  # type: ignore[arg-type]
    return replace(element, note=note)


def _multiplied(element: FlatElement, words: dict[str, float]) -> FlatElement:
    """Take `m=2` as two of them side by side."""
    power = _PER_PARALLEL.get(element.letter)
    if power is None or element.value is None or words.get("m", 0.0) <= 0.0:
        return element
    return replace(element, value=element.value * words.pop("m") ** power)


def _wired(element: FlatElement, key: str, ohm: float, told: list[str]) -> FlatElement:
    noted = element.note.dcr_ohm
    if noted is None:
        return replace(element, note=replace(element.note, dcr_ohm=ohm))
    if noted != ohm:
        told.append(f"{element.ref}: the note's dcr of {noted:g} ohm counts, not {key}={ohm:g}")
    return element


def _in_series(element: FlatElement, key: str, value: float) -> tuple[FlatElement, FlatElement]:
    """Put a part between the element, which moves to a net of its own, and its hot net."""
    inner = f"{element.ref}.{'ser' if SERIES[key] == 'R' else 'lead'}"
    first, *others = element.nodes
    if first == GROUND and len(others) == 1:
        part = _part(element, key, SERIES[key], (inner, others[0]), value)
        return replace(element, nodes=(first, inner)), part
    part = _part(element, key, SERIES[key], (first, inner), value)
    return replace(element, nodes=(inner, *others)), part


def _part(
    element: FlatElement, key: str, letter: str, nodes: tuple[str, ...], value: float
) -> FlatElement:
    return FlatElement(
        ref=f"{element.ref}.{key.capitalize()}",
        letter=letter,
        nodes=nodes,
        span=element.span,
        value=value,
        value_text=f"{value:g}",
        inside=element.ref,
    )


def _tell(
    element: FlatElement, words: Mapping[str, float], told: list[str], log: FindingLog
) -> None:
    """Note all of a card's words that do not count in one finding."""
    if words:
        shown = " ".join(f"{key}={value:g}" for key, value in words.items())
        are, were = ("are", "were") if len(words) > 1 else ("is", "was")
        told.append(
            f"`{shown}` of {element.ref} {are} not known here and {were} set aside: a current "
            "it would change is solved without it"
        )
    if told:
        log.add("instance-word", "warning", "; ".join(told), element.span, element.ref)


def spare_word(element: FlatElement, card: Card, word: Word, log: FindingLog) -> None:
    """Note a word behind a device's model: `off` says nothing, an area is not taken."""
    if word.text.lower() not in {"off", "1", "1.0"}:
        message = f"`{word.text}` of {element.ref} is not known here and was set aside"
        log.add("instance-word", "warning", message, card.span(word), element.ref)
