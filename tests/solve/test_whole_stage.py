"""Whole nonlinear stages solved once more without ngspice.

The unknowns are node volts; the equations are Kirchhoff's current law with the
currents of the tube's own law in Python, solved by scipy.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from scipy.optimize import fsolve

from netcheck.tubes.library import load_library
from netcheck.tubes.model import Law, PentodeLaw, TriodeLaw, law_of
from tests.solve.worker import Worker, circuit_of

CLOSE = 1e-5


def law(name: str) -> Law:
    found = load_library().find(name)
    assert found is not None
    return law_of(found)


def solve(equations: Callable[[np.ndarray], Sequence[float]], guess: Sequence[float]) -> np.ndarray:
    """Return the root; the currents that are left over are below a picoampere."""
    root = np.asarray(fsolve(equations, guess, xtol=1e-11))
    assert float(np.max(np.abs(equations(root)))) < 1e-11
    return root


def test_resistance_coupled_triode(worker: Worker) -> None:
    tube = law("12AX7")
    assert isinstance(tube, TriodeLaw)
    circuit = circuit_of(
        "VB b 0 300", "R1 b p 100k", "X1 p g k 12AX7", "R2 k 0 1.5k", "R3 g 0 1Meg", "R4 p 0 2.2Meg"
    )

    def equations(volts: np.ndarray) -> list[float]:
        plate, grid, cathode = volts
        plate_a, grid_a = (float(each) for each in tube.currents(plate - cathode, grid - cathode))
        return [
            (300.0 - plate) / 100e3 - plate / 2.2e6 - plate_a,
            -grid / 1e6 - grid_a,
            plate_a + grid_a - cathode / 1.5e3,
        ]

    plate, grid, cathode = solve(equations, [180.0, 0.0, 1.2])

    state = worker.idle(circuit)
    assert state.nets["p"] == pytest.approx(plate, rel=CLOSE)
    assert state.nets["k"] == pytest.approx(cathode, rel=CLOSE)
    assert state.nets["g"] == pytest.approx(grid, rel=1e-3, abs=1e-6)
    watts = (plate - cathode) * float(tube.currents(plate - cathode, grid - cathode)[0])
    assert state.tubes["X1"].plate_dissipation_w == pytest.approx(watts, rel=CLOSE)


def _el84_stage(leak_ohm: float) -> list[str]:
    return [
        "VB b 0 265",
        "L1 b p 10 ;! dcr=200ohm",
        "R1 b s 1k",
        "X1 p s g k EL84",
        "R2 g 0 470k",
        "R3 k 0 135",
        "C1 k 0 100u",
        "V2 d 0 170",
        f"R4 d g {leak_ohm}",
    ]


@pytest.mark.parametrize("leak_ohm", [1e9, 5e6, 0.5e6])
def test_cathode_biased_pentode_with_a_leaky_coupler(worker: Worker, leak_ohm: float) -> None:
    """From a sound coupler to one that drives the grid positive."""
    tube = law("EL84")
    assert isinstance(tube, PentodeLaw)

    def equations(volts: np.ndarray) -> list[float]:
        plate, screen, grid, cathode = volts
        plate_a, screen_a, grid_a = (
            float(each) for each in tube.currents(plate - cathode, screen - cathode, grid - cathode)
        )
        return [
            (265.0 - plate) / 200.0 - plate_a,
            (265.0 - screen) / 1e3 - screen_a,
            (170.0 - grid) / leak_ohm - grid / 470e3 - grid_a,
            plate_a + screen_a + grid_a - cathode / 135.0,
        ]

    plate, screen, grid, cathode = solve(equations, [250.0, 250.0, 1.0, 8.0])

    state = worker.idle(circuit_of(*_el84_stage(leak_ohm)))
    expected = {"p": plate, "s": screen, "k": cathode}
    for net, volts in expected.items():
        assert state.nets[net] == pytest.approx(volts, rel=CLOSE), net
    assert state.nets["g"] == pytest.approx(grid, rel=CLOSE, abs=1e-5)
    plate_a, screen_a, _ = tube.currents(plate - cathode, screen - cathode, grid - cathode)
    seen = state.tubes["X1"]
    assert seen.plate_dissipation_w == pytest.approx((plate - cathode) * float(plate_a), rel=CLOSE)
    assert seen.screen_dissipation_w == pytest.approx(
        (screen - cathode) * float(screen_a), rel=CLOSE
    )


def test_the_leak_above_matters(worker: Worker) -> None:
    sound, bad = (
        worker.idle(circuit_of(*_el84_stage(ohm))).tubes["X1"].plate_dissipation_w
        for ohm in (1e9, 0.5e6)
    )

    assert bad > 1.5 * sound
