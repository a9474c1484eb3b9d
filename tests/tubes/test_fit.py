"""The stored constants are what the fitting program gives."""

from __future__ import annotations

import numpy as np
import pytest

from netcheck.tubes.fit import compare, fit_type, main, space_currents
from netcheck.tubes.library import load_library
from netcheck.tubes.types import TubeType

FITTED = [tube for tube in load_library().all_types() if tube.model.residuals]


@pytest.mark.parametrize("tube", FITTED, ids=lambda tube: tube.name)
def test_refitting_gives_the_stored_currents(tube: TubeType) -> None:
    plate = np.array([row.plate_v for row in tube.operation])
    screen = np.array([row.screen_v or row.plate_v for row in tube.operation])
    grid = np.array([row.grid_v for row in tube.operation])

    fitted = sum(space_currents(fit_type(tube).law, plate, screen, grid))
    stored = sum(space_currents(tube.law, plate, screen, grid))

    np.testing.assert_allclose(fitted, stored, rtol=0.01)


@pytest.mark.parametrize("tube", FITTED, ids=lambda tube: tube.name)
def test_stored_residuals_are_those_of_the_stored_constants(tube: TubeType) -> None:
    residuals = tube.model.residuals
    published = [c for c in compare(tube.law, tube.operation) if c.row.basis == "published"]

    def worst(*figures: str) -> float:
        return max(abs(c.deviation) for c in published if c.figure in figures)

    assert residuals.plate_worst == pytest.approx(worst("plate_a", "cathode_a"), abs=0.001)
    assert residuals.transconductance_worst == pytest.approx(worst("transconductance_s"), abs=0.001)


def test_the_program_prints_rows_and_constants(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["2A3"]) == 0

    printed = capsys.readouterr().out
    assert "[model.triode]" in printed
    assert "amplification = " in printed
    assert "[model.residuals]" in printed


def test_the_program_says_what_it_does_not_know(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["XYZ"]) == 2
    assert capsys.readouterr().err == "XYZ: no such tube on file\n"
