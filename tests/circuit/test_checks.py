"""What is noticed about a circuit before it is solved."""

from __future__ import annotations

import pytest

from netcheck.circuit.build import build_circuit
from netcheck.circuit.checks import check_circuit
from netcheck.circuit.model import Circuit
from netcheck.errors import NetlistError, UnanswerableError
from netcheck.findings import Finding
from netcheck.netlist import read_netlist_text
from netcheck.tubes.library import load_library

STAGE = (
    "VHT bp 0 300",
    "VIN in 0 0 ;! input",
    "X1 p1 bp in k1 6V6GT",
    "RK k1 0 470",
    "L1 bp p1 10",
    "L2 s 0 20m",
    "K1 L1 L2 0.998",
    "RL s 0 8",
)


def circuit(*lines: str) -> Circuit:
    library = load_library()
    text = "\n".join(("Test circuit", *lines, ".end", ""))
    netlist = read_netlist_text(text, "test.cir", None, is_tube=library.is_tube)
    return build_circuit(netlist, library)


def check(*lines: str) -> tuple[Finding, ...]:
    return check_circuit(circuit(*lines))


def rules(*lines: str) -> list[tuple[str, str]]:
    return [(finding.rule, finding.part) for finding in check(*lines)]


def without(ref: str) -> tuple[str, ...]:
    return tuple(line for line in STAGE if line.split()[0] != ref)


def test_a_sound_stage_has_no_finding() -> None:
    assert rules(*STAGE) == []


def test_no_ground() -> None:
    lines = [line.replace(" 0 ", " gnd1 ") for line in STAGE]
    lines[1] = "VIN in gnd1 0"

    with pytest.raises(NetlistError, match="no ground") as caught:
        check(*lines)

    assert "net 0" in caught.value.hint
    assert caught.value.span is not None


def test_no_tube_shows_what_a_tube_card_looks_like() -> None:
    with pytest.raises(UnanswerableError, match="no tube") as caught:
        check("V1 a 0 10", "R1 a 0 1k")

    assert "X1 plate grid cathode 12AX7" in caught.value.hint


def test_grid_without_a_path_is_named() -> None:
    found = check(*without("VIN"), "VIN a 0 AC 1", "C1 a in 100n")

    assert [finding.rule for finding in found] == ["no-dc-path"]
    assert "net in has no DC path to ground" in found[0].message
    assert "the grid of X1" in found[0].message
    assert found[0].span is not None
    assert found[0].span.line == 3


def test_a_tube_is_no_path_for_its_grid_and_a_diode_is_one() -> None:
    floating = (*without("VIN"), "VIN a 0 AC 1", "C1 a in 100n")

    assert rules(*floating) == [("no-dc-path", "X1")]
    assert rules(*floating, "D1 in 0 DX", ".model DX D") == []


def test_floating_load_winding_is_named_with_all_its_nets() -> None:
    found = check(*without("RL")[:-2], "L2 s t 20m", "K1 L1 L2 0.998", "RL s t 8")

    assert [finding.rule for finding in found] == ["no-dc-path"]
    assert "nets s, t have no DC path" in found[0].message


@pytest.mark.parametrize(
    "lines",
    [
        ("X1 p1 0 k 12AX7", "RP bp p1 100k", "I1 k n 2m", "VN n 0 -50"),
        ("X1 m 0 k 12AX7", "RK k 0 1k", "X2 bp g2 m 12AX7", "RG g2 0 1meg"),
        ("X1 p1 0 k 12AX7", "I1 bp p1 1m", "RK k 0 1k"),
    ],
)
def test_tube_current_settles_tails_and_stacks(lines: tuple[str, ...]) -> None:
    found = [rule for rule, _ in rules("VHT bp 0 300", *lines)]
    assert found == (["ideal-current-load"] if "I1 bp p1 1m" in lines else [])


def test_dangling_net() -> None:
    found = check(*STAGE, "R9 k1 k9 1k")

    assert [(finding.rule, finding.part) for finding in found] == [("dangling-net", "R9")]
    assert "k9" in found[0].message


def test_unfed_screen_and_plate() -> None:
    lines = [line.replace("X1 p1 bp in", "X1 p1 s1 in") for line in STAGE]

    assert rules(*lines, "RS s1 0 100k") == [("unfed-electrode", "X1")]

    lines = [line.replace("VHT bp 0 300", "RHT bp 0 300") for line in STAGE]
    assert rules(*lines) == [("primary-unfed", "L1"), ("unfed-electrode", "X1")]


def test_screen_on_ground_is_fed_where_the_cathode_is_below() -> None:
    tail = ("VN n 0 -150", "RT kt n 1k", "X9 tp 0 gt kt EF86", "RG gt n 100k", "RP bp tp 100k")

    assert rules(*STAGE, *tail) == []
    above = [line.replace("VN n 0 -150", "VN n 0 0 ;! input") for line in tail]
    assert ("unfed-electrode", "X9") in rules(*STAGE, *above)


def test_cathode_without_a_path() -> None:
    found = [f for f in check(*without("RK"), "CK k1 0 22u") if f.rule != "dangling-net"]

    assert [(each.rule, each.part) for each in found] == [("cathode-open", "X1")]
    assert "net k1" in found[0].message
    assert rules(*without("RK"), "CK k1 0 22u", "RK2 k1 0 470") == []


def test_supply_through_rectifiers_only_is_an_error() -> None:
    mains = (
        *without("VHT"),
        "VAC ac 0 SIN(0 300 50)",
        "RAC ac prim 1",
        "L8 prim 0 1",
        "L9 sec 0 1",
        "K9 L8 L9 0.999",
        "D1 sec raw DX",
        "C1 raw 0 47u",
        "R1 raw bp 100",
        ".model DX D",
    )

    found = check(*mains)

    assert [(finding.rule, finding.level) for finding in found] == [("rectifier-fed", "error")]
    assert "VAC" in found[0].message
    assert rules(*mains, "VHT bp 0 300") == []


def test_impossible_couplings() -> None:
    lines = (*without("K1"), "L3 t 0 20m", "R3 t 0 8", "K1 L1 L2 0.99", "K2 L2 L3 0.99")

    with pytest.raises(NetlistError, match="L1, L2, L3") as caught:
        check(*lines)

    assert "L1 and L3" in caught.value.hint
    assert "K1 L1 L2 L3" in caught.value.hint
    assert rules(*lines, "K3 L1 L3 0.99") == []


def test_perfect_coupling_is_possible() -> None:
    assert rules(*without("K1"), "K1 L1 L2 1") == []


def test_just_impossible_and_just_possible_third_coupling() -> None:
    # With k12 = k23 = 0.9 the third may go down to 2 * 0.81 - 1 = 0.62.
    lines = (*without("K1"), "L3 t 0 20m", "R3 t 0 8", "K1 L1 L2 0.9", "K2 L2 L3 0.9")

    assert rules(*lines, "K3 L1 L3 0.6201") == []
    with pytest.raises(NetlistError):
        check(*lines, "K3 L1 L3 0.6199")


def test_no_load() -> None:
    assert rules(*without("RL")) == [("dangling-net", "L2"), ("no-load", "L1")]
    assert rules(*without("RL"), "RL s 0 8") == []


def test_coupled_plate_windings_without_a_load_winding() -> None:
    halves = ("X2 p2 bp 0 k1 6V6GT", "L3 p2 bp 10", "K1 L1 L3 0.998")

    found = [f for f in check(*without("K1"), *halves) if f.rule == "no-load"]

    assert len(found) == 1
    assert "L1, L3 drives no load: it has no other winding" in found[0].message


@pytest.mark.parametrize(
    ("card", "order"),
    [
        ("X1 in bp p1 k1 6V6GT", "p1 bp in k1"),
        ("X1 k1 bp in p1 6V6GT", "p1 bp in k1"),
        ("X1 bp in k1 p1 6V6GT", "p1 bp in k1"),
    ],
)
def test_pin_order_that_contradicts_the_circuit(card: str, order: str) -> None:
    lines = (*without("X1"), card)

    found = [finding for finding in check(*lines) if finding.rule == "pin-order"]

    assert len(found) == 1
    assert order in found[0].message
    assert found[0].part == "X1"


def test_grid_and_cathode_swapped() -> None:
    lines = (
        "VHT bp 0 300",
        "VIN in 0 AC 1",
        "C1 in g1 100n",
        "RG g1 0 1meg",
        "RK k1 0 1.5k",
        "RP bp p1 100k",
    )

    assert rules(*lines, "X1 p1 g1 k1 12AX7") == []
    found = check(*lines, "X1 p1 k1 g1 12AX7")
    assert [finding.rule for finding in found] == ["pin-order"]
    assert "p1 g1 k1" in found[0].message


@pytest.mark.parametrize(
    "lines",
    [
        # directly coupled follower, elevated grid, long tail, cascode, tail to a supply
        ("X2 bp p1 k2 12AX7", "RK2 k2 0 100k"),
        ("X2 bp g2 k2 12AU7", "RA bp g2 220k", "RB g2 0 100k", "RK2 k2 0 22k"),
        ("X2 bp p1 kk 12AX7", "X3 bp 0 kk 12AX7", "RT kk 0 100k"),
        ("X2 p2 g2 m 12AX7", "RP2 bp p2 100k", "RA bp g2 220k", "RB g2 0 100k", "X3 m 0 k3 12AX7",
         "RK3 k3 0 1k"),
        ("X2 bp 0 k2 12AX7", "RT k2 n 100k", "VN n 0 -100"),
    ],
)  # fmt: skip
def test_unusual_circuits_are_not_questioned(lines: tuple[str, ...]) -> None:
    first = ("VHT bp 0 300", "VIN in 0 0", "X1 p1 in k1 12AX7", "RK k1 0 1.5k", "RP bp p1 100k")

    assert rules(*first, *lines) == []
