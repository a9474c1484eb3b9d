"""The annotated netlist: every byte of the user's kept, the same circuit, twice the same."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from netcheck.circuit.model import Circuit
from netcheck.netlist.lines import ANNOTATION_MARK
from netcheck.pipeline import load_circuit
from netcheck.report.annotate_netlist import (
    comments_of,
    render,
    with_comments,
    without_comment,
)
from netcheck.report.annotation import AnnotatedCircuit
from netcheck.roles import recognise
from netcheck.solve.results import NotSolved, PartState, Solved, TubeState

CHECKOUT = Path(__file__).resolve().parents[2]
CORPUS = sorted(
    [*(CHECKOUT / "circuits").glob("*.cir"), *(CHECKOUT / "tests/roles/cases").glob("*.cir")]
)
STAGE = """Stage
* a comment ;~netcheck: of the user's own
VHT bp 0 300
VIN in 0 0 ;! input
R1 in 0 1Meg ; grid leak
X1 p in k 12AX7   ;! envelope=V1
+ ; goes on here
R2 bp
* in between
+ p 100k ;! power=1W
R3 k 0 1.5k $ cathode
C1 k 0 22u // bypass
R4 k 0 47k\x20\x20
C2 p out 22n\t
R5 out 0 1Meg
.end
"""


def annotated(path: Path) -> AnnotatedCircuit:
    """Roles alone, as where the solver finds nothing."""
    circuit = load_circuit(path)
    return AnnotatedCircuit(path.name, circuit, recognise(circuit), NotSolved("idle", "not asked"))


def written(folder: Path, data: bytes, name: str = "user.cir") -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def essence(circuit: Circuit) -> tuple[object, ...]:
    parts: Mapping[str, object] = circuit.parts
    return circuit.title, dict(parts), circuit.couplings, dict(circuit.models), circuit.findings


@pytest.mark.parametrize("path", CORPUS, ids=lambda path: path.stem)
def test_corpus_reads_back_the_same(path: Path, tmp_path: Path) -> None:
    copy = written(tmp_path, path.read_bytes())
    plain = annotated(copy)
    first = render(plain, copy.read_bytes())

    copy.write_bytes(first)
    again = annotated(copy)

    assert essence(again.circuit) == essence(plain.circuit)
    assert render(again, first) == first
    assert first.count(ANNOTATION_MARK.encode()) > len(plain.circuit.parts) / 2
    stripped = [without_comment(line) for line in first.decode().split("\n")]
    assert "\n".join(stripped).encode() == path.read_bytes()


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("end", ["", "\x1a", "\n\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_bytes_of_every_kind_are_kept(
    newline: str, end: str, encoding: str, tmp_path: Path
) -> None:
    text = STAGE.replace("Stage", "Stage é", 1).rstrip("\n").replace("\n", newline) + end
    data = text.encode(encoding)
    path = written(tmp_path, data)
    plain = annotated(path)
    first = render(plain, data)

    path.write_bytes(first)
    again = annotated(path)

    assert essence(again.circuit) == essence(plain.circuit)
    assert render(again, first) == first
    lines = first.decode(encoding).split(newline)
    assert newline.join(map(without_comment, lines)).encode(encoding) == data


def test_comment_stands_behind_the_last_line_of_a_card(tmp_path: Path) -> None:
    path = written(tmp_path, STAGE.encode())

    lines = render(annotated(path), path.read_bytes()).decode().split("\n")

    marked = {number for number, line in enumerate(lines, 1) if ANNOTATION_MARK in line}
    assert marked - {2} == {3, 4, 5, 6, 10, 11, 12, 13, 14, 15}
    assert lines[1] == "* a comment ;~netcheck: of the user's own"
    assert "plate load of X1" in lines[9]
    assert lines[12].startswith("R4 k 0 47k  \t;~netcheck:")


def test_other_text_makes_the_comment_anew() -> None:
    first = with_comments("t\nR1 a 0 1k ;! power=1W\n", {2: "grid leak, 1 V"})
    second = with_comments(first, {2: "grid leak, 2 V"})

    assert second == "t\nR1 a 0 1k ;! power=1W  ;~netcheck: grid leak, 2 V\n"
    assert with_comments(second, {}) == "t\nR1 a 0 1k ;! power=1W\n"


def test_only_the_main_file_is_annotated(tmp_path: Path) -> None:
    (tmp_path / "supply.inc").write_text("VHT bp 0 300\n")
    text = STAGE.replace("VHT bp 0 300", ".include supply.inc")
    path = written(tmp_path, text.encode())

    lines = comments_of(annotated(path))

    assert 3 not in lines
    assert (tmp_path / "supply.inc").read_text() == "VHT bp 0 300\n"


def test_part_of_a_subcircuit_used_twice_tells_of_both(tmp_path: Path) -> None:
    text = """Two stages in one subcircuit
VHT bp 0 300
VIN in 0 0 ;! input
XA in o1 bp stage
C9 o1 g2 22n
XB g2 o2 bp stage
.subckt stage in out b
R1 in 0 1Meg
X1 out in k 12AX7
R2 b out 100k
R3 k 0 1.5k
.ends
.end
"""
    path = written(tmp_path, text.encode())

    comments = comments_of(annotated(path))

    assert comments[10].startswith("used 2 times | XA.R2: plate load of XA.X1")
    assert "XB.R2: plate load of XB.X1" in comments[10]
    assert 4 not in comments


def test_idle_values_and_share_are_in_the_comment(tmp_path: Path) -> None:
    path = written(tmp_path, STAGE.encode())
    tube = TubeState(200.0, None, 0.0, 1.5, 1e-3, None, 0.0, 0.199, None, 200.0, 1e-3)
    load = PartState(100.0, 100.0, 1e-3, 1e-3, 0.1)
    with_idle = annotated(path)
    idle = Solved("idle", {}, {"X1": tube}, {"R2": load})
    solved = AnnotatedCircuit("f", with_idle.circuit, with_idle.roles, idle)

    comments = comments_of(solved)

    assert comments[10] == "plate load of X1, 100 V, 1 mA, 100 mW"
    assert "plate 200 V, grid 0.00 V, cathode 1.50 V, plate 1 mA, 199 mW" in comments[6]
