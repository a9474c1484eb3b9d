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


# Where the two ends of a resistor at (480, 144) are.  R270 and M270 as wires meet them in
# published files, the others by turning a quarter more or by the mirror.
ENDS = {
    "R0": ((496, 160), (496, 240)), "R90": ((464, 160), (384, 160)),
    "R180": ((464, 128), (464, 48)), "R270": ((496, 128), (576, 128)),
    "M0": ((464, 160), (464, 240)), "M90": ((496, 160), (576, 160)),
    "M180": ((496, 128), (496, 48)), "M270": ((464, 128), (384, 128)),
}  # fmt: skip


@pytest.mark.parametrize("orientation", ENDS)
def test_an_asc_symbol_is_turned_then_mirrored(orientation: str) -> None:
    (x1, y1), (x2, y2) = ENDS[orientation]
    text = (
        f"Version 4\nSHEET 1 880 680\nFLAG {x1} {y1} one\nFLAG {x2} {y2} two\n"
        f"SYMBOL res 480 144 {orientation}\nSYMATTR InstName R1\nSYMATTR Value 1k\n"
    )

    (resistor,) = read_netlist_text(text, "t.asc", None, is_tube=str.isdigit).elements

    assert resistor.nodes == ("one", "two")


# As the documentation of the format has it: turned against the clock, then mirrored about an
# axis of the sheet.
TURNED = {
    ("0", ""): (1, -2), ("90", ""): (-2, -1), ("180", ""): (-1, 2), ("270", ""): (2, 1),
    ("0", "x"): (1, 2), ("90", "x"): (-2, 1), ("0", "y"): (-1, -2), ("90", "y"): (2, -1),
}  # fmt: skip


@pytest.mark.parametrize(("angle", "mirror"), TURNED)
def test_a_part_of_a_sheet_is_turned_then_mirrored(angle: str, mirror: str) -> None:
    x, y = TURNED[angle, mirror]
    mirrored = f"(mirror {mirror})" if mirror else ""
    pins = '(pin passive line (at 1 2 0) (number "1")) (pin passive line (at 9 9 0) (number "2"))'
    text = f"""(kicad_sch (version 20231120)
 (lib_symbols (symbol "Device:R" (symbol "R_1_1" {pins})))
 (label "one" (at {50 + x} {50 + y} 0))
 (symbol (lib_id "Device:R") (at 50 50 {angle}) {mirrored} (unit 1) (uuid "r")
  (property "Reference" "R1") (property "Value" "1k")))"""

    (resistor,) = read_netlist_text(text, "t.kicad_sch", None, is_tube=str.isdigit).elements

    assert resistor.nodes[0] == "one"
