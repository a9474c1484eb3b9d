"""What recognition costs: seconds a part for circuits of 200, 400 and 800 parts.

The circuits are channels of one power amplifier on common supplies, so that the supply
nets grow with the circuit.  Times are printed; judged is only how the cost of a part
grows within one run.
"""

from __future__ import annotations

import cProfile
import gc
import io
import os
import pstats
import time
from dataclasses import replace

from netcheck.circuit.model import Circuit
from netcheck.roles import recognise
from tests.roles.circuits import case_text, circuit_of

COMMON = frozenset({"0", "raw", "bp", "bs", "bd", "nraw", "nf", "nb"})
"""Nets of the supplies, which all channels share."""
SIZES = (200, 400, 800)
TARGET_S = 0.2
"""Wanted for 200 parts on two ordinary cores; printed, not judged."""
GROWTH = 1.6
"""Most that the cost of a part may grow while the circuit grows fourfold."""
RUNS = 5


def channels(least_parts: int) -> Circuit:
    """Return as many channels of a pentode pair as have so many parts."""
    title, *cards = (line for line in case_text("fixed_bias_pair").splitlines() if line)
    words = [card.partition(";")[0].split() for card in cards if not card.startswith(".")]
    notes = [card.partition(";")[2] for card in cards if not card.startswith(".")]
    supply = [index for index, word in enumerate(words) if _nets(word) <= COMMON and _nets(word)]
    lines = [cards[index] for index in supply]
    channel = [index for index in range(len(words)) if index not in supply]
    number = 0
    while len(lines) < least_parts:
        number += 1
        lines += [_copy(words[index], notes[index], number) for index in channel]
    return circuit_of("\n".join([title, *lines, ".end", ""]))


def _nets(words: list[str]) -> set[str]:
    letter = words[0][0]
    return set() if letter == "K" else set(words[1:-1] if letter == "X" else words[1:3])


def _copy(words: list[str], note: str, number: int) -> str:
    letter = words[0][0]
    last = len(words) - 1 if letter in "XK" else 3
    middle = [
        word if word in COMMON and letter != "K" else f"{word}c{number}" for word in words[1:last]
    ]
    note = note.replace("envelope=V", f"envelope=V{number}")
    return " ".join([f"{words[0]}c{number}", *middle, *words[last:]]) + (
        f" ;{note}" if note else ""
    )


def seconds(circuit: Circuit) -> float:
    """Least time of some runs, each on a circuit without its lookup tables."""
    best = float("inf")
    for _ in range(RUNS):
        fresh = replace(circuit)
        gc.collect()
        started = time.process_time()
        recognise(fresh)
        best = min(best, time.process_time() - started)
    return best


def test_the_cost_of_a_part_does_not_grow_with_the_circuit() -> None:
    circuits = [channels(size) for size in SIZES]
    for circuit in circuits:
        assert recognise(circuit).unrecognised == ()
    recognise(circuits[0])

    taken = [seconds(circuit) for circuit in circuits]

    each = [s / len(circuit.parts) for s, circuit in zip(taken, circuits, strict=True)]
    for s, part_s, circuit in zip(taken, each, circuits, strict=True):
        say = f"{len(circuit.parts)} parts in {s * 1e3:.0f} ms, {part_s * 1e6:.0f} us a part"
        print(f"\n  bench: {say} ({part_s / each[0]:.2f})", end="")
    print(f"\n  bench: 200 parts take {each[0] * 200:.3f} s of the {TARGET_S} s wanted", end="")
    if os.environ.get("NETCHECK_PROFILE"):
        print(_profile(circuits[-1]))
    assert each[-1] / each[0] < GROWTH


def _profile(circuit: Circuit) -> str:
    profile = cProfile.Profile()
    profile.runcall(recognise, replace(circuit))
    text = io.StringIO()
    pstats.Stats(profile, stream=text).sort_stats("tottime").print_stats(25)
    return text.getvalue()
