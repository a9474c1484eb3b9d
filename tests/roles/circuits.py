"""Circuits for the recogniser's tests: text to `Circuit` with stand-in tube types.

Recognition must not need the limits or the law of a tube, so the types here know
only how many electrodes they have.
"""

from __future__ import annotations

import random
from pathlib import Path
from types import SimpleNamespace
from typing import cast

from netcheck.circuit.build import build_circuit
from netcheck.circuit.model import Circuit
from netcheck.netlist import read_netlist_text
from netcheck.tubes.library import Found, TubeLibrary

CASES = Path(__file__).parent / "cases"
KINDS = {
    **dict.fromkeys(("12AX7", "12AU7", "12AT7", "6SN7GT", "2A3"), "triode"),
    **dict.fromkeys(("6V6GT", "EL34", "EL84", "KT88", "6L6GC"), "pentode"),
}


class KindsOnly:
    """A tube library that knows kinds and nothing else."""

    def lookup(self, name: str) -> Found | None:
        kind = KINDS.get(name.upper())
        return (
            cast(Found, SimpleNamespace(type=SimpleNamespace(name=name, kind=kind), warning=""))
            if kind
            else None
        )

    def is_tube(self, name: str) -> bool:
        return name.upper() in KINDS

    def suggest(self, name: str) -> str | None:
        return None


def circuit_of(text: str, name: str = "case.cir") -> Circuit:
    """Read and build a circuit."""
    library = KindsOnly()
    netlist = read_netlist_text(text, name, None, is_tube=library.is_tube)
    return build_circuit(netlist, cast(TubeLibrary, library))


def circuit_of_lines(*lines: str) -> Circuit:
    """Read and build a circuit from bare cards."""
    return circuit_of("\n".join(("Test circuit", *lines, ".end", "")))


def case_text(name: str) -> str:
    return (CASES / f"{name}.cir").read_text(encoding="utf-8")


def disguised(text: str, seed: int) -> tuple[str, dict[str, str], dict[str, str]]:
    """Shuffle the cards and give every part and net a random name.

    Returns the text, and the old name of each new part and of each new net.
    """
    chance = random.Random(seed)
    title, *cards = [line for line in text.splitlines() if line and line != ".end"]
    words = [card.split(";")[0].split() for card in cards]
    refs = [w[0] for w in words]
    nets = sorted({net for w in words for net in _nodes(w)} - {"0"})
    codes = chance.sample(range(100, 9999), len(refs) + len(nets))
    new_ref = {ref: f"{ref[0]}{code}" for ref, code in zip(refs, codes, strict=False)}
    new_net = {net: f"n{code}z" for net, code in zip(nets, codes[len(refs) :], strict=True)}
    chance.shuffle(cards)
    lines = [_renamed(card, new_ref, new_net) for card in cards]
    back_ref = {new: old for old, new in new_ref.items()}
    back_net = {new: old for old, new in new_net.items()}
    return "\n".join([title, *lines, ".end", ""]), back_ref, back_net


def _nodes(words: list[str]) -> list[str]:
    letter = words[0][0].upper()
    if letter == "K":
        return []
    return words[1:-1] if letter == "X" else words[1:3]


def _renamed(card: str, new_ref: dict[str, str], new_net: dict[str, str]) -> str:
    body, mark, note = card.partition(";")
    words = body.split()
    letter = words[0][0].upper()
    if letter == "K":
        words[1:-1] = [new_ref[word] for word in words[1:-1]]
    else:
        last = len(words) - 1 if letter == "X" else 3
        words[1:last] = [new_net.get(word, word) for word in words[1:last]]
    words[0] = new_ref[words[0]]
    return " ".join(words) + (f" {mark}{note}" if mark else "")
