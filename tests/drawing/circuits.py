"""Circuits to draw: the corpus of the recogniser, the examples, and larger ones."""

from __future__ import annotations

import random
from functools import cache
from pathlib import Path

from netcheck.circuit.build import build_circuit
from netcheck.circuit.model import Circuit
from netcheck.drawing import Drawing, draw_circuit
from netcheck.netlist import read_netlist_text
from netcheck.roles import recognise
from netcheck.roles.base import Roles
from netcheck.tubes.library import load_library

TESTS = Path(__file__).resolve().parent.parent
CORPUS = sorted((TESTS / "roles" / "cases").glob("*.cir"))
EXAMPLES = sorted((TESTS.parent / "circuits").glob("*.cir"))


@cache
def read(path: Path) -> tuple[Circuit, Roles, Drawing]:
    return drawn(path.read_text(encoding="utf-8"), path.parent)


def drawn(text: str, folder: Path | None = None) -> tuple[Circuit, Roles, Drawing]:
    library = load_library()
    netlist = read_netlist_text(text, "test.cir", folder, is_tube=library.is_tube)
    circuit = build_circuit(netlist, library)
    roles = recognise(circuit)
    return circuit, roles, draw_circuit(circuit, roles)


def many_tubes(pairs: int) -> str:
    """A fixed-bias amplifier with `pairs` output tubes on each side."""
    lines = [
        "Many output tubes in parallel push-pull", "VHT ht0 0 480 ;! follows_mains",
        "RS ht0 ht 30", "C90 ht 0 220u", "L90 ht sg 3 ;! dcr=60ohm", "C91 sg 0 100u",
        "R90 sg b2 10k", "C92 b2 0 47u", "R91 b2 b1 22k", "C93 b1 0 22u",
        "VN nb0 0 -70", "R92 nb0 nb 2.2k", "C94 nb 0 100u",
        "VIN in 0 0 ;! input", "R1 in 0 470k", "X1 p1 in k1 12AX7", "R2 b1 p1 100k",
        "R3 k1 0 1.5k", "C1 p1 a2 47n", "R4 a2 tj 1meg", "X2 p2 a2 kk 12AT7",
        "X3 p3 g3 kk 12AT7", "R5 g3 tj 1meg", "C2 g3 0 100n", "R6 kk tj 680", "R7 tj 0 18k",
        "R8 b2 p2 47k", "R9 b2 p3 51k",
    ]  # fmt: skip
    number = 10
    for side, (source, plate) in enumerate((("p2", "pa"), ("p3", "pb"))):
        for place in range(pairs):
            tag = f"{'ab'[side]}{place}"
            lines += [
                f"C{number} {source} c{tag} 100n",
                f"R{number} c{tag} nb 220k",
                f"R{number + 20} c{tag} g{tag} 2.2k",
                f"X{number} {plate} s{tag} g{tag} k{tag} EL34",
                f"R{number + 40} sg s{tag} 1k",
                f"R{number + 60} k{tag} 0 10",
            ]
            number += 1
    lines += [
        "L1 ht pa 8 ;! dcr=20ohm", "L2 pb ht 8 ;! dcr=20ohm", "L3 sp 0 100m",
        "K1 L1 L2 L3 0.9995", "R99 sp 0 8 ;! speaker", ".end", "",
    ]  # fmt: skip
    return "\n".join(lines)


def thrown_together(seed: int, most_parts: int = 40) -> str:
    """A circuit that nobody would build: parts between nets chosen by chance."""
    chance = random.Random(seed)
    count = chance.randint(5, most_parts)
    nets = ["0", *(f"n{number}" for number in range(chance.randint(2, count // 2)))]
    lines = [f"Thrown together {seed}"]
    for number in range(count):
        letter = chance.choice("RRRCCLVXXDEI")
        pins = [chance.choice(nets) for _ in range(4)]
        if letter == "X":
            pins, last = (pins[:3], "12AX7") if chance.random() < 0.6 else (pins, "EL34")
        elif letter != "E":
            pins, last = pins[:2], "DX" if letter == "D" else "10"
        else:
            last = "2"
        lines.append(f"{letter}{number} {' '.join(pins)} {last}")
    return "\n".join([*lines, ".model DX D", ".end", ""])
