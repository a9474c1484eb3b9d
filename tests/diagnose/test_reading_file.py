"""Files of readings: lists, cells, filled-in bench sheets, and every way to get one wrong."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from netcheck.circuit.model import Circuit
from netcheck.diagnose.bench_sheet import SheetOptions, bench_sheet
from netcheck.diagnose.dictionary import Dictionary
from netcheck.diagnose.evidence import Evidence
from netcheck.diagnose.lamp import Lamp
from netcheck.diagnose.reading_file import (
    MOST_BYTES,
    MOST_LINES,
    MOST_MISTAKES,
    MOST_READINGS,
    Known,
    Reader,
)
from netcheck.diagnose.readings import Reading
from netcheck.errors import ManyErrors, NetcheckError
from netcheck.report import to_csv
from netcheck.roles import recognise
from netcheck.solve.pool import Pool

GRID = Reading("volts", "g2", "0", 2.5, "idle")


class Quiet:
    def start(self, label: str, total: int) -> None: ...
    def advance(self, count: int = 1) -> None: ...
    def finish(self) -> None: ...


@pytest.fixture(scope="module")
def reader(circuit: Circuit) -> Reader:
    return Reader(circuit, recognise(circuit))


Read = Callable[[str | bytes], Known]


@pytest.fixture
def read(reader: Reader, tmp_path: Path) -> Read:
    """Return what reads a file of that content."""

    def from_file(content: str | bytes) -> Known:
        path = tmp_path / "readings.txt"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return reader.file(path, "readings.txt")

    return from_file


@pytest.fixture(scope="module")
def printed(circuit: Circuit, workers: Pool) -> str:
    """The sheet as `netcheck expect --format csv` prints it."""
    options = SheetOptions(lamp=Lamp(60.0, 230.0), draws=20)
    return to_csv.render_sheet(bench_sheet(circuit, "amp.cir", options, workers, Quiet()))


def filled(printed: str, answers: Mapping[str, str], delimiter: str = ",") -> str:
    """Return the sheet with some readings written into its last column."""
    rows = list(csv.DictReader(io.StringIO(printed)))
    assert set(answers) <= {row["id"] for row in rows}
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, to_csv.SHEET_HEAD, delimiter=delimiter)
    writer.writeheader()
    writer.writerows({**row, "reading": answers.get(row["id"], "")} for row in rows)
    return buffer.getvalue()


def mistake(read: Read, content: str | bytes) -> str:
    with pytest.raises(NetcheckError) as caught:
        read(content)
    return str(caught.value)


def mistake_of(reader: Reader, text: str) -> NetcheckError:
    with pytest.raises(NetcheckError) as caught:
        reader.text(text)
    return caught.value


@pytest.mark.parametrize(
    "content",
    [
        "V(g2)=2.5V",
        "V(g2)=2.5V\n",
        "  V( G2 ) = 2.5 V @ idle  \n",
        "V(g2,gnd)=2500mV",
        "# a comment\n\n   # another, \"of\" two\nV(g2)=2.5V # after an hour\n",
        "\N{ZERO WIDTH NO-BREAK SPACE}V(g2)=2.5V\r\n",
        "\r\nV(g2)=2.5V\r\n\r\n",
        "# old\rV(g2)=2.5V\r",
        "V(g2),2.5V",
        "V(g2), 2.5V, idle,\n",
        '"V(g2)","2.5V","idle"\n',
        "V(g2,0),2.5V,idle\n",
        "V(g2)=9V\nV(g2)=2.5V\n",
        "V(g2)=9V\nV(g2),2.5\n",
    ],
    ids=repr,
)  # fmt: skip
def test_a_reading_is_found_however_it_is_written(read: Read, content: str) -> None:
    assert read(content) == Known((GRID,))


def test_cells_may_state_situation_and_error(read: Read) -> None:
    known = read("V(g2),2.5V,tubes_out,0.1V\nR(ht,sg),1kohm\nleak(C3),0.4V\n")

    assert known.readings == (
        Reading("volts", "g2", "0", 2.5, "tubes_out", 0.1),
        Reading("ohms", "ht", "sg", 1000.0, "power_off"),
        Reading("leak", "C3", "", 0.4, "tubes_out"),
    )


def test_evidence_stands_among_readings(read: Read) -> None:
    known = read("fuse,blown\nhum=no\nV(g2)=2.5V\nglow(x2)=yes\nglow(X2)=no\n")

    assert known.readings == (GRID,)
    assert known.evidence == (
        Evidence("fuse", "", "blown"), Evidence("hum", "", "no"), Evidence("glow", "X2", "no"),
    )  # fmt: skip


def test_of_recent_work_nothing_is_forgotten(read: Read) -> None:
    known = read("recent=new_tubes\nrecent=new_capacitors\nrecent=new_tubes\n")

    assert [one.word for one in known.evidence] == ["new_tubes", "new_capacitors"]


def test_the_same_point_in_another_situation_is_another_reading(read: Read) -> None:
    assert len(read("V(g2)=1V\nV(g2)=1V@tubes_out\nV(g2,k2)=1V\nI(R8)=1mA\n").readings) == 4


@pytest.mark.parametrize(
    ("line", "point"),
    [
        ("V(g2)=skip", "V(g2)@idle"),
        ("v( G2 ,0) = SKIP @ tubes_out", "V(g2)@tubes_out"),
        ("R(g2),skip", "R(g2)@power_off"),
        ("leak(c3)=skip", "leak(C3)@tubes_out"),
        ("ripple(ht)=skip", "ripple(ht)@idle"),
    ],
)
def test_what_cannot_be_read_is_kept_as_such(read: Read, line: str, point: str) -> None:
    known = read(f"{line}\n{line}\n")

    assert known == Known(skipped=(point,))


def test_what_is_written_down_is_read_again(read: Read) -> None:
    known = read(
        "V(g2)=-31.2345mV\nR(ht)=open\nI(R8)=34mA+-1mA\nripple(ht)=yes\nleak(C3)=0V\n"
        "glow(X2)=no\nrecent=new_tubes\nV(p2)=skip\nR(g2)=skip\n"
    )

    assert read("\n".join(known.lines())) == known


def test_a_filled_in_sheet(read: Read, printed: str) -> None:
    answers = {
        "power_off/rail/ht": "open",
        "power_off/grid/X2": "OL",
        "power_off/dropper/R10": "1.02k",
        "tubes_out/coupler/C3": "0.4V",
        "mains_60/grid/X2": "90 mV",
        "idle/grid/X2": "2.5",
        "idle/current/R8": "45mA",
        "idle/watts/X2": "10.8W",
    }

    known = read(filled(printed, answers))

    assert known.readings == (
        Reading("ohms", "ht", "0", math.inf, "power_off"),
        Reading("ohms", "ht", "sg", 1020.0, "power_off"),
        Reading("ohms", "g2", "0", math.inf, "power_off"),
        Reading("leak", "C3", "", 0.4, "tubes_out"),
        Reading("volts", "g2", "0", 0.09, "mains_60"),
        GRID,
        Reading("volts", "k2", "0", 45e-3 / (1.0 / 270.0), "idle"),
        Reading("watts", "X2", "", 10.8, "idle"),
    )


def test_every_line_of_the_sheet_but_the_lamp_can_be_filled_in(read: Read, printed: str) -> None:
    rows = list(csv.DictReader(io.StringIO(printed)))
    answers = {row["id"]: row["expected"] for row in rows if row["step"] != "lamp"}

    known = read(filled(printed, answers))

    assert len(known.readings) > 30
    # volts at each of the two cathodes are asked for twice, once as a current
    assert len(known.readings) == len(answers) - 2


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_a_sheet_is_read_whatever_stands_between_its_cells(
    read: Read, printed: str, delimiter: str
) -> None:
    assert read(filled(printed, {"idle/grid/X2": "2.5V"}, delimiter)) == Known((GRID,))


def test_of_a_sheet_two_columns_are_enough(read: Read) -> None:
    assert read("Reading,ID\n2.5V,idle/grid/X2\n,idle/plate/X2\n") == Known((GRID,))


def test_a_line_of_the_sheet_may_be_skipped(read: Read, printed: str) -> None:
    assert read(filled(printed, {"idle/grid/X2": "skip"})) == Known(skipped=("V(g2)@idle",))


def test_a_log_may_go_on_below_a_sheet(read: Read) -> None:
    content = "id,step,reading\nidle/plate/X2\nidle/grid/X2,idle,9V\nV(g2)=2.5V@idle\nfuse=blown\n"

    known = read(content)

    assert known.readings == (GRID,)
    assert [one.text for one in known.evidence] == ["fuse=blown"]


def test_an_unfilled_sheet_says_nothing(read: Read, printed: str) -> None:
    assert read(printed) == Known()


def test_what_was_read_behind_the_lamp_is_not_dropped_silently(read: Read, printed: str) -> None:
    said = mistake(read, filled(printed, {"lamp/rail/ht": "230V"}))

    assert "no line `lamp/rail/ht` that can be weighed" in said
    assert "hint: what was read behind the lamp is not weighed: leave it empty" in said


def test_ohms_below_zero_come_from_a_charged_capacitor(read: Read) -> None:
    said = mistake(read, "id,reading\npower_off/grid/X2,-5\npower_off/rail/ht,0\n")

    assert "readings.txt:2:1: `R(g2)=-5ohm@power_off`: a resistance is not below zero" in said
    assert "discharge, and read again" in said
    assert "rail/ht" not in said


def test_a_line_of_another_sheet_gets_a_suggestion(read: Read) -> None:
    said = mistake(read, "id,reading\nidle/grid/X3,2V\n")

    assert said.startswith("readings.txt:2:1: the bench sheet of this circuit has no line")
    assert "did you mean `idle/grid/" in said


def test_a_mistake_is_shown_where_it_stands(read: Read) -> None:
    assert mistake(read, "# ok\nV(g2)=2V\n V(k2)=2kohm\n").split("\n")[:3] == [
        "readings.txt:3:1: `V(k2)=2kohm`: `2kohm` is not a value in volt",
        "    3 |  V(k2)=2kohm",
        "      | ^^^^^^^^^^^^",
    ]


def test_all_mistakes_are_told_at_once(read: Read) -> None:
    content = "V(nowhere)=1V\nV(g2)=1V\nV(g2\nglow(X9)=yes\nI(C3)=1mA\nV(k2),1V,idle,1V,2,3\n"

    with pytest.raises(ManyErrors) as caught:
        read(content)

    assert [one.span.line for one in caught.value.errors if one.span] == [1, 3, 4, 5, 6]
    assert "\n`" not in str(caught.value)
    assert "`V(g2` is not a reading" in str(caught.value)


def test_a_netlist_is_not_told_line_by_line(read: Read) -> None:
    with pytest.raises(ManyErrors) as caught:
        read("R1 a b 1k\n" * 500)

    assert len(caught.value.errors) == MOST_MISTAKES + 1
    assert "480 more mistakes" in caught.value.errors[-1].message


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"\x7fELF\x02\x01\x01\x00\xff\xfe", "is not UTF-8 text"),
        ("V(g2)=1V\n".encode("utf-16"), "is not UTF-8 text"),
        (b"V(g2)=1V\x00\n", "is not a value in volt"),
        (b"#" * (MOST_BYTES + 1), "is larger than 1000 kB"),
        ("V(g2)=1V\n" * (MOST_LINES + 1), "has 2001 lines, more than 2000"),
        ('V(g2)=1V\n\n"V(k2)=1V\nV(p2)=1V\n', "readings.txt:3:1: this is not CSV"),
        ('V(g2),"1V"V\n', "readings.txt:1:1: this is not CSV"),
        ("V(g2)=" + "9" * 140_000, "this is not CSV: field larger than field limit"),
    ],
    ids=["binary", "utf-16", "nul", "huge", "long", "open quote", "text after quote", "wide"],
)
def test_what_is_no_list_of_readings(read: Read, content: str | bytes, said: str) -> None:
    assert said in mistake(read, content)


def test_more_readings_than_a_sheet_has(read: Read, circuit: Circuit) -> None:
    pairs = [(a, b) for a in circuit.nets for b in circuit.nets if a != b]
    lines = [f"V({a},{b})=1V" for a, b in pairs[: MOST_READINGS + 1]]

    assert len(read("\n".join(lines[:-1])).readings) == MOST_READINGS
    assert "more than 200 readings" in mistake(read, "\n".join(lines))


def test_a_file_without_an_end_is_not_read_to_its_end(reader: Reader) -> None:
    with pytest.raises(NetcheckError, match="is larger than"):
        reader.file(Path("/dev/zero"), "zero")


@pytest.mark.parametrize(
    ("name", "said"),
    [("missing", "No such file"), (".", "Is a directory"), ("a" * 300, "name too long")],
)
def test_a_file_that_cannot_be_read(reader: Reader, tmp_path: Path, name: str, said: str) -> None:
    with pytest.raises(NetcheckError, match=said):
        reader.file(tmp_path / name, name)


@pytest.mark.parametrize(
    ("text", "message", "hint"),
    [
        ("V(g22)=1V", "there is no net g22 in this circuit", "did you mean `g2`?"),
        ("V(q)=1V", "there is no net q in this circuit", "there are 0, a2,"),
        ("V(p2,p2)=1V", "is read from p2 to itself", ""),
        ("R(gnd)=1ohm", "is read from 0 to itself", ""),
        ("I(C3)=1mA", "a current cannot be read of C3", "it can be read of L1, L2,"),
        ("I(R88)=1mA", "there is no part R88", "did you mean `R8`?"),
        ("W(R8)=1W", "a plate's watts cannot be read of R8", "it can be read of X1, X2"),
        ("leak(C4)=1V", "a leak cannot be read of C4", "it can be read of C3"),
        ("ripple(q)=yes", "there is no net q", ""),
        ("V(q)=skip", "there is no net q", ""),
        ("V(g2)=skip@power_off", "only ohms are read with the power off", ""),
        ("V(g2)=300MV", "cannot be: it is more than 100 kV", "is the prefix right?"),
        ("I(R8)=-34kA", "cannot be: it is more than 1 kA", ""),
        ("leak(C3)=1e300V", "cannot be: it is more than", ""),
        ("V(g2)=1V+-1e300V", "cannot be: it is more than", ""),
        ("glow(X9)=yes", "the circuit has no X9", ""),
        ("", "`` is not a reading", "such as V(g4)="),
    ],
)  # fmt: skip
def test_what_this_circuit_cannot_show(reader: Reader, text: str, message: str, hint: str) -> None:
    error = mistake_of(reader, text)

    assert message in error.message
    assert hint in error.hint


def test_an_option_is_named_in_its_mistake(reader: Reader) -> None:
    with pytest.raises(NetcheckError, match="--seen: there is no net q"):
        reader.texts(["V(g2)=1V", "V(q)=1V"], "--seen")


def test_nets_are_those_of_the_netlist(
    unsolved_dictionary: Callable[..., Dictionary], reader: Reader
) -> None:
    dictionary = unsolved_dictionary()

    read = Reader(dictionary.circuit, dictionary.roles).text("R(P2,HT)=220ohm").readings[0]

    assert (read.first, read.second) == ("p2", "ht")
    assert reader.text(read.text).readings == (read,)
