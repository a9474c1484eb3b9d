"""`netcheck convert`: what it writes reads back as the same circuit."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from netcheck.circuit.model import Circuit
from netcheck.circuit.written import card_name, netlist_text
from netcheck.cli import app
from netcheck.netlist.cards import PartNote
from netcheck.netlist.lines import SourceText, logical_lines
from netcheck.netlist.notes import note_text, read_notes
from netcheck.pipeline import load_circuit
from netcheck.roles import recognise
from tests.strangers.schematics.same_circuit import couplings_of, idle_volts, nets_of, parts_of

ROOT = Path(__file__).resolve().parents[2]
FILES = sorted(
    path
    for folder in ("circuits", "tests/roles/cases", "tests/strangers/schematics")
    for path in (ROOT / folder).rglob("*")
    if path.suffix in {".cir", ".asc", ".kicad_sch", ".net"} and path.parent.name != "broken"
)
LETTERS = {"resistor": "R", "capacitor": "C", "inductor": "L", "voltage_source": "V",
           "current_source": "I"}  # fmt: skip


def written(circuit: Circuit, folder: Path) -> Circuit:
    file = folder / "written.cir"
    file.write_text(netlist_text(circuit, "some.asc"))
    return load_circuit(file)


def names_of(circuit: Circuit) -> dict[str, str]:
    """What each part is called in the written netlist."""
    return {
        part.ref: part.ref
        if part.kind == "tube" or part.element is None
        else card_name(part.ref, LETTERS.get(part.kind, part.element.letter))
        for part in circuit
    }


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_the_written_netlist_is_the_same_circuit(path: Path, tmp_path: Path) -> None:
    circuit = load_circuit(path)

    again = written(circuit, tmp_path)

    names = names_of(circuit)
    assert parts_of(again) == parts_of(circuit, names)
    assert nets_of(again) == nets_of(circuit, names)
    assert len(couplings_of(again)) == len(couplings_of(circuit))
    factors = sorted(factor for _, factor in couplings_of(circuit))
    assert sorted(factor for _, factor in couplings_of(again)) == pytest.approx(factors)
    stages = [(one.kind, one.form, one.tubes) for one in recognise(circuit).stages]
    assert [(one.kind, one.form, one.tubes) for one in recognise(again).stages] == stages


OWN_MODELS = """Own models
.param ra=100k
.subckt MYTRI a g k
B1 a k I={pwr(max(V(a,k)/100+V(g,k),0),1.5)*1e-3}
R1 a k 10meg
.ends
.subckt MYPEN 1 2 3 4
E1 7 0 VALUE={max(V(2,4)/10+V(3,4),0)}
R1 7 0 1k
G1 1 4 VALUE={1.1e-3*pwr(V(7),1.5)*atan(V(1,4)/15)}
G2 2 4 VALUE={0.2e-3*pwr(V(7),1.5)}
.ends
VHT ht 0 250
VIN in 0 SIN(0 1 1k) ;! input
R1 ht a {ra} ;! power=0.5W tol=5%
X1 a in k MYTRI
R2 k 0 1.5k
C1 a g 22n ;! volts=400V
R3 g 0 470k
L1 ht p 10 ;! dcr=200ohm turns=2000
L2 sp 0 16m ;! turns=80
K1 L1 L2 0.998
X2 p ht g k2 MYPEN
R4 k2 0 270
D1 k2 0 DZ
.model DZ D(is=1e-14 bv=39)
R5 sp 0 8 ;! speaker
"""


def test_tubes_with_models_of_their_own_keep_volts_and_pins(tmp_path: Path) -> None:
    file = tmp_path / "own.cir"
    file.write_text(OWN_MODELS)
    circuit = load_circuit(file)

    again = written(circuit, tmp_path)

    assert parts_of(again) == parts_of(circuit)
    assert idle_volts(again) == pytest.approx(idle_volts(circuit), rel=1e-5, abs=1e-5)


def test_a_schematic_written_out_has_its_volts(tmp_path: Path) -> None:
    circuit = load_circuit(ROOT / "tests/strangers/schematics/sheets/single_ended_el84.kicad_sch")

    assert idle_volts(written(circuit, tmp_path)) == pytest.approx(
        idle_volts(circuit), rel=1e-6, abs=1e-6
    )


def test_a_note_is_written_as_it_reads() -> None:
    note = PartNote(
        power_w=0.5, tolerance=0.05, volts_v=400, dcr_ohm=0, envelope="V1", heater="elevated",
        heater_v=60, is_speaker=True, dielectric="paper in oil",
    )  # fmt: skip
    (line,) = logical_lines(SourceText("t", f"R1 a b 1k ;! {note_text(note)}"))

    assert read_notes(line) == note


def test_what_was_assumed_stands_in_the_netlist(tmp_path: Path) -> None:
    sheets = ROOT / "tests/strangers/schematics/sheets"
    output = tmp_path / "out.cir"

    done = CliRunner().invoke(
        app, ["convert", str(sheets / "push_pull_6v6.kicad_sch"), "-o", str(output)]
    )

    assert done.exit_code == 0, done.output
    text = output.read_text()
    assert "* warning: C1 at (149.86, 83.82) mm: `0.1` without a unit was taken as" in text
    assert "* T1 at (269.24, 55.88) mm\nLT1_1 " in text
    assert "from push_pull_6v6.kicad_sch." in text


def test_a_mistake_is_told_with_its_place_and_nothing_is_written(tmp_path: Path) -> None:
    broken = ROOT / "tests/strangers/schematics/broken/transformer_without_field.net"
    output = tmp_path / "out.cir"

    done = CliRunner().invoke(app, ["convert", str(broken), "-o", str(output)])

    assert done.exit_code == 2
    assert "T1: the inductances and the ratio" in done.output
    assert not output.exists()


def test_annotating_a_schematic_line_by_line_points_to_convert() -> None:
    sheet = ROOT / "tests/strangers/schematics/asc/line_stage.asc"

    done = CliRunner().invoke(app, ["annotate", str(sheet), "--format", "netlist"])

    assert done.exit_code == 2
    assert "annotate the netlist that `netcheck convert` writes" in done.output
