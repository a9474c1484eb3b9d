"""What is held back of a long library, and what is read of it after all."""

from __future__ import annotations

from pathlib import Path

import pytest

from netcheck.errors import NetcheckError
from netcheck.netlist import FlatNetlist, read_netlist
from netcheck.netlist.called import LONG_LINES
from tests.netlist.conftest import is_tube

PADDING = "* nothing\n" * LONG_LINES
OUTER = ".subckt OUTER a b\nX1 a b {}\nR9 a b 1k\n.ends\n"
INNER = ".subckt INNER a b\nR1 a b 2k\n.ends\n"


def read(folder: Path, library: str, call: str = "X5 n 0 OUTER") -> FlatNetlist:
    (folder / "long.lib").write_text(library + PADDING)
    (folder / "a.cir").write_text(f"title\n.include long.lib\nV1 n 0 1\n{call}\n")
    return read_netlist(folder / "a.cir", is_tube=is_tube)


@pytest.mark.parametrize(
    "library",
    [
        INNER + OUTER.format("INNER"),
        OUTER.format("INNER") + INNER,
        OUTER.format("inner") + INNER.replace("INNER", "Inner"),
        OUTER.format('"INNER"') + INNER,
        OUTER.format("INNER").replace(".ends", INNER + ".ends"),
        OUTER.format("INNER").replace(".ends", ".include inner.inc\n.ends"),
        INNER + OUTER.format("INNER") + ".subckt LATER a b\nR1 a b 4,7k\n.ends\n",
    ],
)
def test_what_is_called_is_read_wherever_it_stands(tmp_path: Path, library: str) -> None:
    (tmp_path / "inner.inc").write_text(INNER)

    refs = {element.ref for element in read(tmp_path, library).elements}

    assert refs == {"V1", "X5.R9", "X5.X1.R1"}


def test_a_mistake_in_what_is_called_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(NetcheckError, match="4,7k"):
        read(tmp_path, OUTER.format("INNER") + INNER.replace("2k", "4,7k"))


def test_a_name_given_twice_is_a_note_though_nobody_calls_it(tmp_path: Path) -> None:
    twice = INNER + INNER.replace("2k", "3k")

    netlist = read(tmp_path, twice, call="R1 n 0 1k")

    assert "defined-twice" in {finding.rule for finding in netlist.findings}
