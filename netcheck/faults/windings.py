"""Halves of an output transformer: their segments, turns and wire resistance.

Comes in: a circuit and its roles.  Goes out: one `Half` for each plate winding, with
the segments in order from the plate, their share of the half's turns (turns go with
the square root of inductance on one core) and the resistance of the wire.

The wire resistance is the part note's `dcr=`, else that of a resistor recognised as
the winding's wire, else an estimate: 2 % of the load the whole primary reflects,
shared out by turns.  The rule is an assumption; a push-pull transformer for 6.6 or
8 kohm with 141 ohm in its whole primary (a maker's sheet, as quoted) has 1.8 to 2.1 %.
Where no speaker load is known, 100 ohm a half (common practice: 50 to 500 ohm).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from netcheck.circuit.model import Circuit, Part, natural_key
from netcheck.roles.base import OutputTransformer, Roles
from netcheck.roles.table import RoleName

DCR_SHARE_OF_LOAD = 0.02
DCR_FALLBACK_OHM = 100.0


@dataclass(frozen=True, slots=True)
class Half:
    """The plate winding of one tube, or of tubes in parallel.

    segments: windings from the plate inward; turn_share: their shares of the half's
    turns, summing to 1.  wire: resistors that stand for the wire, if any.
    dcr_ohm: of the whole half; estimated: whether by the rule.
    """

    tubes: tuple[str, ...]
    segments: tuple[str, ...]
    turn_share: tuple[float, ...]
    wire: tuple[str, ...]
    dcr_ohm: float
    estimated: bool


def halves(circuit: Circuit, roles: Roles) -> tuple[Half, ...]:
    """Return the plate windings of all output transformers, each once."""
    found: list[Half] = []
    for transformer in roles.transformers:
        tubes: dict[tuple[str, ...], list[str]] = {}
        for tube, segments in transformer.primaries.items():
            if segments and all(_is_winding(circuit, ref) for ref in segments):
                tubes.setdefault(tuple(segments), []).append(tube)
        for segments, refs in tubes.items():
            served = tuple(sorted(refs, key=natural_key))
            found.append(_half(circuit, roles, transformer, segments, served))
    return tuple(found)


def _is_winding(circuit: Circuit, ref: str) -> bool:
    part = circuit.parts.get(ref)
    return part is not None and part.kind == "inductor" and (part.value or 0.0) > 0.0


def _half(
    circuit: Circuit,
    roles: Roles,
    transformer: OutputTransformer,
    segments: tuple[str, ...],
    tubes: tuple[str, ...],
) -> Half:
    turns = [_turns(circuit[ref]) for ref in segments]
    total = sum(turns)
    shares = tuple(each / total for each in turns)
    wire = _wire_resistors(circuit, roles, transformer.center_tap, segments)
    noted = [
        (circuit[ref].note.dcr_ohm, share) for ref, share in zip(segments, shares, strict=True)
    ]
    known = [(ohm, share) for ohm, share in noted if ohm]
    if known:
        dcr = sum(ohm for ohm, _ in known) / sum(share for _, share in known)
    elif wire:
        dcr = sum(circuit[ref].value or 0.0 for ref in wire)
    else:
        dcr = _estimated_dcr(circuit, transformer, total)
    return Half(tubes, segments, shares, wire, dcr, not known and not wire)


def _turns(winding: Part) -> float:
    """Return a number in proportion to the winding's turns."""
    return sqrt(winding.value or 0.0)


def _wire_resistors(
    circuit: Circuit, roles: Roles, center_tap: str, segments: Sequence[str]
) -> tuple[str, ...]:
    """Return the resistors that stand for the wire of these segments.

    A role that names one of the segments decides; else the resistor must share a net
    with a segment and with no other winding.
    """
    named = [
        role
        for role in roles.named(RoleName.WIRE_RESISTANCE)
        if role.part in circuit.parts and circuit[role.part].kind == "resistor"
    ]
    chosen = {role.part for role in named if role.of in segments}
    if not chosen:
        own = {net for ref in segments for net in circuit[ref].nets}
        windings = [part for part in circuit.of_kind("inductor") if part.ref not in segments]
        others = {net for part in windings for net in part.nets}
        refs = {part.ref for part in windings}
        for role in named:
            part = circuit[role.part]
            # At the center tap, a resistor that leads to another winding is that one's wire.
            mine = [
                net
                for net in part.nets
                if net in own - others and not (net == center_tap and part.other_net(net) in others)
            ]
            if mine and role.of not in refs:
                chosen.add(part.ref)
    return tuple(sorted(chosen, key=natural_key))


def _estimated_dcr(circuit: Circuit, transformer: OutputTransformer, half_turns: float) -> float:
    """Return 2 % of the reflected load, shared out by turns; see the module's rule."""
    speaker = circuit.parts.get(transformer.speaker or "")
    load_ohm = (speaker.value or 0.0) if speaker else 0.0
    secondary = _secondary_turns(circuit, transformer, speaker)
    if load_ohm <= 0.0 or secondary <= 0.0:
        return DCR_FALLBACK_OHM
    windings = {tuple(segments) for segments in transformer.primaries.values()}
    primary = sum(
        _turns(circuit[ref]) for group in windings for ref in group if ref in circuit.parts
    )
    reflected_ohm = load_ohm * (primary / secondary) ** 2
    return DCR_SHARE_OF_LOAD * reflected_ohm * half_turns / primary


def _secondary_turns(
    circuit: Circuit, transformer: OutputTransformer, speaker: Part | None
) -> float:
    """Return the turns the speaker hangs on: one winding, or several in series."""
    windings = [circuit[ref] for ref in transformer.secondaries if _is_winding(circuit, ref)]
    across = [part for part in windings if speaker and set(part.nets) == set(speaker.nets)]
    return sum(_turns(part) for part in across[:1] or windings)
