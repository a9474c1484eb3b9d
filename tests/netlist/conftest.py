"""What the reader's tests share: a short way to read, and one to solve expressions."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pytest

from netcheck.netlist import FlatNetlist, read_netlist_text

TUBES = frozenset({"12AX7", "6V6GT", "5881", "807", "45", "2A3", "EL34"})


def is_tube(name: str) -> bool:
    """The types on file, for these tests."""
    return name.upper() in TUBES


@pytest.fixture
def read() -> Callable[[str], FlatNetlist]:
    """Read cards below a title of their own."""
    return lambda cards: read_netlist_text(f"title\n{cards}\n", "t.cir", None, is_tube=is_tube)


SolveExpression = Callable[[Sequence[str], Mapping[str, float]], list[float]]

# In a process of its own: the engine changes the working folder of its process.
_SOLVE = """
import json, sys
from netcheck.solve.ngspice import Engine
task = json.load(sys.stdin)
deck = ["t"] + [f"vin{i} {n} 0 {v!r}" for i, (n, v) in enumerate(task["volts"].items())]
deck += [f"b{i} out{i} 0 v={t}" for i, t in enumerate(task["texts"])] + [".end"]
engine = Engine(sys.argv[1])
engine.load(deck)
names = [f"out{i}" for i in range(len(task["texts"]))]
print("ANSWER", json.dumps(list(engine.operating_point(names))))
"""


@pytest.fixture
def solve_expression(tmp_path: Path) -> SolveExpression:
    """Solve texts of B sources at given node voltages; returns their values."""

    def solve(texts: Sequence[str], volts: Mapping[str, float]) -> list[float]:
        done = subprocess.run(
            [sys.executable, "-c", _SOLVE, str(tmp_path)],
            input=json.dumps({"texts": list(texts), "volts": dict(volts)}),
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        lines = [line for line in done.stdout.splitlines() if line.startswith("ANSWER ")]
        assert lines, done.stderr
        return [float(value) for value in json.loads(lines[0].removeprefix("ANSWER "))]

    return solve
