"""The stored constants are what the fitting program gives."""

from __future__ import annotations

import numpy as np
import pytest

from netcheck.tubes.cycle import Cycles
from netcheck.tubes.fit import (
    _fit,
    compare,
    fit_type,
    fitted_rows,
    held_out_rows,
    held_out_signal,
    main,
)
from netcheck.tubes.library import load_library
from netcheck.tubes.model import space_currents
from netcheck.tubes.types import TubeType

FITTED = [
    section
    for tube in load_library().all_types()
    for section in tube.unlike_sections
    if section.model.residuals
]
FITTED_TO_ROWS = [tube for tube in FITTED if "gain table" not in tube.model.residuals.source]
"""The 12AX7 is fitted to stage gains too, which the program does not take."""


@pytest.mark.parametrize("tube", FITTED_TO_ROWS, ids=lambda tube: tube.name)
def test_refitting_gives_the_stored_currents(tube: TubeType) -> None:
    plate = np.array([row.plate_v for row in tube.operation])
    screen = np.array([row.screen_v or row.plate_v for row in tube.operation])
    grid = np.array([row.grid_v for row in tube.operation])

    fitted = sum(space_currents(fit_type(tube).law, plate, screen, grid))
    stored = sum(space_currents(tube.law, plate, screen, grid))

    np.testing.assert_allclose(fitted, stored, rtol=0.01)


@pytest.mark.parametrize("tube", FITTED, ids=lambda tube: tube.name)
def test_stored_residuals_are_those_of_the_stored_constants(tube: TubeType) -> None:
    held_out = held_out_rows(tube)
    stored = tube.model.residuals.model_dump(exclude={"source", "held_out"}, exclude_none=True)
    rows = {
        "": [row for n, row in enumerate(tube.operation) if n not in held_out],
        "held_out_": [row for n, row in enumerate(tube.operation) if n in held_out],
    }
    figures = {
        "plate_worst": ("plate_a", "cathode_a"),
        "screen_worst": ("screen_a",),
        "transconductance_worst": ("transconductance_s",),
    }

    expected = {}
    for prefix, chosen in rows.items():
        compared = [c for c in compare(tube.law, chosen) if c.row.basis == "published"]
        for name, which in figures.items():
            sizes = [abs(c.deviation) for c in compared if c.figure in which]
            expected |= {prefix + name: max(sizes)} if sizes else {}

    assert stored == pytest.approx(expected, abs=0.001)
    assert tube.model.residuals.held_out == tuple(number + 1 for number in sorted(held_out))


@pytest.mark.parametrize("tube", FITTED, ids=lambda tube: tube.name)
def test_every_third_published_row_is_held_out(tube: TubeType) -> None:
    published = [n for n, row in enumerate(tube.operation) if row.basis == "published"]

    held_out = held_out_rows(tube)

    assert held_out <= set(published)
    assert len(held_out) == len(published) // 3
    assert len(fitted_rows(tube)) == len(tube.operation) - len(held_out)


def test_a_held_out_row_does_not_move_the_fit() -> None:
    tube = load_library().find("2A3")
    (number,) = held_out_rows(tube)
    rows = list(tube.operation)
    rows[number] = rows[number].model_copy(update={"plate_a": 10 * rows[number].plate_a})

    moved = fit_type(tube.model_copy(update={"operation": tuple(rows)}))

    assert moved.law == fit_type(tube).law
    assert moved.held_out_worst("plate_a") > 0.8


@pytest.mark.parametrize("tube", FITTED, ids=lambda tube: tube.name)
def test_every_third_row_with_a_signal_is_held_out(tube: TubeType) -> None:
    fit = _fit(tube, tube.law)

    held_out = held_out_signal(tube)
    assert held_out == set(range(2, len(tube.signal), 3))
    assert {c.row for c in fit.signal_held_out} == {tube.signal[n] for n in held_out}
    assert not {c.row for c in fit.signal} & {tube.signal[n] for n in held_out}


def test_a_row_with_a_signal_moves_the_fit_unless_it_is_held_out() -> None:
    tube = load_library().find("6F6")

    def screen_a(number: int) -> float:
        rows = list(tube.signal)
        rows[number] = rows[number].model_copy(update={"screen_a": 1.5 * rows[number].screen_a})
        law = fit_type(tube.model_copy(update={"signal": tuple(rows)})).law
        return float(Cycles(tube.signal).figures(law)["screen_a"][0])

    stored = float(Cycles(tube.signal).figures(tube.law)["screen_a"][0])
    assert screen_a(2) == pytest.approx(stored, rel=0.01)
    assert screen_a(0) > 1.05 * stored


def test_the_program_prints_rows_and_constants(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["2A3"]) == 0

    printed = capsys.readouterr().out
    assert "[model.triode]" in printed
    assert "amplification = " in printed
    assert "[model.residuals]" in printed


def test_the_program_says_what_it_does_not_know(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["XYZ"]) == 2
    assert capsys.readouterr().err == "XYZ: no such tube on file\n"
