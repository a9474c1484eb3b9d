"""The whole sheet of a circuit: its values against the solver, its three formats."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from typer.testing import CliRunner

from netcheck.circuit.changes import AddResistor, ScaleEmission
from netcheck.cli import app
from netcheck.diagnose.bench_sheet import SheetOptions, bench_sheet
from netcheck.diagnose.lamp import Lamp
from netcheck.diagnose.meters import parse_meter
from netcheck.models.sheet import BenchSheet, SheetLine, SheetStep
from netcheck.pipeline import load_circuit
from netcheck.report import expect_html, expect_text, to_csv
from netcheck.solve.pool import Pool
from netcheck.solve.results import Solved
from netcheck.workbench.sweep import IdleTask, idle_outcomes

CIRCUITS = Path(__file__).parents[2] / "circuits"
SINGLE_ENDED = CIRCUITS / "6v6_single_ended.cir"


class Quiet:
    def start(self, label: str, total: int) -> None: ...
    def advance(self, count: int = 1) -> None: ...
    def finish(self) -> None: ...


@pytest.fixture(scope="module")
def pool() -> Iterator[Pool]:
    with Pool(1) as made:
        yield made


@pytest.fixture(scope="module")
def sheet(pool: Pool) -> BenchSheet:
    options = SheetOptions(lamp=Lamp(60.0, 230.0), draws=40)
    return bench_sheet(load_circuit(SINGLE_ENDED), "amp.cir", options, pool, Quiet())


def line(sheet: BenchSheet, wanted: str) -> SheetLine:
    return next(one for step in sheet.steps for one in step.lines if one.id == wanted)


def solved(pool: Pool, *changes: AddResistor | ScaleEmission) -> Solved:
    circuit = load_circuit(SINGLE_ENDED)
    outcome = idle_outcomes(pool, IdleTask(pool.share("direct", circuit), "idle"), [changes])[0]
    assert isinstance(outcome, Solved)
    return outcome


def test_the_steps_come_in_the_order_of_the_bench(sheet: BenchSheet) -> None:
    assert [step.key for step in sheet.steps] == [
        "power_off", "tubes_out", "mains_40", "mains_60", "mains_80", "lamp", "idle",
    ]  # fmt: skip
    assert sheet.cautions
    assert not [step.missing for step in sheet.steps if step.missing]


def test_every_line_says_where_the_probes_go_and_holds_its_nominal_value(
    sheet: BenchSheet,
) -> None:
    every = [one for step in sheet.steps for one in step.lines]

    assert len({one.id for one in every}) == len(every)
    for one in every:
        assert one.red
        assert one.black
        assert not math.isnan(one.low)
        assert one.low <= one.nominal <= one.high, one.id


def test_a_reading_is_solved_with_the_meter_between_its_probes(
    pool: Pool, sheet: BenchSheet
) -> None:
    loaded = solved(pool, AddResistor("meter", "p1", "0", 10e6))
    bare = solved(pool)

    assert line(sheet, "idle/plate/X1").nominal == pytest.approx(loaded.nets["p1"], rel=1e-6)
    assert loaded.nets["p1"] < bare.nets["p1"] - 0.2


def test_current_and_watts_are_those_of_the_solver(pool: Pool, sheet: BenchSheet) -> None:
    tube = solved(pool).tubes["X2"]

    assert line(sheet, "idle/current/R8").nominal == pytest.approx(tube.cathode_current_a, rel=1e-3)
    assert line(sheet, "idle/watts/X2").nominal == pytest.approx(tube.plate_dissipation_w)


def test_a_leak_of_the_stop_value_takes_the_plate_to_its_limit(
    pool: Pool, sheet: BenchSheet
) -> None:
    lifted = line(sheet, "tubes_out/coupler/C3")
    cold = solved(pool, ScaleEmission("X1", 0.0), ScaleEmission("X2", 0.0))
    assert lifted.stop is not None
    leak_ohm = 10e6 * (cold.nets["p1"] / lifted.stop.value - 1.0)

    leaking = solved(pool, AddResistor("leak", "p1", "a2", leak_ohm))

    assert leaking.tubes["X2"].plate_dissipation_w == pytest.approx(12.0, rel=0.01)


def test_the_stop_of_the_grid_without_tubes_is_that_of_the_same_leak(
    pool: Pool, sheet: BenchSheet
) -> None:
    hot, out = line(sheet, "idle/grid/X2"), line(sheet, "tubes_out/grid/X2")
    assert hot.stop
    assert out.stop
    # without gas and grid current of the tube the same current gives a little less or more
    assert 0.5 < hot.stop.value < out.stop.value * 1.2
    assert "C3 leaky" in out.above


def test_reduced_mains_span_from_cold_tubes_to_hot_ones(pool: Pool, sheet: BenchSheet) -> None:
    current, supply = line(sheet, "mains_60/current/R8"), line(sheet, "mains_60/rail/ht")

    assert current.low == pytest.approx(0.0, abs=1e-3)
    assert current.nominal > 0.02
    assert supply.low < 0.6 * 275 < supply.high


def test_behind_the_lamp_the_volts_add_up_to_the_mains(sheet: BenchSheet) -> None:
    lamp, rest = line(sheet, "lamp/lamp/lamp"), line(sheet, "lamp/mains/mains")

    assert lamp.nominal + rest.nominal == pytest.approx(230.0)
    assert 0.0 < lamp.nominal < 115.0
    assert lamp.stop is not None
    assert lamp.stop.value > lamp.high


def test_an_analog_meter_reads_less_behind_much_resistance(pool: Pool, sheet: BenchSheet) -> None:
    options = SheetOptions(parse_meter("20kohm/V"), draws=20)
    circuit = load_circuit(SINGLE_ENDED)

    analog = bench_sheet(circuit, "amp.cir", options, pool, Quiet())

    loaded = solved(pool, AddResistor("meter", "p1", "0", 20e3 * 250.0))
    assert line(analog, "idle/plate/X1").nominal == pytest.approx(loaded.nets["p1"], rel=1e-6)
    first, second = line(analog, "idle/grid/X2").stop, line(sheet, "idle/grid/X2").stop
    assert first
    assert second
    assert first.value < 0.6 * second.value


def test_csv_has_a_row_a_line_and_room_for_the_reading(sheet: BenchSheet) -> None:
    rows = list(csv.DictReader(io.StringIO(to_csv.render_sheet(sheet))))

    assert len(rows) == sum(len(step.lines) for step in sheet.steps)
    assert tuple(rows[0]) == to_csv.SHEET_HEAD
    assert {row["reading"] for row in rows} == {""}
    supply = next(row for row in rows if row["id"] == "power_off/rail/ht")
    assert (supply["expected"], supply["stop_side"]) == ("open", "below")


class Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.outside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.outside += [value or "" for name, value in attrs if name in ("src", "href")]


def test_the_page_loads_nothing_and_cannot_be_steered(sheet: BenchSheet) -> None:
    hostile = SheetLine("x", "<script>alert(1)</script>", "a&b", "c", "V", 1.0, 0.9, 1.1)
    step = SheetStep("idle", "<b>t</b>", "lead", (hostile,))
    text = expect_html.render(replace(sheet, title="<img src=x>", steps=(step,)))
    page = Page()

    page.feed(text)

    assert page.outside == []
    assert not {"script", "img", "b"} & set(page.tags)
    assert page.tags.count("tr") == 2
    assert "a&amp;b" in text


def test_text_says_negative_volts_so_that_they_are_read_rightly(sheet: BenchSheet) -> None:
    from netcheck.models.sheet import Stop

    grid = SheetLine(
        "x", "X4 grid", "pin 5", "chassis", "V", -38.0, -41.0, -35.0, Stop("above", -31.0, "hot"),
        ("C5 leaky",), ("R33 open",),
    )  # fmt: skip
    text = expect_text.render(replace(sheet, steps=(SheetStep("idle", "t", "l", (grid,)),)), 200)

    assert "X4 grid: -38 V (-41 V to -35 V)  STOP less negative than -31 V: hot" in text
    assert "less negative: C5 leaky" in text
    assert "more negative: R33 open" in text


def test_a_step_that_was_not_solved_says_why(sheet: BenchSheet) -> None:
    lost = replace(sheet, steps=(SheetStep("idle", "Idle", "", (), "no convergence"),))

    assert "Nothing to expect here: no convergence." in expect_text.render(lost)
    assert "Nothing to expect here: no convergence." in expect_html.render(lost)


def test_every_format_is_the_same_for_the_same_input(pool: Pool, sheet: BenchSheet) -> None:
    options = SheetOptions(lamp=Lamp(60.0, 230.0), draws=40)
    again = bench_sheet(load_circuit(SINGLE_ENDED), "amp.cir", options, pool, Quiet())

    assert expect_text.render(again) == expect_text.render(sheet)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--meter", "ten"), "--meter"),
        (("--lamp", "60"), "--lamp"),
        (("--mains", "999V"), "--mains"),
    ],
)
def test_a_wrong_option_is_one_clear_message(arguments: tuple[str, ...], said: str) -> None:
    result = CliRunner().invoke(app, ["expect", str(SINGLE_ENDED), *arguments])

    assert result.exit_code == 2
    assert result.output.startswith(f"error: {said}")
    assert "Traceback" not in result.output


@pytest.mark.parametrize("format", ["text", "html"])
def test_a_sheet_tells_nothing_of_the_machine_it_was_made_on(tmp_path: Path, format: str) -> None:
    netlist = tmp_path / "amp.cir"
    netlist.write_text(SINGLE_ENDED.read_text(encoding="utf-8"), encoding="utf-8")
    arguments = (str(netlist.resolve()), "--format", format, "--draws", "20", "--jobs", "1")
    result = CliRunner().invoke(app, ["expect", *arguments])

    assert result.exit_code == 0, result.output
    assert str(tmp_path) not in result.stdout
    assert "amp.cir" in result.stdout
