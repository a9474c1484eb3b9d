"""The netlist language, card by card."""

from __future__ import annotations

import pytest

from netcheck.netlist import FlatElement, FlatNetlist
from netcheck.netlist.cards import Call, Number, Voltage


def only(netlist: FlatNetlist, ref: str) -> FlatElement:
    found = [element for element in netlist.elements if element.ref == ref]
    assert len(found) == 1
    return found[0]


def rules(netlist: FlatNetlist) -> list[str]:
    return [finding.rule for finding in netlist.findings]


def test_plain_parts(read) -> None:
    netlist = read("R1 a b 4.7k\nc2 B 0 100n\nL3 b gnd 12")

    r, c, ell = netlist.elements
    assert (r.letter, r.nodes, r.value, r.value_text) == ("R", ("a", "b"), 4700.0, "4.7k")
    assert (c.ref, c.letter, c.nodes, c.value) == ("c2", "C", ("b", "0"), 1e-7)
    assert ell.nodes == ("b", "0")


@pytest.mark.parametrize("net", ["$n_1", "/B+", "Net-_C1-Pad2_", "N001", "+5V", "1", "b+", "a.b"])
def test_odd_net_names_are_nets(read, net: str) -> None:
    netlist = read(f"R5 a {net} 1k\nB1 a 0 v=V({net})*2 + V({net},a)")

    assert netlist.elements[0].nodes == ("a", net)
    assert netlist.elements[0].value == 1000.0
    assert netlist.elements[1].expression.left.left == Voltage(net, "0")


@pytest.mark.parametrize(
    ("card", "comment"),
    [
        ("R1 a b 1k ; ten percent", "ten percent"),
        ("R1 a b 1k $ ten percent", "ten percent"),
        ("R1 a b 1k // ten percent", "ten percent"),
        ("R1 a b 1k;ten", "ten"),
    ],
)
def test_trailing_comments_are_kept(read, card: str, comment: str) -> None:
    (element,) = read(card).elements

    assert (element.value, element.comment) == (1000.0, comment)


def test_continuation_keeps_line_and_column(read) -> None:
    netlist = read("R1 a\n* between\n\n+ b\n  +  4k7 ; note\n+ tol=5")

    (element,) = netlist.elements
    assert (element.nodes, element.value, dict(element.parameters)) == (
        ("a", "b"), 4700.0, {"tol": 5.0},
    )  # fmt: skip
    (finding,) = netlist.findings
    assert (finding.span.line, finding.span.column) == (6, 6)
    assert element.span.line == 2
    assert element.span.end_line == 7


def test_any_case(read) -> None:
    netlist = read(".PARAM Rk=470\n.SUBCKT Half IN Out\nr1 in OUT {RK}\n.ENDS half\nxA a 0 HALF")

    (element,) = netlist.elements
    assert (element.ref, element.nodes, element.value) == ("xA.r1", ("a", "0"), 470.0)


@pytest.mark.parametrize(
    ("card", "expected"),
    [
        ("V1 a 0 10", (10.0, False, 0.0, 0.0)),
        ("V1 a 0 DC 10", (10.0, False, 0.0, 0.0)),
        ("V1 a 0 dc=10", (10.0, False, 0.0, 0.0)),
        ("V1 a 0", (0.0, False, 0.0, 0.0)),
        ("V1 a 0 -38V", (-38.0, False, 0.0, 0.0)),
        ("V1 a 0 AC 1", (0.0, True, 0.0, 0.0)),
        ("V1 a 0 AC 1 90", (0.0, True, 0.0, 0.0)),
        ("V1 a 0 SIN(0 1 1k)", (0.0, True, 1.0, 1000.0)),
        ("V1 a 0 SINE( 2, 1.5, 50 )", (2.0, True, 1.5, 50.0)),
        ("V1 a 0 sin 0 {2*1} 1k", (0.0, True, 2.0, 1000.0)),
        ("V1 a 0 DC 5 AC 1 SIN(0 1 1k)", (5.0, True, 1.0, 1000.0)),
        ("V1 a 0 5 AC 1 0 SIN(0 1 1k 0 0)", (5.0, True, 1.0, 1000.0)),
        ("V1 a 0 PULSE(1 2 0 1n 1n 1m 2m)", (1.0, True, 0.0, 0.0)),
        ("V1 a 0 PWL(0 3 1m 5)", (3.0, True, 0.0, 0.0)),
        ("V1 a 0 EXP(4 5 0 1m)", (4.0, True, 0.0, 0.0)),
        ("I1 a 0 2m Rser=5", (2e-3, False, 0.0, 0.0)),
    ],
)
def test_sources(read, card: str, expected: tuple[float, bool, float, float]) -> None:
    form = read(card).elements[0].waveform

    assert (form.dc_value, form.alternating, form.amplitude, form.frequency_hz) == expected


def test_controlled_sources(read) -> None:
    netlist = read(
        "V1 a 0 1\nE1 b 0 a 0 10\nG1 c 0 a b {2m*2}\nF1 d 0 v1 3\nH1 e 0 V1 1k\n"
        "E2 f 0 VALUE={V(a)}\nG2 g 0 VALUE {V(a)}\nG3 h 0 value='V(a)'\nB1 i 0 I=I(V1)*2 + 1\n"
        "E3 j 0 vol='V(a)'\nG4 k 0 cur='V(a)'"
    )
    by_ref = {element.ref: element for element in netlist.elements}

    assert (by_ref["E1"].nodes, by_ref["E1"].value) == (("b", "0", "a", "0"), 10.0)
    assert by_ref["G1"].value == pytest.approx(4e-3)
    assert (by_ref["F1"].controls, by_ref["F1"].value) == (("V1",), 3.0)
    assert by_ref["H1"].controls == ("V1",)
    quantities = {ref: by_ref[ref].quantity for ref in ("E2", "G2", "G3", "B1", "E3", "G4")}
    assert quantities == {"E2": "v", "G2": "i", "G3": "i", "B1": "i", "E3": "v", "G4": "i"}
    assert by_ref["G2"].expression == Voltage("a", "0")


def test_couplings_of_any_number(read) -> None:
    netlist = read("L1 a 0 1\nL2 b 0 1\nL3 c 0 1\nK1 l1 L2 L3 0.99\n.param k=.5\nK2 L1 L2 {k}")

    assert only(netlist, "K1").controls == ("L1", "L2", "L3")
    assert only(netlist, "K1").value == 0.99
    assert only(netlist, "K2").value == 0.5


@pytest.mark.parametrize("name", ["5881", "807", "45", "2A3", "6V6GT"])
def test_the_last_word_of_an_x_card_is_a_name(read, name: str) -> None:
    (element,) = read(f"X4 p g k {name}").elements

    assert (element.letter, element.nodes, element.name) == ("X", ("p", "g", "k"), name)


def test_devices_and_models(read) -> None:
    netlist = read(
        ".model D1N D(Is=1n N={2*n} mfg=someone type='x')\n.param n=0.7\n"
        ".model QN NPN (Bf=200\n+ Vaf=100)\nD1 a k d1n\nQ1 c b e QN\nQ2 c b e s qn\n"
        ".model JJ NJF\nJ1 d g s JJ"
    )

    assert dict(netlist.models["d1n"].parameters) == pytest.approx({"is": 1e-9, "n": 1.4})
    assert netlist.models["qn"].kind == "npn"
    assert only(netlist, "Q2").nodes == ("c", "b", "e", "s")
    assert only(netlist, "J1").name == "JJ"


def test_parameters_in_any_order_and_scope(read) -> None:
    netlist = read(
        ".param a={b*2} c = b + 1, d=pi\n.param b=10\n"
        ".subckt s p q PARAMS: r={a} n=1\n.param total={r*n+b}\nR1 p q {total}\n.ends\n"
        "X1 x 0 s n=3\nX2 x 0 s PARAMS: r=1k\nR9 x 0 c\nR8 x 0 '2*a'"
    )

    values = {element.ref: element.value for element in netlist.elements}
    assert values == {"X1.R1": 70.0, "X2.R1": 1010.0, "R9": 11.0, "R8": 40.0}


def test_nested_subcircuits_map_nets(read) -> None:
    netlist = read(
        ".global vcc\n"
        ".subckt outer in out\nX1 in mid inner\nR1 mid out 1k\nR2 vcc 0 1k\n"
        ".subckt inner a b\nR1 a m 1\nR2 m b 2\n.ends\n.ends outer\nX1 IN 0 outer"
    )

    nets = {element.ref: element.nodes for element in netlist.elements}
    assert nets == {
        "X1.X1.R1": ("IN", "X1.X1.m"),
        "X1.X1.R2": ("X1.X1.m", "X1.mid"),
        "X1.R1": ("X1.mid", "0"),
        "X1.R2": ("vcc", "0"),
    }


TRIODE = """.subckt {name} {pins}
E1 7 0 VALUE={{V(1,3)/MU+V(2,3)}}
R1 7 0 1G
G1 1 3 VALUE={{PWR(V(7),1.5)}}
C1 2 3 2p
.param MU=20
.ends
"""


def test_a_tube_on_file_keeps_its_own_model(read) -> None:
    netlist = read("X1 p g k 12ax7\n" + TRIODE.format(name="12AX7", pins="1 2 3"))

    (element,) = netlist.elements
    assert (element.nodes, element.name, element.pins) == (
        ("p", "g", "k"),
        "12ax7",
        ("1", "2", "3"),
    )
    assert [inner.ref for inner in element.body] == ["X1.E1", "X1.R1", "X1.G1", "X1.C1"]
    assert element.body[2].nodes == ("p", "k")
    assert element.body[2].expression == Call("pwr", (Voltage("X1.7", "0"), Number(1.5)))


@pytest.mark.parametrize("line", ["1 2 3 ; A G C", "1 2 3\n* A G C", "1 2 3 ; A, G, C"])
def test_pins_named_by_a_comment_only(read, line: str) -> None:
    netlist = read("X1 p g k MINE\n" + TRIODE.format(name="MINE", pins=line))

    (element,) = netlist.elements
    assert element.pins == ("A", "G", "C")
    assert element.body


def test_a_type_in_the_note_keeps_it_whole(read) -> None:
    netlist = read("X1 p g k M ;! type=12AX7\n" + TRIODE.format(name="M", pins="1 2 3"))

    assert netlist.elements[0].body
    assert netlist.elements[0].note.tube_type == "12AX7"


def test_a_tube_made_of_smaller_models_is_one_element(read) -> None:
    inner = TRIODE.format(name="CORE", pins="A G K").replace("V(1,3)", "V(A,K)")
    inner = inner.replace("V(2,3)", "V(G,K)").replace("1 3 V", "A K V").replace("2 3 2p", "G K 2p")
    netlist = read(f"X1 p g k 12AX7\n.subckt 12AX7 A G K\nX1 A G K CORE\n.ends\n{inner}")

    (element,) = netlist.elements
    assert [part.ref for part in element.body] == ["X1.X1.E1", "X1.X1.R1", "X1.X1.G1", "X1.X1.C1"]


def test_a_parameter_set_twice_is_a_warning(read) -> None:
    netlist = read(".param r=1 R=2\nR1 a 0 {r}")

    assert rules(netlist) == ["parameter-twice"]
    assert netlist.elements[0].value == 2.0


def test_another_subcircuit_is_expanded(read) -> None:
    netlist = read("X1 p g k M\n" + TRIODE.format(name="M", pins="1 2 3"))

    assert [element.ref for element in netlist.elements] == ["X1.E1", "X1.R1", "X1.G1", "X1.C1"]


def test_part_notes(read) -> None:
    netlist = read(
        "R9 k4 0 470 ;! power=5W tol=5%\nC3 p1 g4 100n ;! volts=400V dielectric=paper age=60y\n"
        "L1 bp pl 12 ;! turns=2800 dcr=210ohm max_current=120mA\nVHT ht 0 430 ;! follows_mains\n"
        "R20 a w 12k ;! pot=VR1 side=upper\nX2 p g k 12AX7 ;! envelope=V2 heater=elevated:60V\n"
        "VIN in 0 0 ;! input\nRL s 0 8 ;! speaker\n"
        "X3 p g k 12AX7 ;! plate_power=1W screen_power=2W\n"
        "R21 a b 1k ; plain\n+ ;! power=2W\n+ ;! tol=1%"
    )
    note = {element.ref: element.note for element in netlist.elements}

    assert (note["R9"].power_w, note["R9"].tolerance) == (5.0, 0.05)
    assert (note["C3"].volts_v, note["C3"].dielectric, note["C3"].age_years) == (400.0, "paper", 60)
    assert (note["L1"].turns, note["L1"].dcr_ohm) == (2800.0, 210.0)
    assert note["L1"].max_current_a == pytest.approx(0.12)
    assert note["VHT"].follows_mains
    assert (note["R20"].pot, note["R20"].pot_side) == ("VR1", "upper")
    assert (note["X2"].envelope, note["X2"].heater, note["X2"].heater_v) == ("V2", "elevated", 60.0)
    assert note["VIN"].is_input
    assert note["RL"].is_speaker
    assert (note["X3"].plate_power_w, note["X3"].screen_power_w) == (1.0, 2.0)
    assert (note["R21"].power_w, note["R21"].tolerance) == (2.0, 0.01)


def test_names_in_notes_are_local_to_a_subcircuit(read) -> None:
    netlist = read("X1 p g k s\n.subckt s a b c\nX1 a b c 12AX7 ;! envelope=V1\n.ends")

    assert netlist.elements[0].note.envelope == "X1.V1"


@pytest.mark.parametrize(
    "card",
    [".tran 1m 10m", ".op", ".backanno", ".options reltol=1e-4", ".meas tran x avg v(a)",
     ".ic v(a)=3", ".step param r 1 2 1", ".temp 50", ".save @r1[i]", ".dc V1 0 1 .1"],
)  # fmt: skip
def test_analysis_cards_are_set_aside_with_a_note(read, card: str) -> None:
    netlist = read(f"R1 a 0 1k\n{card}")

    assert rules(netlist) == ["card-set-aside"]
    assert netlist.findings[0].level == "note"


def test_what_follows_end_is_not_read(read) -> None:
    netlist = read("R1 a 0 1k\n.end\nthis is no card")

    assert [element.ref for element in netlist.elements] == ["R1"]
    assert rules(netlist) == ["after-end"]


def test_a_zero_is_a_finding_not_an_error(read) -> None:
    netlist = read("R1 a 0 0\nC1 a 0 0")

    assert rules(netlist) == ["zero-value", "zero-value"]


def test_each_ruling_is_found_once_however_often_expanded(read) -> None:
    netlist = read(".subckt s a b\nR1 a b 4k7\n.ends\nX1 a 0 s\nX2 a 0 s")

    assert rules(netlist) == ["value-engineer-style"]


def test_parameters_of_other_programs_do_no_harm(read) -> None:
    netlist = read('C1 a 0 22u V=50 Irms=2.3 Rser=0.03 mfg="Some One" type="Al"')

    assert dict(netlist.elements[0].parameters) == {"v": 50.0, "irms": 2.3, "rser": 0.03}


@pytest.mark.parametrize(
    ("first", "title"),
    [
        ("* My amplifier", "My amplifier"),
        ("My amplifier", "My amplifier"),
        ("* C:\\Users\\joe x\\amps\\my amp.asc", "my amp.asc"),
        ("/home/joe/amps/amp.cir", "amp.cir"),
        ("\\\\server\\share\\amp.cir", "amp.cir"),
        ("drawn in /data/amps/amp.sch today", "drawn in amp.sch today"),
        ("push-pull 6V6/5881 and/or EL34", "push-pull 6V6/5881 and/or EL34"),
    ],
)
def test_the_title_keeps_no_path(first: str, title: str) -> None:
    from netcheck.netlist import read_netlist_text

    netlist = read_netlist_text(f"{first}\nR1 a 0 1k\n", "t.cir", None, is_tube=lambda _: False)

    assert netlist.title == title
    assert rules(netlist) == []


@pytest.mark.parametrize("first", ["R1 a b 1k", "X1 p g k 12AX7", ".param x=1", "V1 a 0 DC 10",
                                   ".tran 1m 1"])  # fmt: skip
def test_a_title_that_reads_as_a_card_is_a_warning(first: str) -> None:
    from netcheck.netlist import read_netlist_text

    netlist = read_netlist_text(f"{first}\nR9 a 0 1k\n", "t.cir", None, is_tube=lambda _: False)

    assert [(f.rule, f.level) for f in netlist.findings] == [("title-is-a-card", "warning")]
    assert netlist.title == first


@pytest.mark.parametrize("first", ["Class A amplifier", "Little amp 5 W", "EL34 pair fixed bias",
                                   "K2 kit of two", "Rebuilt in 1962"])  # fmt: skip
def test_a_sentence_is_no_card(first: str) -> None:
    from netcheck.netlist import read_netlist_text

    netlist = read_netlist_text(f"{first}\nR9 a 0 1k\n", "t.cir", None, is_tube=lambda _: False)

    assert rules(netlist) == []
