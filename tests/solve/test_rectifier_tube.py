"""A rectifier tube that stands in series with a DC source, idle and driven."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from netcheck.circuit.changes import ReplaceTube, ScaleEmission
from netcheck.circuit.checks import check_circuit
from netcheck.judge.limits import limits_of
from netcheck.judge.measure import measure
from netcheck.roles.recogniser import recognise
from netcheck.solve.results import Hookup
from netcheck.tubes.library import load_library
from netcheck.tubes.model import rectifier_law_of
from tests.solve.worker import Worker, circuit_of

LOAD_OHM = 4e3
SUPPLY = ("V1 ht0 0 300", "C1 ht 0 47u", f"R1 ht 0 {LOAD_OHM:g}")
STAGE = (
    "VHT ht0 0 330",
    "X9 ht0 ht 5Y3GT",
    "C10 ht 0 47u",
    "VIN in 0 0 ;! input",
    "RG in 0 470k",
    "X1 p1 ht in k1 6V6GT",
    "RK k1 0 330",
    "CK k1 0 100u",
    "L1 ht p1 10 ;! dcr=200ohm",
    "L2 s 0 16m",
    "K1 L1 L2 0.998",
    "RL s 0 8 ;! speaker",
)


def _by_law(name: str, plates: int) -> float:
    """Return the output volts where the law of the sheet meets the load."""
    law = rectifier_law_of(load_library().find(name))
    return float(
        brentq(lambda v: plates * float(law.current_a(300.0 - v)) - v / LOAD_OHM, 0.0, 300.0)
    )


@pytest.mark.parametrize("name", ["5Y3GT", "5U4GB", "GZ34", "EZ80", "EZ81", "6X4", "5V4G"])
def test_output_follows_the_drop_of_the_sheet(worker: Worker, name: str) -> None:
    one = worker.idle(circuit_of(*SUPPLY, f"X1 ht0 ht {name}"))
    two = worker.idle(circuit_of(*SUPPLY, f"X1 ht0 ht0 ht {name}"))

    assert one.nets["ht"] == pytest.approx(_by_law(name, 1), abs=0.01)
    assert two.nets["ht"] == pytest.approx(_by_law(name, 2), abs=0.01)


def test_state_of_both_plates_together(worker: Worker) -> None:
    state = worker.idle(circuit_of(*SUPPLY, "X1 ht0 ht0 ht GZ34"))

    tube, load = state.tubes["X1"], state.parts["R1"]

    assert tube.cathode_current_a == pytest.approx(load.current_a, rel=1e-6)
    assert tube.plate_dissipation_w + load.power_w == pytest.approx(
        -state.parts["V1"].power_w, rel=1e-6
    )


def test_blocks_in_reverse_and_gives_its_source_without_load(worker: Worker) -> None:
    back = worker.idle(circuit_of("V1 a 0 -300", "R1 b 0 1k", "X1 a b 5Y3GT"))
    idle = worker.idle(circuit_of("V1 a 0 300", "R1 b 0 1g", "X1 a b 5Y3GT"))

    assert abs(back.nets["b"]) < 1e-3
    assert idle.nets["b"] == pytest.approx(300.0, abs=1.0)


def test_a_worn_or_another_tube(worker: Worker) -> None:
    circuit = circuit_of(*SUPPLY, "X1 ht0 ht 5Y3GT")
    healthy = worker.idle(circuit).nets["ht"]

    worn = worker.idle(circuit, ScaleEmission("X1", 0.3)).nets["ht"]
    other = worker.idle(circuit, ReplaceTube("X1", "GZ34")).nets["ht"]

    assert worn < healthy < other
    assert other == pytest.approx(_by_law("GZ34", 1), abs=0.01)


def test_stage_behind_a_rectifier_is_sound_and_judged(worker: Worker) -> None:
    circuit = circuit_of(*STAGE)
    roles = recognise(circuit)
    state = worker.idle(circuit)

    (limit,) = [each for each in limits_of(circuit, roles).limits if each.part == "X9"]

    assert [finding.rule for finding in check_circuit(circuit)] == []
    assert roles.output_tubes == ("X1",)
    assert "rectifier_tube" in [role.name for role in roles.of_part("X9")]
    assert (limit.quantity, limit.limit) == ("output_current_a", 0.125)
    drawn = state.tubes["X1"].cathode_current_a
    assert measure(limit, state) == pytest.approx(drawn, rel=1e-3)


def test_driven_mean_is_what_the_stage_draws(worker: Worker) -> None:
    circuit = circuit_of(*STAGE)
    hookup = Hookup("VIN", (), ("s", "0"), ("RL",))

    state = worker.at_level(circuit, hookup, 8.0)

    rectifier, output = state.tubes["X9"], state.tubes["X1"]
    assert rectifier.cathode_current_a == pytest.approx(output.cathode_current_a, rel=0.01)
    law = rectifier_law_of(load_library().find("5Y3GT"))
    drop = float(law.drop_v(np.array(rectifier.cathode_current_a)))
    assert rectifier.plate_v - rectifier.cathode_v == pytest.approx(drop, rel=0.02)
    assert rectifier.grid_v == rectifier.cathode_v
