"""What the call of a subcircuit stands for, where it is no tube.

A pot is also a call of a subcircuit that holds two resistors and nothing else, joined at
one net (the wiper): they get the note that joins the halves of a pot, as `pot=` would;
the half that is written first is the upper one.  A transformer of controlled sources is
read by `ideal_transformers.py`.  A block of parts that a chassis has too (resistors,
capacitors, windings, diodes, supplies, tubes) is those parts.  What is left holds
controlled sources or transistors nobody here knows the purpose of, and is named.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace

from netcheck.circuit.ideal_transformers import find_ideal_transformers
from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.findings import Finding
from netcheck.netlist.flat import ExpandedCall

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


_WORDS = {"controlled_source": "controlled source", "transistor": "transistor"}


def unknown_block_findings(circuit: Circuit, calls: Sequence[ExpandedCall]) -> Iterator[Finding]:
    """Yield a warning for every call that expands to sources nobody knows the purpose of."""
    known = {
        ref
        for found in find_ideal_transformers(circuit)
        for ref in (*found.windings, *found.absorbed)
    }
    by_call: dict[str, list[Part]] = {}
    refs = {call.ref for call in calls}
    for part in circuit.of_kind("controlled_source", "transistor"):
        if part.ref not in known and (ref := _call_of(part.ref, refs)):
            by_call.setdefault(ref, []).append(part)
    for call in calls:
        parts = by_call.get(call.ref, ())
        if parts:
            yield _unknown(call, Counter(_WORDS[part.kind] for part in parts))


def _call_of(ref: str, calls: set[str]) -> str:
    """Return the innermost call a part belongs to."""
    while "." in ref:
        ref = ref.rpartition(".")[0]
        if ref in calls:
            return ref
    return ""


def _unknown(call: ExpandedCall, kinds: Counter[str]) -> Finding:
    held = " and ".join(f"{n} {word}{'s' if n > 1 else ''}" for word, n in sorted(kinds.items()))
    return Finding(
        "unknown-block",
        "warning",
        f"{call.ref} ({call.name}) is neither a tube nor a block that is known: its {held} are "
        "solved as they are written, and nothing here knows a limit of it",
        call.ref,
        call.span,
        "if it is a tube, `;! type=` on its card says which",
    )
