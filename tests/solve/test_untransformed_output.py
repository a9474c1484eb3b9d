"""What a stage without an output transformer gives: volts and watts where its load is."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest

from netcheck.pipeline import load_circuit
from netcheck.roles import recognise
from netcheck.workbench.hookup import hookup_of
from tests.solve.worker import Demo, Worker

CASES = Path(__file__).parents[1] / "roles" / "cases"


def test_the_output_of_a_line_stage_is_its_load(demo: Callable[[str], Demo]) -> None:
    hookup = demo("12ax7_preamp").hookup

    assert hookup.output_nets == ("out", "0")
    assert hookup.speakers == ("R10",)
    assert hookup.primaries == ()


def test_watts_of_a_line_stage_are_those_of_a_sine_in_its_load(
    demo: Callable[[str], Demo],
) -> None:
    """Half the square of the peak over the resistance, distortion on top (any text)."""
    known = demo("12ax7_preamp")
    state = known.worker.at_level(known.circuit, known.hookup, 0.2)
    load_ohm = known.circuit["R10"].value
    assert load_ohm is not None

    sine_w = state.output_peak_v**2 / 2.0 / load_ohm
    assert state.output_w == pytest.approx(sine_w * (1.0 + state.distortion**2), rel=5e-3)
    assert math.isnan(state.primary_output_w)
    assert state.output_peak_v / state.input_v > 1.0


def test_phones_on_a_follower_take_the_power_it_gives(worker: Worker) -> None:
    """A White follower of two 6DJ8: 300 ohm behind 100 uF at 1 kHz."""
    circuit = load_circuit(CASES / "white_follower_headphones.cir")
    hookup, _ = hookup_of(circuit, recognise(circuit))
    state = worker.at_level(circuit, hookup, 0.05)

    assert hookup.output_nets == ("out", "0")
    assert state.output_w == pytest.approx(state.output_peak_v**2 / 2.0 / 300.0, rel=0.01)
