"""Mutated circuits through the whole program: a report, or one clear message.

A mutation loses, doubles, swaps or garbles a line, a word or a character of a demo
circuit, as a hasty edit would.  Whatever comes of it is audited at idle; a bug of
ours (70), an exception or a hang fails here.
"""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest
from typer.testing import CliRunner

from netcheck.cli import app

ROOT = Path(__file__).parents[2]
DEMOS = sorted((ROOT / "circuits").glob("*.cir"))
MUTANTS = int(os.environ.get("NETCHECK_MUTANTS", "10"))
"""Raise it for a longer search."""
ODD = ["0", "{", "1e30", "-5", "4k7", "12AX7", "EL34", "nan", "", ";!", "pot=X", "+", "99meg", "K1"]


def mutated(text: str, chance: random.Random) -> str:
    """Return the text with one to three hasty edits."""
    lines = text.splitlines()
    for _ in range(chance.randint(1, 3)):
        at = chance.randrange(len(lines))
        words = lines[at].split(" ")
        match chance.randrange(6):
            case 0:
                lines[at : at + 1] = []
            case 1:
                lines.insert(chance.randrange(len(lines)), lines[at])
            case 2:
                words[chance.randrange(len(words))] = chance.choice(ODD)
                lines[at] = " ".join(words)
            case 3:
                chance.shuffle(words)
                lines[at] = " ".join(words)
            case 4:
                other = chance.randrange(len(lines))
                lines[at], lines[other] = lines[other], lines[at]
            case _:
                cut = chance.randint(0, len(lines[at]))
                odd = chr(chance.randint(1, 0x17F))
                lines[at] = lines[at][:cut] + odd + lines[at][cut + chance.randint(0, 2) :]
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("seed", range(MUTANTS))
def test_a_mutant_is_reported_on_or_refused(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    demo = DEMOS[seed % len(DEMOS)]
    netlist = tmp_path / "amp.cir"
    netlist.write_text(mutated(demo.read_text(encoding="utf-8"), chance), encoding="utf-8")

    result = CliRunner().invoke(app, ["audit", str(netlist), "--idle-only", "--limit", "time=20s"])

    assert result.exit_code in (0, 1, 2), result.output
    assert (result.exit_code == 2) == result.stderr.startswith("error: "), result.output
