"""Parts of s-expression netlists, each kind on its own: the card it becomes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from netcheck.circuit.sockets import sockets_of
from netcheck.netlist import FlatNetlist, read_netlist
from netcheck.pipeline import load_circuit
from netcheck.tubes.library import load_library


def netlist_of(
    ref: str,
    symbol: str,
    value: str,
    pins: Mapping[str, str],
    names: Mapping[str, str] | None = None,
    fields: Mapping[str, str] | None = None,
) -> str:
    """An s-expression netlist of one part, each pin on the net it is given."""
    shelf, _, name = symbol.partition(":")
    said = " ".join(f'(field (name "{key}") "{text}")' for key, text in (fields or {}).items())
    called = names or {}
    nets: dict[str, list[str]] = {}
    for pin, net in pins.items():
        function = f'(pinfunction "{called[pin]}")' if pin in called else ""
        nets.setdefault(net, []).append(f'(node (ref "{ref}") (pin "{pin}") {function})')
    listed = "\n".join(
        f'(net (code "{code}") (name "{net}") {" ".join(nodes)})'
        for code, (net, nodes) in enumerate(nets.items(), 1)
    )
    return (
        f'(export (version "E") (components (comp (ref "{ref}") (value "{value}") '
        f'(fields {said}) (libsource (lib "{shelf}") (part "{name}")))) (nets {listed}))'
    )


def read(folder: Path, *args: object, **more: object) -> FlatNetlist:
    file = folder / "t.net"
    file.write_text(netlist_of(*args, **more))  # type: ignore[arg-type]
    library = load_library()
    return read_netlist(file, is_tube=library.is_tube, socket_of=sockets_of(library))


def cards(flat: FlatNetlist) -> list[str]:
    return [f"{one.ref} {' '.join(one.nodes)} {one.name or one.value}" for one in flat.elements]


def test_a_bridge_is_four_diodes(tmp_path: Path) -> None:
    pins = {"1": "B+", "2": "GND", "3": "ac_a", "4": "ac_b"}
    names = {"1": "+", "2": "-", "3": "~", "4": "~"}

    flat = read(tmp_path, "D1", "Device:D_Bridge_+-AA", "KBU4J", pins, names)

    assert cards(flat) == [
        "DD1_1 ac_a B+ rectifier", "DD1_2 ac_b B+ rectifier",
        "DD1_3 0 ac_a rectifier", "DD1_4 0 ac_b rectifier",
    ]  # fmt: skip
    assert "generic-model" in {finding.rule for finding in flat.findings}


def test_a_diode_without_names_has_its_cathode_on_pin_1(tmp_path: Path) -> None:
    assert cards(read(tmp_path, "D1", "Device:D", "1N4007", {"1": "k", "2": "a"})) == [
        "D1 a k 1N4007"
    ]


def test_a_rectifier_tube_by_the_pins_of_its_base(tmp_path: Path) -> None:
    pins = {"2": "h", "4": "p1", "6": "p2", "8": "k"}

    assert cards(read(tmp_path, "V1", "Valve:GZ34", "GZ34", pins)) == ["XV1 p1 p2 k GZ34"]


def test_unlike_sections_are_told_by_their_pins(tmp_path: Path) -> None:
    library = load_library()
    socket = sockets_of(library)("ECL82")
    assert socket is not None
    pins = {
        str(pin): f"{section.name}_{name}"
        for section in socket.sections
        for name, pin in section.pins.items()
    }

    flat = read(tmp_path, "V1", "Valve:ECL82", "ECL82", pins)

    assert sorted(len(one.nodes) for one in flat.elements) == [3, 4]
    assert {one.note.envelope for one in flat.elements} == {"V1"}
    assert all(
        node.startswith(f"{one.note.section}_") for one in flat.elements for node in one.nodes
    )


def test_names_of_pins_count_where_the_numbers_are_another_base(tmp_path: Path) -> None:
    pins = {"1": "plate", "2": "grid", "3": "screen", "4": "cathode"}
    names = {"1": "A", "2": "G1", "3": "G2", "4": "K"}

    assert cards(read(tmp_path, "V1", "own:pentode", "EL34", pins, names)) == [
        "XV1 plate screen grid cathode EL34"
    ]


def test_names_and_numbers_that_disagree_are_said(tmp_path: Path) -> None:
    pins = {"3": "a", "4": "s", "5": "g", "8": "k", "1": "k"}
    names = {"3": "G2", "4": "A", "5": "G1", "8": "K"}
    file = tmp_path / "t.net"
    text = netlist_of("V1", "Valve:EL34", "EL34", pins, names)
    units = '(units (unit (name "A") (pins ' + " ".join(f'(pin (num "{p}"))' for p in pins)
    file.write_text(text.replace("(libsource", f"{units}))) (libsource", 1))
    library = load_library()

    flat = read_netlist(file, is_tube=library.is_tube, socket_of=sockets_of(library))

    assert cards(flat) == ["XV1 s a g k EL34"]
    assert "pin-names-disagree" in {finding.rule for finding in flat.findings}


@pytest.mark.parametrize(
    ("fields", "card"),
    [
        ({"Sim.Device": "V", "Sim.Type": "DC", "Sim.Params": "dc=300"}, "V1 a b 300.0"),
        ({"Spice_Primitive": "V", "Spice_Model": "dc 250"}, "V1 a b 250.0"),
        ({"Sim.Device": "V", "Sim.Params": "dc=9", "Sim.Pins": "1=- 2=+"}, "V1 b a 9.0"),
    ],
)
def test_a_source_by_its_fields(fields: dict[str, str], card: str, tmp_path: Path) -> None:
    flat = read(tmp_path, "V1", "own:source", "?", {"1": "a", "2": "b"}, fields=fields)

    (source,) = flat.elements
    assert source.waveform is not None
    assert f"{source.ref} {' '.join(source.nodes)} {source.waveform.dc_value}" == card


def test_a_tube_with_a_model_of_its_own_has_the_order_of_its_model(tmp_path: Path) -> None:
    (tmp_path / "tubes.lib").write_text(
        "library\n.subckt OWN12AX7 g a k\n"
        "B1 a k I={pwr(max(V(a,k)/100+V(g,k),0),1.5)*1e-3}\n.ends\n"
    )
    fields = {
        "Sim.Device": "SUBCKT", "Sim.Library": "tubes.lib", "Sim.Name": "OWN12AX7",
        "Sim.Pins": "1=a 2=g 3=k",
    }  # fmt: skip
    pins = {"1": "plate", "2": "grid", "3": "cathode"}

    flat = read(tmp_path, "V1", "own:triode", "12AX7", pins, fields=fields)

    (tube,) = flat.elements
    assert tube.nodes == ("grid", "plate", "cathode")
    assert tube.body


PENTODE = """Version 4
SHEET 1 880 680
FLAG 96 48 plate
FLAG 48 96 suppressor
FLAG 48 128 grid
FLAG 144 112 screen
FLAG 64 176 cathode
SYMBOL Misc\\pentode 96 112 R0
SYMATTR InstName V1
SYMATTR Value EL84
"""
MODEL = """* a model of its own
.subckt EL84 K G1 G2 G3 A
E1 7 0 VALUE={max(V(G2,K)/19+V(G1,K),0)}
R1 7 0 1k
G1 A K VALUE={1.1e-3*pwr(V(7),1.5)*atan(V(A,K)/15)}
G2 G2 K VALUE={0.2e-3*pwr(V(7),1.5)}
.ends
"""


@pytest.mark.parametrize("own", [False, True], ids=["on file", "own model"])
def test_a_pentode_of_an_asc_has_its_electrodes_in_either_order(own: bool, tmp_path: Path) -> None:
    (tmp_path / "own.lib").write_text(MODEL)
    file = tmp_path / "t.asc"
    file.write_text(PENTODE + ("TEXT 0 300 Left 2 !.lib own.lib\n" if own else ""))

    (tube,) = load_circuit(file)

    assert {pin.name: pin.net for pin in tube.pins} == {
        name: name for name in ("plate", "screen", "grid", "cathode")
    }
    assert tube.element is not None
    assert bool(tube.element.body) == own


def test_a_switch_stands_as_its_field_says(tmp_path: Path) -> None:
    pins = {"1": "a", "2": "b", "3": "c"}

    flat = read(tmp_path, "SW1", "Switch:SW_SPDT", "mode", pins, fields={"Closed": "2-3"})

    assert [(one.ref, one.nodes) for one in flat.elements] == [("VSW1", ("b", "c"))]


def test_what_a_connector_needs_is_said_with_its_pins(tmp_path: Path) -> None:
    text = netlist_of("J1", "Connector_Audio:AudioJack2", "in", {"T": "a", "S": "GND"})
    resistor = '(comp (ref "R1") (value "1k") (libsource (lib "Device") (part "R")))'
    nodes = '(node (ref "R1") (pin "1")) (node (ref "J1")'
    text = text.replace("(components ", f"(components {resistor} ")
    text = text.replace('(node (ref "J1")', nodes, 1)
    text = text.replace("(nets ", '(nets (net (name "b") (node (ref "R1") (pin "2"))) ', 1)
    file = tmp_path / "t.net"
    file.write_text(text)

    flat = read_netlist(file, is_tube=lambda word: False)

    assert cards(flat) == ["R1 a b 1000.0"]
    (said,) = [one.message for one in flat.findings if one.rule == "part-set-aside"]
    assert "`V T S 0 ;! input`" in said


def test_a_report_says_where_on_the_sheet() -> None:
    from netcheck.report.console import plain_text
    from netcheck.report.terminal.closing import _finding_text

    sheet = Path(__file__).parent / "sheets" / "push_pull_6v6.kicad_sch"
    circuit = load_circuit(sheet)
    (finding,) = [one for one in circuit.findings if one.part == "C1"]

    shown = plain_text(lambda console: console.print(_finding_text(finding), soft_wrap=True))

    assert "push_pull_6v6.kicad_sch: C1 at (149.86, 83.82) mm" in shown
