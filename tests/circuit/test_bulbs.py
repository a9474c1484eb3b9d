"""Sections of twin tubes: which one a card is, and which two are one bulb."""

from __future__ import annotations

import pytest

from netcheck.circuit.model import Circuit
from netcheck.errors import NetlistError
from netcheck.faults import list_faults
from netcheck.roles import recognise
from tests.circuit.test_checks import circuit

SUPPLY = ("VHT ht 0 250", "RP1 ht p1 100k", "RP2 ht p2 100k", "RK k 0 1k", "RG g 0 1meg")


def _twin(first: str, second: str) -> Circuit:
    return circuit(*SUPPLY, first, second)


def _joined(found: Circuit) -> list[str]:
    return [each.part for each in found.findings if each.rule == "joined-envelope"]


@pytest.mark.parametrize("stem", ["X2", "XV2", "xv2"])
def test_a_and_b_of_one_twin_type_are_one_bulb(stem: str) -> None:
    found = _twin(f"{stem}A p1 g k 12AX7", f"{stem}B p2 g k ECC83")

    first, second = found.tubes

    assert first.note.envelope == second.note.envelope != ""
    assert (first.section, second.section) == ("1", "2")
    assert _joined(found) == [first.ref]
    assert [each.level for each in found.findings if each.rule == "joined-envelope"] == ["note"]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("X2A p1 g k 12AX7", "X2B p2 g k 12AU7"),
        ("X2A p1 g k 12AX7", "X3B p2 g k 12AX7"),
        ("X2A p1 g k 12AX7", "X2C p2 g k 12AX7"),
        ("X2A p1 g k 300B", "X2B p2 g k 300B"),
        ("XA p1 g k 12AX7", "XB p2 g k 12AX7"),
        ("X2A p1 g k 12AX7 ;! envelope=V1", "X2B p2 g k 12AX7"),
        ("X2A p1 g k ECL82", "X2B p2 g k ECL82"),
    ],
)
def test_others_are_not_joined(first: str, second: str) -> None:
    found = _twin(first, second)

    assert _joined(found) == []
    assert {each.note.envelope for each in found.tubes} <= {"", "V1"}


def test_a_note_says_the_section() -> None:
    found = _twin("X2 p1 g k 12AX7 ;! section=B", "X3 p2 g k 12AX7 ;! section=1")

    assert [each.section for each in found.tubes] == ["2", "1"]


def test_a_section_that_is_not_there() -> None:
    with pytest.raises(NetlistError, match="a 12AX7 has no section '3'") as caught:
        _twin("X2 p1 g k 12AX7 ;! section=3", "X3 p2 g k 12AX7")

    assert caught.value.hint == "its sections: 1, 2"


def test_nodes_tell_the_triode_from_the_pentode() -> None:
    found = _twin("X2A p1 g k 6BM8", "X2B p2 ht g k 6BM8")

    triode, pentode = found.tubes

    assert (triode.tube.name, pentode.tube.name) == ("ECL82 triode", "ECL82")
    assert (triode.section, pentode.section) == ("triode", "pentode")
    assert (triode.tube.kind, pentode.tube.kind) == ("triode", "pentode")
    assert triode.note.envelope == pentode.note.envelope != ""
    assert triode.tube.limit("plate_dissipation_w").value == 1.0
    assert pentode.tube.limit("plate_dissipation_w").value == 7.0


@pytest.mark.parametrize(
    ("card", "takes"),
    [
        ("X1 p1 k ECL86", "4: plate screen grid cathode, or 3: plate grid cathode"),
        ("X1 p1 p2 g k GZ34", "2: plate cathode, or 3: plate plate_2 cathode"),
        ("X1 p1 g EL34", "4: plate screen grid cathode"),
    ],
)
def test_a_wrong_number_of_nodes_says_what_is_taken(card: str, takes: str) -> None:
    with pytest.raises(NetlistError) as caught:
        circuit(*SUPPLY, card)

    assert str(caught.value.message).endswith(f"section takes {takes}")


def test_rectifiers_stand_with_one_or_two_plates() -> None:
    found = circuit(*SUPPLY, "X8 p1 ht 5Y3GT", "X9 p1 p2 k 5AR4")

    one, two = found.tubes

    assert [pin.name for pin in one.pins] == ["plate", "cathode"]
    assert [pin.name for pin in two.pins] == ["plate", "plate_2", "cathode"]


def test_letter_case_tells_no_two_bulbs_apart() -> None:
    alike = _twin("X2 p1 g k 12AX7 ;! envelope=V2", "X3 p2 g k 12AX7 ;! envelope=V2")
    mixed = _twin("X2 p1 g k 12AX7 ;! envelope=V2", "X3 p2 g k 12AX7 ;! envelope=v2")

    faults = [[fault.id for fault in list_faults(one, recognise(one))] for one in (alike, mixed)]

    assert [tube.ref for tube in mixed.bulb_of("X3")] == ["X2", "X3"]
    assert "X2+X3/open_heater" in faults[0]
    assert faults[0] == faults[1]
