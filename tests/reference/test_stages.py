"""Whole stages as netlists, solved by ngspice, against published operation.

The rows and their sources are in `stages.toml`, how they are built in `stages.py`.
A figure that is not met is an expected failure and stands in `ACCURACY.md`.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest

from netcheck.tubes.library import load_library
from tests.reference import accuracy_table, stages
from tests.reference.stages import Figure, Stages
from tests.solve.worker import Worker, circuit_of

PLATE = stages.BARS["plate_a"]
MISSES = accuracy_table.listed_misses()


def _cases(figures: Iterable[Figure]) -> list[Any]:
    return [
        pytest.param(
            figure,
            id=figure.id,
            marks=[pytest.mark.xfail(reason=MISSES[figure.id])] if figure.id in MISSES else [],
        )
        for figure in figures
    ]


def check(figure: Figure, solved: Stages) -> None:
    found = solved.found(figure)

    assert abs(figure.deviation(found)) <= figure.bar, f"{found:.4g} for {figure.published:.4g}"


@pytest.mark.parametrize("figure", _cases(stages.figures("output_stage", *stages.IDLE)))
def test_idle_current_of_an_output_stage(figure: Figure, solved_stages: Stages) -> None:
    check(figure, solved_stages)


@pytest.mark.parametrize("figure", _cases(stages.figures("output_stage", *stages.DRIVEN)))
def test_driven_output_stage(figure: Figure, solved_stages: Stages) -> None:
    """At the sheet's own drive: power at the primary, distortion and mean current."""
    check(figure, solved_stages)


@pytest.mark.parametrize("figure", _cases(stages.figures("resistance_coupled", *stages.COUPLED)))
def test_resistance_coupled_stage(figure: Figure, solved_stages: Stages) -> None:
    """The currents are outputs here: the fairest check of the solver and the law."""
    check(figure, solved_stages)


def test_every_row_names_its_source_and_no_two_have_one_name() -> None:
    rows = [row for table in stages.PUBLISHED.values() for row in table]
    names = [stages.stage_id(row) for row in rows]

    assert all(row["source"].strip() for row in rows)
    assert len(set(names)) == len(names)
    assert {row["tube"] for row in rows} <= set(load_library().names)


def test_the_gain_table_of_the_12ax7_is_whole() -> None:
    """General Electric ET-T509B: six loads at three supplies."""
    rows = [row for row in stages.PUBLISHED["resistance_coupled"] if "ET-T509B" in row["source"]]

    assert len(rows) == 18


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
