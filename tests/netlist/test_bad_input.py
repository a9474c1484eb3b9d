"""Files that are hostile, broken or merely odd: a clear message or sound handling."""

from __future__ import annotations

import dataclasses
import time
from pathlib import Path

import pytest

from netcheck.errors import ManyErrors, NetcheckError, NetlistError
from netcheck.netlist import FlatNetlist, ReadLimits, read_netlist
from tests.netlist.conftest import is_tube


def read_bytes(folder: Path, data: bytes, name: str = "amp.cir", **options: object) -> FlatNetlist:
    (folder / name).write_bytes(data)
    return read_netlist(folder / name, is_tube=is_tube, **options)  # type: ignore[arg-type]


def refused(folder: Path, text: str, **options: object) -> str:
    with pytest.raises(NetcheckError) as caught:
        read_bytes(folder, text.encode(), **options)
    assert str(folder) not in str(caught.value)
    return str(caught.value)


SAMPLE = (
    "pair of EL34\r\nR1 a $n_1 4.7k\r\nC1 $n_1\r\n* between\r\n+ 0 10\N{MICRO SIGN}F ;! volts=50V"
    "\r\nX1 a $n_1 0 EL34\r\n.tran 1m 1\r\n.end\r\n"
)


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"]
)
@pytest.mark.parametrize("ends", ["\r\n", "\n", "\r"])
def test_encodings_and_line_ends_make_no_difference(
    tmp_path: Path, encoding: str, ends: str
) -> None:
    plain = read_bytes(tmp_path, SAMPLE.replace("\r\n", "\n").encode())
    other = read_bytes(tmp_path, SAMPLE.replace("\r\n", ends).encode(encoding))

    assert other.elements == plain.elements
    assert other.findings == plain.findings
    assert other.title == plain.title
    assert plain.elements[1].value == 10e-6


def test_utf16_with_an_ohm_sign(tmp_path: Path) -> None:
    netlist = read_bytes(tmp_path, "t\nR1 a 0 4.7k\N{OHM SIGN}\n".encode("utf-16"))

    assert netlist.elements[0].value == 4700.0


@pytest.mark.parametrize("data", [b"", b"   \n\n", b"\xef\xbb\xbf", b"\xff\xfe"])
def test_an_empty_file(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(NetlistError, match="empty"):
        read_bytes(tmp_path, data)


@pytest.mark.parametrize(
    "data",
    [
        bytes(range(256)) * 4,
        b"\x7fELF\x02\x01\x01\x00" * 20,
        b"\x89PNG\r\n\x1a\n\x00\x00",
        b"t\nR\0",
    ],
)
def test_a_binary_file(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(NetcheckError, match="not text"):
        read_bytes(tmp_path, data)


def test_a_folder_a_missing_file_and_a_device(tmp_path: Path) -> None:
    for path, said in (
        (tmp_path, "is not a file"),
        (tmp_path / "none.cir", "cannot be read"),
        (Path("/dev/zero"), "is not a file"),
    ):
        with pytest.raises(NetcheckError, match=said):
            read_netlist(path, is_tube=is_tube)


def test_a_control_block_that_never_ends_is_refused_and_runs_nothing(tmp_path: Path) -> None:
    said = refused(tmp_path, "t\nR1 a 0 1k\n.control\nshell touch stolen\nR2 a 0 1k\n")

    assert "has no `.endc`" in said
    assert not (tmp_path / "stolen").exists()


def test_several_mistakes_come_in_one_run_in_order(tmp_path: Path) -> None:
    with pytest.raises(ManyErrors) as caught:
        read_bytes(tmp_path, b"t\nR1 a 0 {x}\nR2 a 0 470 ;! powr=1W\nQ1 c b e M\nR4 a 0\n")

    assert [error.span.line for error in caught.value.errors if error.span] == [2, 3, 4, 5]


def test_very_many_mistakes_are_cut_short(tmp_path: Path) -> None:
    said = refused(tmp_path, "t\n" + "".join(f"R{i} a 0 {{x{i}}}\n" for i in range(500)))

    assert "and 480 more mistakes" in said


def test_a_missing_part_is_not_complained_about_twice(tmp_path: Path) -> None:
    said = refused(tmp_path, "t\nL1 a 0 1x2\nL2 b 0 1\nK1 L1 L2 0.9\nV1 c 0 {\nF1 d 0 V1 2\n")

    assert said.count(".cir:") == 2


@pytest.mark.parametrize(
    ("value", "said"),
    [("-470", "negative"), ("1e300", "absurd"), ("1e16", "absurd"), ("nan", "finite"),
     ("inf", "finite"), ("1e-300", "absurd"), ("1e999", "too large"), ("{1/0}", "division"),
     ("{10**400}", "too large"), ("{exp(1000)}", "exp"), ("{sqrt(-1)}", "root"),
     ("{ln(0)}", "logarithm"), ("{(-8)^0.5}", "no value"), ("{1e200*1e200}", "finite"),
     ("{sin(1e200*1e200)}", "finite")],
)  # fmt: skip
def test_absurd_values(tmp_path: Path, value: str, said: str) -> None:
    assert said in refused(tmp_path, f"t\nR1 a 0 {value}\n")


def test_a_billion_parts_are_refused_quickly(tmp_path: Path) -> None:
    text = "t\nX0 a 0 s0\n"
    for level in range(12):
        uses = "".join(f"X{i} p q s{level + 1}\n" for i in range(10))
        text += f".subckt s{level} p q\n{uses}.ends\n"
    text += ".subckt s12 p q\nR1 p q 1k\n.ends\n"
    begin = time.monotonic()

    said = refused(tmp_path, text)

    assert "more than 20000 parts, the limit" in said
    assert time.monotonic() - begin < 10


def test_depth_of_subcircuits(tmp_path: Path) -> None:
    text = "t\nX0 a 0 s0\n"
    for level in range(40):
        text += f".subckt s{level} p q\nX1 p q s{level + 1}\n.ends\n"
    text += ".subckt s40 p q\nR1 p q 1k\n.ends\n"

    assert "deeper than 20, the limit" in refused(tmp_path, text)


@pytest.mark.parametrize(
    "expression",
    [ "+".join("1" * 3000), "-" * 3000 + "(1+1)", "2**" * 2000 + "2",
     "sqrt(" * 1000 + "1" + ")" * 1000, "1?" * 500 + "1" + ":1" * 500],
)  # fmt: skip
def test_deep_expressions(tmp_path: Path, expression: str) -> None:
    assert "limit" in refused(tmp_path, f"t\nR1 a 0 {{{expression}}}\n")


def test_deep_brackets_are_no_depth(tmp_path: Path) -> None:
    nested = "(" * 5000 + "1" + ")" * 5000

    assert read_bytes(tmp_path, f"t\nR1 a 0 {{{nested}}}\n".encode()).elements[0].value == 1.0


def test_deep_parameters(tmp_path: Path) -> None:
    chain = "".join(f".param a{i}={{a{i + 1}+0}}\n" for i in range(3000))

    assert "deep, the limit" in refused(tmp_path, f"t\n{chain}.param a3000=1\nR1 a 0 {{a0}}\n")


def test_limits_of_size(tmp_path: Path) -> None:
    limits = ReadLimits(file_bytes=1000, lines=20, card_characters=100)

    assert "1000 bytes" in refused(tmp_path, "t\n" + "*\n" * 1000, limits=limits)
    assert "20 lines" in refused(tmp_path, "t\n" + "*\n" * 30, limits=limits)
    assert "100 characters" in refused(tmp_path, f"t\nR1 a 0 {'1' * 200}\n", limits=limits)


class TestIncludes:
    def test_below_the_folder_is_read(self, tmp_path: Path) -> None:
        (tmp_path / "lib").mkdir()
        (tmp_path / "lib" / "a.inc").write_text('.include "b c.inc"\nR1 a 0 1k\n')
        (tmp_path / "lib" / "b c.inc").write_text("R2 a 0 4k7\n")
        netlist = read_bytes(tmp_path, b"t\n.include lib\\a.inc\nR3 a 0 1k\n")

        assert [element.ref for element in netlist.elements] == ["R2", "R1", "R3"]
        assert netlist.elements[0].span.file == "lib/b c.inc"
        assert set(netlist.sources) == {"amp.cir", "lib/a.inc", "lib/b c.inc"}

    def test_a_section_of_a_library(self, tmp_path: Path) -> None:
        (tmp_path / "l.lib").write_text(".lib one\nR1 a 0 1\n.endl\n.lib two\nR2 a 0 2\n.endl\n")
        netlist = read_bytes(tmp_path, b"t\n.lib l.lib two\n")

        assert [element.ref for element in netlist.elements] == ["R2"]
        assert netlist.elements[0].span.line == 5

    @pytest.mark.parametrize(
        "written",
        ["../secret.inc", "/etc/passwd", "~/secret.inc", "C:\\lib\\secret.inc", "link.inc",
         "folder/secret.inc", "sub/../../secret.inc", "missing.inc", "\\\\server\\secret.inc",
         "."],
    )  # fmt: skip
    def test_elsewhere_is_skipped_with_a_note(self, tmp_path: Path, written: str) -> None:
        home = tmp_path / "home"
        (home / "sub").mkdir(parents=True)
        (tmp_path / "secret.inc").write_text("R1 a 0 1k\n")
        (home / "link.inc").symlink_to(tmp_path / "secret.inc")
        (home / "folder").symlink_to(tmp_path)
        netlist = read_bytes(home, f"t\n.include {written}\nR2 a 0 1k\n".encode())

        assert [element.ref for element in netlist.elements] == ["R2"]
        assert [(f.rule, f.level) for f in netlist.findings] == [("include-skipped", "note")]
        assert len(netlist.skipped_includes) == 1
        assert str(tmp_path) not in netlist.findings[0].message

    @pytest.mark.parametrize("needs", ["D1 a 0 DX", "R1 a 0 {rk}"])
    def test_an_unknown_name_tells_of_the_skipped_include(self, tmp_path: Path, needs: str) -> None:
        assert "models.inc" in refused(tmp_path, f"t\n.include ../models.inc\n{needs}\n")

    def test_a_ring_of_includes(self, tmp_path: Path) -> None:
        (tmp_path / "a.inc").write_text(".include b.inc\n")
        (tmp_path / "b.inc").write_text(".include a.inc\n")

        assert "includes itself" in refused(tmp_path, "t\n.include a.inc\nR1 a 0 1k\n")

    def test_mistakes_in_an_include_name_its_file(self, tmp_path: Path) -> None:
        (tmp_path / "a.inc").write_text("R1 a 0\n")

        assert "a.inc:1:1" in refused(tmp_path, "t\n.include a.inc\nR2 a 0 1k\n")

    def test_text_without_a_folder_follows_none(self) -> None:
        from netcheck.netlist import read_netlist_text

        netlist = read_netlist_text("t\n.include a.inc\nR1 a 0 1\n", "t", None, is_tube=is_tube)

        assert netlist.skipped_includes == ("a.inc",)


def test_a_mistake_in_an_unused_subcircuit_is_a_note(tmp_path: Path) -> None:
    netlist = read_bytes(tmp_path, b"t\nR1 a 0 1k\n.subckt s a b\nS1 a b c d SW\n.ends\n")

    assert [(f.rule, f.level) for f in netlist.findings] == [("unused-subcircuit-mistake", "note")]


def test_a_mistake_in_a_used_subcircuit_is_an_error(tmp_path: Path) -> None:
    said = refused(tmp_path, "t\nX1 a 0 s\n.subckt s a b\nS1 a b c d SW\n.ends\n")

    assert "no card begins with `S`" in said


def test_the_name_shown_is_relative(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "a.cir").write_text("t\nR1 a 0 1k\n")

    assert read_netlist(Path("sub/a.cir"), is_tube=is_tube).elements[0].span.file == "sub/a.cir"
    absolute = read_netlist(tmp_path / "sub" / "a.cir", is_tube=is_tube)
    assert absolute.elements[0].span.file == "a.cir"


def test_control_characters_do_not_reach_the_terminal(tmp_path: Path) -> None:
    said = refused(
        tmp_path, "t\n" + "* a long comment line to dilute\n" * 20 + "R1 a 0 \x1b[31mx\n"
    )

    assert "\x1b" not in said


def test_limits_are_plain_values() -> None:
    assert all(isinstance(value, int) for value in dataclasses.astuple(ReadLimits()))
