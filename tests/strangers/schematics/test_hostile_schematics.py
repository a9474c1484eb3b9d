"""Schematics that are meant to do harm, or are damaged: one clear message, nothing else."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcheck.errors import NetcheckError
from netcheck.netlist import ReadLimits, read_netlist, read_netlist_text

ASC = "Version 4\nSHEET 1 880 680\n"
RESISTOR = "SYMBOL res 80 80 R0\nSYMATTR InstName R1\nSYMATTR Value 1k\n"


def read(text: str, name: str = "t.asc") -> None:
    read_netlist_text(text, name, None, is_tube=lambda word: word.upper() == "12AX7")


ASC_PIECES = st.sampled_from(
    ["WIRE", "FLAG", "SYMBOL", "SYMATTR", "TEXT", "BUSTAP", "IOPIN", "res", "cap", "Misc\\triode",
     "voltage", "0", "16", "80", "96", "-48", "1e3", "99999999999", "R0", "M270", "R45", "InstName",
     "Value", "SpiceLine", "Prefix", "X", "R1", "V1", "12AX7", "1k", "4k7 2W", "Left", "2", "\n",
     "\n", "!.param x=1", "!K1 L1 L2 1", "!.include ../x", ";!", "\\n", "{", "}", "é", "\x00", '"']
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.lists(ASC_PIECES, max_size=60))
def test_any_asc_reads_or_is_refused(pieces: list[str]) -> None:
    with contextlib.suppress(NetcheckError):
        read(ASC + " ".join(pieces).replace("\n ", "\n"))


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_a_damaged_asc_reads_or_is_refused(data: st.DataObject) -> None:
    text = (Path(__file__).parent / "asc" / "push_pull.asc").read_text()
    lines = text.splitlines()
    start = data.draw(st.integers(0, len(lines) - 1))
    length = data.draw(st.integers(0, 12))
    with contextlib.suppress(NetcheckError):
        read("\n".join(lines[:start] + lines[start + length :]))


LIST_PIECES = st.sampled_from(
    ["(", ")", "(", ")", "export", "components", "comp", "ref", "value", "nets", "net", "node",
     "pin", "name", "code", "fields", "field", "libsource", "lib", "part", "units", "unit", "num",
     '"R1"', '"V1"', '"T1"', '"1"', '"2"', "GND", '"+300V"', '"12AX7"', '"Device"', '"R"',
     '"Netlist"',
     '"K 1 | L 1 2"', '"4k7 2W"', '"\\', "kicad_sch", "symbol", "at", "wire", "pts", "xy", "\n"]
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.lists(LIST_PIECES, max_size=80))
def test_any_list_reads_or_is_refused(pieces: list[str]) -> None:
    with contextlib.suppress(NetcheckError):
        read("(export (version E) " + " ".join(pieces), "t.net")


NETLIST = Path(__file__).parent / "netlists" / "push_pull_cathodyne.net"


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_a_damaged_list_reads_or_is_refused(data: st.DataObject) -> None:
    text = NETLIST.read_text()
    start = data.draw(st.integers(0, len(text) - 1))
    length = data.draw(st.integers(0, 40))
    piece = data.draw(st.sampled_from(["", ")", "(", '"', "GND", "(comp)", "(pin)"]))
    with contextlib.suppress(NetcheckError):
        read(text[:start] + piece + text[start + length :], "t.net")


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_a_damaged_sheet_reads_or_is_refused(data: st.DataObject) -> None:
    text = (Path(__file__).parent / "sheets" / "line_stage_with_follower.kicad_sch").read_text()
    start = data.draw(st.integers(0, len(text) - 1))
    length = data.draw(st.integers(0, 60))
    piece = data.draw(st.sampled_from(["", ")", "(", '"', "9e99", "(at 0 0 90)", "(extends V)"]))
    with contextlib.suppress(NetcheckError):
        read(text[:start] + piece + text[start + length :], "t.kicad_sch")


@pytest.mark.parametrize("name", ["../power.kicad_sch", "/etc/power.kicad_sch", "link.kicad_sch"])
def test_no_sheet_is_read_from_outside_the_folder(name: str, tmp_path: Path) -> None:
    (tmp_path / "power.kicad_sch").write_text("(kicad_sch (version 20231120))")
    folder = tmp_path / "inner"
    folder.mkdir()
    (folder / "link.kicad_sch").symlink_to(tmp_path / "power.kicad_sch")
    file = folder / "t.kicad_sch"
    file.write_text(
        f'(kicad_sch (version 20231120) (sheet (at 0 0) (property "Sheetfile" "{name}")))'
    )

    with pytest.raises(NetcheckError, match="is not in the schematic's folder"):
        read_netlist(file, is_tube=lambda word: False)


@pytest.mark.parametrize("name", ["..\\secret", "../secret", "/etc/secret", "C:\\secret", "link"])
def test_no_symbol_is_read_from_outside_the_folder(name: str, tmp_path: Path) -> None:
    pins = "Version 4\nSymbolType CELL\nSYMATTR Prefix R\nPIN 0 0 NONE 8\nPIN 0 64 NONE 8\n"
    (tmp_path / "secret.asy").write_text(pins)
    folder = tmp_path / "inner"
    folder.mkdir()
    (folder / "link.asy").symlink_to(tmp_path / "secret.asy")
    file = folder / "t.asc"
    file.write_text(f"{ASC}SYMBOL {name} 0 0 R0\nSYMATTR InstName R1\nSYMATTR Value 1k\n")

    with pytest.raises(NetcheckError, match="is not known"):
        read_netlist(file, is_tube=lambda word: False)


def test_many_wires_on_one_line_are_read_fast_enough_to_be_a_schematic() -> None:
    wires = "".join(f"WIRE {16 * n} 0 {16 * n + 16} 0\n" for n in range(20_000))

    read(f"{ASC}{wires}FLAG 0 0 0\nFLAG 96 176 0\n{RESISTOR}")


def test_wires_at_every_angle_are_refused() -> None:
    wires = "".join(f"WIRE 0 0 {n} 997\n" for n in range(1, 200))

    with pytest.raises(NetcheckError, match="too many angles"):
        read(f"{ASC}{wires}{RESISTOR}")


def test_the_number_of_symbols_is_bounded() -> None:
    with pytest.raises(NetcheckError, match="more than 50 symbols"):
        read_netlist_text(
            ASC + RESISTOR * 51, "t.asc", None, is_tube=str.isdigit, limits=ReadLimits(parts=50)
        )
