"""What is written on a drawing agrees with what was solved and judged."""

from __future__ import annotations

import pytest

from netcheck.conditions import IDLE
from netcheck.drawing import Annotations, annotate
from netcheck.drawing.annotations import level_of_share
from netcheck.faults import list_faults
from netcheck.judge.base import Load
from netcheck.judge.limits import limits_of
from netcheck.judge.stress import judge_state
from netcheck.report.progress import SilentProgress
from netcheck.solve.pool import Pool
from netcheck.solve.results import Solved
from netcheck.workbench.faulted import Bench
from netcheck.workbench.settings import Settings
from tests.drawing.circuits import EXAMPLES, read

EL34 = next(path for path in EXAMPLES if path.stem.startswith("el34"))
LEAK = "C5/leaky@2Mohm"


@pytest.fixture(scope="module")
def states() -> tuple[Solved, Solved]:
    circuit, roles, _ = read(EL34)
    fault = next(fault for fault in list_faults(circuit, roles) if fault.id == LEAK)
    with Pool(1, 60.0) as pool:
        bench = Bench(circuit, Settings(idle_only=True, jobs=1), pool)
        healthy = bench.healthy(IDLE)
        assert isinstance(healthy, Solved)
        faulty = bench.faulted([fault], healthy, SilentProgress())[IDLE][0]
        assert isinstance(faulty, Solved)
    return healthy, faulty


def judged(state: Solved, healthy: Solved) -> tuple[Load, ...]:
    circuit, roles, _ = read(EL34)
    known = {IDLE: healthy}
    return judge_state(circuit, limits_of(circuit, roles, known), state, known)


def said(states: tuple[Solved, Solved], faulty: bool) -> Annotations:
    circuit, roles, _ = read(EL34)
    healthy, broken = states
    if not faulty:
        return annotate(circuit, roles, healthy, judged(healthy, healthy))
    return annotate(circuit, roles, broken, judged(broken, healthy), healthy, ("C5",), "leaky")


def test_a_healthy_drawing_has_the_solved_figures(states: tuple[Solved, Solved]) -> None:
    notes = said(states, faulty=False)
    tube = states[0].tubes["X4"]
    worst = max(s.ratio for s in judged(states[0], states[0])
                if s.part == "X4" and s.condition == IDLE
                and s.quantity != "screen_dissipation_w")  # fmt: skip

    assert f"{tube.plate_current_a * 1e3:.3g} mA" in notes.captions["X4"].text
    assert f"{tube.plate_dissipation_w:.3g} W" in notes.captions["X4"].text
    assert notes.captions["X4"].share == worst
    assert notes.volts["ht"].text == f"{states[0].nets['ht']:.0f} V"
    assert all(caption.mark == "" for caption in notes.captions.values())
    assert all(volts.trend == 0 for volts in notes.volts.values())


def test_a_fault_marks_what_is_faulty_and_what_it_moves(states: tuple[Solved, Solved]) -> None:
    notes = said(states, faulty=True)
    healthy, broken = states

    assert notes.captions["C5"].mark == "fault"
    assert notes.captions["X4"].mark == "changed"
    assert notes.captions["X1"].mark == ""
    assert notes.volts["g4"].trend == (1 if broken.nets["g4"] > healthy.nets["g4"] else -1)
    assert notes.volts["nb0"].trend == 0
    assert notes.captions["X4"].share > notes.captions["X4"].healthy_share
    assert "without the fault" in notes.hover["X4"]


def test_every_net_has_volts_and_every_part_a_sentence(states: tuple[Solved, Solved]) -> None:
    circuit, _, _ = read(EL34)
    notes = said(states, faulty=False)

    assert set(notes.volts) == set(circuit.nets) - {"0"}
    assert set(notes.hover) == set(circuit.parts)
    assert notes.hover["R3"].startswith("R3, resistor: plate load of X1")


@pytest.mark.parametrize(
    ("share", "level"),
    [(0.0, "cool"), (0.5, "warm"), (0.8, "hot"), (0.951, "at"), (1.049, "at"), (1.06, "over")],
)
def test_levels_of_the_heat_scale(share: float, level: str) -> None:
    assert level_of_share(share) == level
