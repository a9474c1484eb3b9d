"""The cycle that laws are fitted to is that of the same stage solved as a circuit.

Two solutions of one thing: `netcheck/tubes/cycle.py` by Newton's method over half a
cycle, and ngspice over time with a transformer of finite inductance.
"""

from __future__ import annotations

from typing import Any

import pytest

from netcheck.tubes.cycle import Cycles
from netcheck.tubes.library import load_library
from netcheck.tubes.schema import SignalRow
from tests.reference import stages
from tests.reference.stages import Row, Stages

FIGURES = ("output_w", "distortion", "signal_plate_a", "signal_screen_a", "signal_cathode_a")
ROOM = {"output_w": 0.03, "distortion": 0.01}


def _stages() -> list[Any]:
    """One stage of each kind: single, pair, screens through a resistor, triode, tap."""
    wanted = {
        "6L6GC-single_ended-350V--18V-4.2k",
        "6V6GT-push_pull-285V--19V-8k",
        "EL34-push_pull-425V--38V-3.4k",
        "EL84-push_pull-triode-250V-270ohm-10k",
        "KT88-push_pull-ultralinear-453V--59V-4k",
    }
    rows = {stages.stage_id(row): row for row in stages.PUBLISHED["output_stage"]}
    return [pytest.param(rows[name], id=name) for name in sorted(wanted)]


def _signal_row(row: Row) -> SignalRow:
    words = set(SignalRow.model_fields) - {"plate_a", "screen_a", "cathode_a", "tube", "note"}
    return SignalRow.model_validate({key: row[key] for key in words & set(row)})


@pytest.mark.parametrize("row", _stages())
def test_a_cycle_is_that_of_the_circuit(row: Row, solved_stages: Stages) -> None:
    law = load_library().find(row["tube"]).law
    found = Cycles([_signal_row(row)]).figures(law)

    for figure in stages.figures("output_stage", *FIGURES):
        if figure.row is row:
            solved = solved_stages.found(figure)
            mine = float(found[figure.name.removeprefix("signal_")][0])
            if figure.name == "distortion":
                assert mine == pytest.approx(solved, abs=ROOM["distortion"])
            else:
                assert mine == pytest.approx(solved, rel=ROOM.get(figure.name, 0.03))
