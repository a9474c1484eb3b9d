"""Pots written as a subcircuit of two resistors.

Comes in: a `Circuit`.  Goes out: the same circuit, where the two resistors of such a
subcircuit carry the note that joins the halves of a pot, as `pot=` would.  A pot is a
call of a subcircuit that holds two resistors and nothing else, joined at one net (the
wiper).  The half that is written first is the upper one.
"""

from __future__ import annotations

from dataclasses import replace

from netcheck.circuit.model import GROUND, Circuit, Part

HALVES = 2


def with_pots(circuit: Circuit) -> Circuit:
    """Return the circuit with the halves of every pot subcircuit noted."""
    calls: dict[str, list[Part]] = {}
    for part in circuit:
        call, dot, _ = part.ref.rpartition(".")
        if dot:
            calls.setdefault(call, []).append(part)
    noted = [
        replace(half, note=replace(half.note, pot=call, pot_side=side))
        for call, parts in calls.items()
        if _is_pot(parts)
        for half, side in zip(_in_order(parts), ("upper", "lower"), strict=True)
    ]
    return circuit.with_parts(*noted) if noted else circuit


def _is_pot(parts: list[Part]) -> bool:
    if len(parts) != HALVES or any(p.kind != "resistor" or p.note.pot for p in parts):
        return False
    shared = set(parts[0].nets) & set(parts[1].nets)
    return bool(shared - {GROUND})


def _in_order(parts: list[Part]) -> list[Part]:
    return sorted(parts, key=lambda part: part.span.line if part.span else 0)
