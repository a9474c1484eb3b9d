"""Schematics: the same circuit as the netlist beside them, or refused in the right words."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from netcheck.errors import NetcheckError
from netcheck.netlist import read_netlist_text
from netcheck.pipeline import load_circuit
from netcheck.roles import recognise
from tests.strangers.schematics.same_circuit import (
    couplings_of,
    idle_volts,
    nets_of,
    parts_of,
)

HERE = Path(__file__).parent
PAIRS = sorted(path for path in HERE.glob("*/*.cir"))
REFUSED: dict[str, list[str]] = tomllib.loads((HERE / "broken" / "expected.toml").read_text())


def drawn(netlist: Path) -> Path:
    """The schematic of the circuit that a netlist says in words."""
    (path,) = [
        path
        for path in netlist.parent.glob(f"{netlist.stem}.*")
        if path.suffix in {".asc", ".kicad_sch", ".net"}
    ]
    return path


def name_of(path: Path) -> str:
    return f"{path.parent.name}/{path.stem}"


@pytest.mark.parametrize("netlist", PAIRS, ids=name_of)
def test_a_schematic_is_the_circuit_it_draws(netlist: Path) -> None:
    circuit, typed = load_circuit(drawn(netlist)), load_circuit(netlist)

    assert parts_of(circuit) == parts_of(typed)
    assert nets_of(circuit) == nets_of(typed)
    assert couplings_of(circuit) == couplings_of(typed)
    assert recognise(circuit).stages == recognise(typed).stages


@pytest.mark.parametrize("netlist", PAIRS, ids=name_of)
def test_a_schematic_has_the_volts_of_its_netlist(netlist: Path) -> None:
    assert idle_volts(load_circuit(drawn(netlist))) == pytest.approx(
        idle_volts(load_circuit(netlist)), rel=1e-4, abs=1e-4
    )


@pytest.mark.parametrize("netlist", PAIRS, ids=name_of)
def test_every_part_says_where_it_is_drawn(netlist: Path) -> None:
    for part in load_circuit(drawn(netlist)):
        assert part.span is not None
        assert part.span.drawn, part.ref


FOUND = tomllib.loads((HERE / "findings.toml").read_text())


@pytest.mark.parametrize("netlist", PAIRS, ids=name_of)
def test_what_was_assumed_or_set_aside_is_a_finding(netlist: Path) -> None:
    found = {
        f"{one.rule} {one.part}".strip()
        for one in load_circuit(drawn(netlist)).findings
        if one.rule not in {"card-set-aside", "joined-envelope"}
    }

    assert found == set(FOUND.get(name_of(netlist), []))


def test_every_broken_schematic_has_its_row() -> None:
    files = {path.name for path in (HERE / "broken").iterdir()} - {"expected.toml"}

    assert set(REFUSED) <= files
    assert {name for name in files if not name.startswith("part_of_")} == set(REFUSED)


@pytest.mark.parametrize("name", sorted(REFUSED))
def test_a_broken_schematic_is_refused_in_the_right_words(name: str) -> None:
    with pytest.raises(NetcheckError) as caught:
        load_circuit(HERE / "broken" / name)

    said = str(caught.value)
    assert [words for words in REFUSED[name] if words not in said] == [], said
    assert not re.search(r"^ *\d+ \|", said, re.MULTILINE)  # no line of a text that nobody wrote


def test_a_schematic_is_told_by_its_content() -> None:
    text = (HERE / "asc" / "single_ended.asc").read_text()

    flat = read_netlist_text(text, "renamed.txt", None, is_tube=lambda name: name != "x")

    assert {element.ref for element in flat.elements} >= {"X1", "X2", "L1", "VHT"}
