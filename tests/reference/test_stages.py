"""Whole stages as netlists, solved by ngspice, against published operation.

The rows and their sources are in `stages.toml`.  Supplies are ideal and the output
transformer nearly is (50 H a half, coupling 0.9999, no wire), because sheets print the
power at the primary and the volts at the electrodes.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from netcheck.circuit.model import Circuit
from netcheck.solve.analyses import Hookup
from netcheck.solve.drive_search import small_signal
from netcheck.solve.results import Solved
from netcheck.tubes.library import load_library
from tests.solve.worker import FREQUENCY_HZ, Worker, circuit_of

PUBLISHED: dict[str, list[dict[str, Any]]] = tomllib.loads(
    Path(__file__).with_name("stages.toml").read_text(encoding="utf-8")
)
HALF_H = 50.0
LOAD_OHM = 8.0
PLATE = 0.05
SCREEN = 0.30
POWER = 0.15
SIGNAL_CURRENT = 0.10
DISTORTION = 0.03
"""In absolute terms: what sheets print is total harmonic distortion of bogey tubes."""
GAIN = 0.10
TYPES = {"12AX7", "12AU7", "12AT7", "6SN7GT", "EL84", "EL34", "6V6GT", "6L6GC", "KT88", "2A3"}


def _row_id(row: dict[str, Any]) -> str:
    bias = f"{row['grid_v']}V" if "grid_v" in row else f"{row['cathode_ohm']}ohm"
    volts = row.get("plate_v", row.get("supply_v"))
    return f"{row['tube']}-{row.get('form', 'coupled')}-{volts}-{bias}"


def _cases(table: str, *figures: str) -> Iterator[Any]:
    for row in PUBLISHED[table]:
        for figure in figures:
            if figure in row:
                miss = row.get("known_miss", {}).get(figure)
                marks = [pytest.mark.xfail(reason=f"the model gives {miss}")] if miss else []
                yield pytest.param(row, figure, id=f"{_row_id(row)}-{figure}", marks=marks)


def output_stage(row: dict[str, Any]) -> Circuit:
    """Write the stage of a row as a netlist and build it."""
    tubes = 2 if row["form"] == "push_pull" else 1
    triode = load_library().find(row["tube"]).kind == "triode"  # type: ignore[union-attr]
    cards = [f"VB b 0 {row['plate_v'] + row.get('bias_v', 0.0)}", f"RL s 0 {LOAD_OHM} ;! speaker"]
    for side in range(1, tubes + 1):
        pins = f"p{side} " + ("" if triode else f"s{side} ")
        cathode = "k1" if row.get("shared_cathode") else f"k{side}"
        cards.append(f"X{side} {pins}g{side} {cathode} {row['tube']}")
        ends = "b p1" if side == 1 else "p2 b"
        cards.append(f"L{side} {ends} {HALF_H}")
        cards += _screen(row, side) if not triode else []
        cards += _cathode(row, side)
        cards += _grid(row, side)
    windings = " ".join(f"L{side}" for side in range(1, tubes + 1))
    turns_squared = row.get("load_ohm", 5000.0) / LOAD_OHM
    secondary_h = tubes**2 * HALF_H / turns_squared
    cards += [f"LS s 0 {secondary_h:.12g}", f"K1 {windings} LS 0.9999"]
    return circuit_of(*cards)


def _screen(row: dict[str, Any], side: int) -> list[str]:
    connection = row.get("connection", "pentode")
    if connection == "triode":
        return [f"RS{side} p{side} s{side} 1"]
    if connection == "ultralinear":
        share = row["tap"]
        # The screen follows the plate's signal through an ideal divider: a tap.
        return [f"E{side} s{side} b p{side} b {share}"]
    if "screen_ohm" in row:
        # One resistor for both screens, its far end held by a capacitor.
        return [
            *([f"RG b sg {row['screen_ohm']}", "CG sg 0 100u"] if side == 1 else []),
            f"VS{side} sg s{side} 0",
        ]
    screen_v = row.get("screen_v", row["plate_v"]) + row.get("bias_v", 0.0)
    return [f"VS{side} s{side} 0 {screen_v}"]


def _cathode(row: dict[str, Any], side: int) -> list[str]:
    if "cathode_ohm" not in row:
        return [f"VK{side} k{side} 0 0"]
    if row.get("shared_cathode"):
        return [f"RK k1 0 {row['cathode_ohm']}", "CK k1 0 470u"] if side == 1 else []
    return [f"RK{side} k{side} 0 {row['cathode_ohm']}", f"CK{side} k{side} 0 470u"]


def _grid(row: dict[str, Any], side: int) -> list[str]:
    """An ideal source of the bias; the sine goes in series with each grid."""
    return [f"VG{side} g{side} 0 {row.get('grid_v', 0.0)}"]


def hookup(row: dict[str, Any]) -> Hookup:
    """Drive both grids in antiphase."""
    if row["form"] == "push_pull":
        return Hookup(
            None,
            series_grids=(("X1", 1.0), ("X2", -1.0)),
            output_nets=("s", "0"),
            speakers=("RL",),
            primaries=("L1", "L2"),
            bare_windings=(("p1", "b"), ("p2", "b")),
        )
    return Hookup(
        None,
        series_grids=(("X1", 1.0),),
        output_nets=("s", "0"),
        speakers=("RL",),
        primaries=("L1",),
        bare_windings=(("p1", "b"),),
    )


def figure_of(state: Solved, figure: str) -> float:
    """Return a figure of all tubes together, in the words of the rows."""
    tubes = state.tubes.values()
    if figure.startswith("cathode"):
        return sum(tube.cathode_current_a for tube in tubes)
    if figure.startswith("screen"):
        return sum(tube.screen_current_a or 0.0 for tube in tubes)
    return sum(tube.plate_current_a for tube in tubes)


@pytest.mark.parametrize(
    ("row", "figure"), list(_cases("output_stage", "plate_a", "cathode_a", "screen_a"))
)
def test_idle_current_of_an_output_stage(row: dict[str, Any], figure: str, worker: Worker) -> None:
    state = worker.idle(output_stage(row))

    tolerance = row.get(f"{figure}_tolerance", SCREEN if figure == "screen_a" else PLATE)
    assert figure_of(state, figure) == pytest.approx(row[figure], rel=tolerance)


DRIVEN = ("output_w", "distortion", "signal_plate_a", "signal_cathode_a")


@pytest.mark.parametrize(("row", "figure"), list(_cases("output_stage", *DRIVEN)))
def test_driven_output_stage(row: dict[str, Any], figure: str, driven: Any) -> None:
    """At the sheet's own drive: power at the primary, distortion and mean current."""
    state = driven(row)

    if figure == "output_w":
        assert state.primary_output_w == pytest.approx(row[figure], rel=POWER)
        return
    if figure == "distortion":
        assert state.distortion == pytest.approx(row[figure], abs=DISTORTION)
        return
    tolerance = row.get("signal_tolerance", SIGNAL_CURRENT)
    assert figure_of(state, figure.removeprefix("signal_")) == pytest.approx(
        row[figure], rel=tolerance
    )


@pytest.fixture(scope="module")
def driven(worker: Worker) -> Any:
    """Return the driven state of a row; each is solved once."""
    known: dict[str, Solved] = {}

    def solve(row: dict[str, Any]) -> Solved:
        name = _row_id(row)
        if name not in known:
            known[name] = worker.at_level(output_stage(row), hookup(row), row["drive_v"])
        return known[name]

    return solve


def resistance_coupled(row: dict[str, Any]) -> Circuit:
    """Write a resistance-coupled stage with the grid resistor of the next one."""
    return circuit_of(
        f"VB b 0 {row['supply_v']}",
        f"R1 b p {row['plate_ohm']}",
        f"X1 p g k {row['tube']}",
        f"R2 k 0 {row['cathode_ohm']}",
        "C1 k 0 1000u",
        "C2 p out 1u",
        f"R3 out 0 {row['next_grid_ohm']}",
        "VIN g 0 0",
    )


@pytest.mark.parametrize(("row", "figure"), list(_cases("resistance_coupled", "plate_a", "gain")))
def test_resistance_coupled_stage(row: dict[str, Any], figure: str, worker: Worker) -> None:
    """The plate current is an output here: the fairest check of the solver and the law."""
    circuit = resistance_coupled(row)
    idle = worker.idle(circuit)

    if figure == "plate_a":
        tolerance = row.get("plate_a_tolerance", PLATE)
        assert idle.tubes["X1"].plate_current_a == pytest.approx(row[figure], rel=tolerance)
        return
    wiring = Hookup("VIN", output_nets=("out", "0"))
    gain, _ = worker.call(small_signal, circuit, wiring, FREQUENCY_HZ, idle)
    assert gain == pytest.approx(row[figure], rel=row.get("gain_tolerance", GAIN))


def test_every_row_names_its_source_and_there_are_enough() -> None:
    rows = [row for table in PUBLISHED.values() for row in table]

    assert all(row["source"].strip() for row in rows)
    assert len(rows) >= 20
    assert {row["tube"] for row in rows} <= TYPES


def el84_plate(grid_v: float, worker: Worker) -> tuple[float, float]:
    """Plate current [A] and dissipation [W] of an EL84 at 250 V on plate and screen."""
    state = worker.idle(
        circuit_of("VB b 0 250", "X1 b b g 0 EL84", f"VG g 0 {grid_v}", "R1 b 0 1Meg")
    )
    return state.tubes["X1"].plate_current_a, state.tubes["X1"].plate_dissipation_w


def test_el84_idles_near_48_ma_and_60_ma_is_an_overload(worker: Worker) -> None:
    """Philips EL84 data, as quoted in a public text: 250 V, 250 V, -7.3 V, 48 mA, 12 W."""
    from scipy.optimize import brentq

    from netcheck.judge.limits import limits_of
    from netcheck.judge.stress import judge_state
    from netcheck.roles import recognise

    plate_a, plate_w = el84_plate(-7.3, worker)
    assert plate_a == pytest.approx(48e-3, rel=PLATE)
    assert plate_w == pytest.approx(12.0, rel=PLATE)

    hot_v = float(brentq(lambda volts: el84_plate(volts, worker)[0] - 60e-3, -7.3, -4.0))

    def ratio(grid_v: float) -> float:
        circuit = circuit_of(
            "VB b 0 250", "L1 b p 10", "X1 p b g 0 EL84", f"VG g 0 {grid_v}",
            "L2 s 0 16m", "K1 L1 L2 0.999", "R1 s 0 8 ;! speaker",
        )  # fmt: skip
        state = worker.idle(circuit)
        table = limits_of(circuit, recognise(circuit), {"idle": state})
        (found,) = (
            stress
            for stress in judge_state(circuit, table, state, {})
            if stress.quantity == "plate_dissipation_w"
        )
        return found.ratio

    assert 0.95 <= ratio(-7.3) < 1.05
    assert ratio(hot_v) == pytest.approx(1.25, rel=0.02)
