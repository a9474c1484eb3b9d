"""Linear circuits against their closed form, idle and under a sine."""

from __future__ import annotations

import random
from dataclasses import replace
from math import pi, sqrt

import numpy as np
import pytest

from netcheck.circuit.model import Circuit
from netcheck.solve.deck import MAX_COUPLING
from netcheck.solve.driven import fundamental
from netcheck.solve.results import Hookup
from tests.solve.worker import FREQUENCY_HZ, Worker, circuit_of

OMEGA = 2.0 * pi * FREQUENCY_HZ
PEAK_V = 10.0
DRIVEN = 3e-3
"""Eighty steps a cycle and a second-order method: errors of 0.1 % are expected."""


def test_divider(worker: Worker) -> None:
    state = worker.idle(circuit_of("V1 a 0 10", "R1 a b 3k", "R2 b 0 7k"))

    assert state.nets == pytest.approx({"a": 10.0, "b": 7.0})
    powers = {ref: part.power_w for ref, part in state.parts.items()}
    assert powers == pytest.approx({"V1": -10e-3, "R1": 3e-3, "R2": 7e-3})


def test_choke_and_capacitor_at_dc(worker: Worker) -> None:
    circuit = circuit_of("I1 0 a 50m", "L1 a b 10 ;! dcr=200ohm", "C1 b 0 47u", "R1 b 0 1k")
    state = worker.idle(circuit)

    assert state.nets == pytest.approx({"a": 60.0, "b": 50.0})
    assert state.parts["L1"].current_a == pytest.approx(50e-3)
    assert state.parts["L1"].power_w == pytest.approx(0.5)
    assert state.parts["C1"].voltage_v == pytest.approx(50.0)


def _ladder(seed: int, scale: float) -> Circuit:
    """A random ladder with sources of both kinds."""
    chance = random.Random(seed)
    cards = [f"V1 n0 0 {scale * chance.uniform(1, 400):.12g}"]
    for number in range(6):
        ohm = 10.0 ** chance.uniform(1, 6)
        cards.append(f"R{2 * number} n{number} n{number + 1} {ohm:.12g}")
        cards.append(f"R{2 * number + 1} n{number + 1} 0 {10.0 ** chance.uniform(2, 6):.12g}")
    cards.append(f"I1 n3 n5 {scale * chance.uniform(-0.1, 0.1):.12g}")
    cards.append(f"V2 n6 x {scale * chance.uniform(-50, 50):.12g}")
    cards.append("R99 x 0 4.7k")
    cards.append("E1 y 0 n2 n4 -3.5")
    cards.append("R98 y n6 33k")
    return circuit_of(*cards)


@pytest.mark.parametrize("seed", range(5))
def test_doubling_every_source_quadruples_every_power(worker: Worker, seed: int) -> None:
    single = worker.idle(_ladder(seed, 1.0)).parts
    double = worker.idle(_ladder(seed, 2.0)).parts

    for ref, part in single.items():
        assert double[ref].power_w == pytest.approx(4.0 * part.power_w, rel=1e-7), ref


def test_sine_through_rc(worker: Worker) -> None:
    ohm, farad = 1e3, 1.0 / (OMEGA * 1e3)
    circuit = circuit_of("VIN in 0 3", f"R1 in out {ohm}", f"C1 out 0 {farad:.12g}")

    state = worker.at_level(circuit, Hookup("VIN", output_nets=("out", "0")), PEAK_V)

    impedance = ohm + 1.0 / (1j * OMEGA * farad)
    assert state.output_peak_v == pytest.approx(PEAK_V / sqrt(2.0), rel=DRIVEN)
    assert state.distortion < 1e-3
    watts = 0.5 * PEAK_V**2 * ohm / abs(impedance) ** 2
    assert state.parts["R1"].power_w == pytest.approx(watts, rel=DRIVEN)
    # What is left of the mean current in C1 flows through the 3 V of the source.
    assert state.parts["VIN"].power_w == pytest.approx(-watts, rel=0.01)
    assert state.parts["R1"].rms_current_a == pytest.approx(
        PEAK_V / abs(impedance) / sqrt(2.0), rel=DRIVEN
    )
    assert state.parts["C1"].voltage_v == pytest.approx(3.0, rel=DRIVEN)
    assert state.parts["C1"].peak_voltage_v == pytest.approx(3.0 + PEAK_V / sqrt(2.0), rel=DRIVEN)


def test_sine_through_rl(worker: Worker) -> None:
    ohm, wire_ohm, henry = 50.0, 20.0, 8e-3
    circuit = circuit_of("VIN in 0 0", f"L1 in out {henry} ;! dcr={wire_ohm}ohm", f"R1 out 0 {ohm}")

    state = worker.at_level(circuit, Hookup("VIN", output_nets=("out", "0")), PEAK_V)

    amps = PEAK_V / abs(ohm + wire_ohm + 1j * OMEGA * henry)
    assert state.output_peak_v == pytest.approx(amps * ohm, rel=DRIVEN)
    assert state.parts["R1"].power_w == pytest.approx(0.5 * amps**2 * ohm, rel=DRIVEN)
    assert state.parts["L1"].power_w == pytest.approx(0.5 * amps**2 * wire_ohm, rel=DRIVEN)


@pytest.mark.parametrize("coupling", [0.98, 0.9985, 1.0])
def test_transformer_reflects_its_load(worker: Worker, coupling: float) -> None:
    """The two-winding equations: V1 = jw(L1 I1 + M I2), V2 = jw(M I1 + L2 I2) = -R I2."""
    source_ohm, primary_h, secondary_h, load_ohm = 2e3, 20.0, 32e-3, 8.0
    circuit = circuit_of(
        "VIN in 0 0",
        f"R1 in p {source_ohm}",
        f"L1 p 0 {primary_h}",
        f"L2 s 0 {secondary_h}",
        f"K1 L1 L2 {coupling}",
        f"R2 s 0 {load_ohm}",
    )
    hookup = Hookup("VIN", output_nets=("s", "0"), speakers=("R2",), primaries=("L1",))

    state = worker.at_level(circuit, hookup, 100.0)

    mutual = min(coupling, MAX_COUPLING) * sqrt(primary_h * secondary_h)
    secondary = load_ohm + 1j * OMEGA * secondary_h
    seen = 1j * OMEGA * primary_h + (OMEGA * mutual) ** 2 / secondary
    amps = 100.0 / (source_ohm + seen)
    load_amps = abs(amps * OMEGA * mutual / secondary)
    watts = 0.5 * load_amps**2 * load_ohm
    assert state.output_w == pytest.approx(watts, rel=DRIVEN)
    assert state.primary_output_w == pytest.approx(watts, rel=DRIVEN)
    assert state.output_peak_v == pytest.approx(load_amps * load_ohm, rel=DRIVEN)
    if coupling == 1.0:
        ideal_ohm = load_ohm * primary_h / secondary_h
        ideal_w = 0.5 * (100.0 / (source_ohm + ideal_ohm)) ** 2 * ideal_ohm
        assert state.output_w == pytest.approx(ideal_w, rel=0.01)


def test_supply_choke_carries_its_direct_current_under_drive(worker: Worker) -> None:
    """A state that takes seconds to settle by itself: 20 H and 470 uF."""
    circuit = circuit_of(
        "VB b 0 100",
        "L1 b c 20 ;! dcr=100ohm",
        "C1 c 0 470u",
        "R1 c out 900",
        "VIN in 0 0",
        "C2 in out 10u",
    )

    state = worker.at_level(circuit, Hookup("VIN", output_nets=("out", "0")), PEAK_V)

    assert state.parts["L1"].current_a == pytest.approx(0.0, abs=1e-5)
    assert state.nets["c"] == pytest.approx(100.0, rel=1e-3)
    assert state.parts["R1"].power_w == pytest.approx(0.5 * PEAK_V**2 / 900.0, rel=0.01)


def test_doubling_the_sine_quadruples_every_power(worker: Worker) -> None:
    circuit = circuit_of("VIN in 0 0", "R1 in a 1k", "C1 a b 100n", "R2 b 0 2.2k", "L1 b 0 1")
    hookup = Hookup("VIN", output_nets=("b", "0"))

    single, double = (worker.at_level(circuit, hookup, level).parts for level in (1.0, 2.0))

    for ref in ("R1", "R2", "VIN"):
        assert double[ref].power_w == pytest.approx(4.0 * single[ref].power_w, rel=1e-3), ref


def test_distortion_of_a_known_wave() -> None:
    time = np.linspace(0.0, 2e-3, 161)
    wave = 5.0 + 10.0 * np.sin(OMEGA * time) + 0.3 * np.sin(2 * OMEGA * time + 0.4)
    wave += 0.4 * np.cos(3 * OMEGA * time)

    peak, distortion = fundamental(time, wave)

    assert peak == pytest.approx(10.0, rel=2e-3)
    assert distortion == pytest.approx(0.05, rel=0.02)


def test_a_source_in_series_with_a_grid_is_no_path_for_direct_current(worker: Worker) -> None:
    """Driven at its grid in series, a stage has the gain it has when driven by a source."""
    cards = ["VB b 0 300", "R1 b p 100k", "X1 p g k 12AX7", "R2 k 0 1.5k", "C1 k 0 100u"]
    grounded = circuit_of(*cards, "VIN g 0 0")
    floating = circuit_of(*cards, "R3 g 0 1k")
    plain = Hookup("VIN", output_nets=("p", "0"))
    series = replace(plain, input_part=None, series_grids=(("X1", 1.0),))

    by_source = worker.at_level(grounded, plain, 0.3)
    in_series = worker.at_level(floating, series, 0.3)

    assert in_series.output_peak_v == pytest.approx(by_source.output_peak_v, rel=2e-3)
    assert in_series.tubes["X1"].plate_dissipation_w == pytest.approx(
        by_source.tubes["X1"].plate_dissipation_w, rel=1e-3
    )
