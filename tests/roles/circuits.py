"""Circuits for the recogniser's tests: text to `Circuit`, and disguises of a text."""

from __future__ import annotations

import random
from pathlib import Path

from netcheck.circuit.build import build_circuit
from netcheck.circuit.model import Circuit
from netcheck.netlist import read_netlist_text
from netcheck.tubes.library import load_library

CASES = Path(__file__).parent / "cases"


def circuit_of(text: str, name: str = "case.cir") -> Circuit:
    """Read and build a circuit."""
    library = load_library()
    netlist = read_netlist_text(text, name, None, is_tube=library.is_tube)
    return build_circuit(netlist, library)


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
    title, *lines = [line for line in text.splitlines() if line and line != ".end"]
    models, cards = _parted(lines)
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
    return "\n".join([title, *models, *lines, ".end", ""]), back_ref, back_net


def _parted(lines: list[str]) -> tuple[list[str], list[str]]:
    """Return the lines that stay (models, whole subcircuits) and the cards of the top level."""
    kept: list[str] = []
    cards: list[str] = []
    depth = 0
    for line in lines:
        depth += line.startswith(".subckt")
        if depth or line.startswith((".", "*")):
            kept.append(line)
        else:
            cards.append(line)
        depth -= line.startswith(".ends")
    return kept, cards


def _nodes(words: list[str]) -> list[str]:
    return words[1 : _last(words)]


def _last(words: list[str]) -> int:
    """Return the index after the last node of a card."""
    letter = words[0][0].upper()
    if letter in "XQJM":
        return len([word for word in words if "=" not in word]) - 1
    return {"K": 1, "E": 5, "G": 5}.get(letter, 3)


def _renamed(card: str, new_ref: dict[str, str], new_net: dict[str, str]) -> str:
    body, mark, note = card.partition(";")
    words = body.split()
    letter = words[0][0].upper()
    if letter == "K":
        words[1:-1] = [new_ref[word] for word in words[1:-1]]
    else:
        words[3:] = [new_ref.get(word, word) if letter == "F" else word for word in words[3:]]
        last = _last(words)
        words[1:last] = [new_net.get(word, word) for word in words[1:last]]
    words[0] = new_ref[words[0]]
    return " ".join(words) + (f" {mark}{note}" if mark else "")
