"""Steady states of a fed-back grid current, against the algebra of a linear tube."""

from __future__ import annotations

import numpy as np
import pytest

from netcheck.workbench.runaway import (
    GRAVE,
    Answer,
    Warming,
    emission_loop,
    gas_loop,
    steady_at,
    tipping_size,
)

CURRENTS = np.concatenate([[0.0], np.geomspace(1e-8, 2e-3, 300)])
WARMING = Warming(573.0, 1.0, 15.0)
REST_A, GAIN = 0.05, 1000.0
"""Space current at rest, and what it gains for each ampere drawn from the grid (gm Rg)."""


def linear(saturates_at_a: float = np.inf) -> Answer:
    space = np.minimum(REST_A + GAIN * CURRENTS, saturates_at_a)
    return Answer(CURRENTS, space, 10.0 + 300.0 * space)


@pytest.mark.parametrize("share", [1e-5, 1e-4, 5e-4])
def test_gas_settles_at_the_geometric_sum_with_loop_gain_gm_rg_k(share: float) -> None:
    """I = k (S0 + gm Rg I) gives I = k S0 / (1 - L) with L = gm Rg k."""
    found = steady_at(gas_loop(linear()), share)
    gain = share * GAIN

    assert found.settles
    assert found.loop_gain == pytest.approx(gain, rel=0.03)
    assert found.grid_a == pytest.approx(share * REST_A / (1.0 - gain), rel=0.01)


def test_gas_beyond_a_loop_gain_of_one_runs_away_to_where_the_tube_saturates() -> None:
    found = steady_at(gas_loop(linear(saturates_at_a=0.5)), 2e-3)

    assert not found.settles or found.grid_a == pytest.approx(2e-3 * 0.5, rel=0.02)


def test_emission_tips_where_its_loop_gain_reaches_one() -> None:
    """With I = s exp(a I), a the growth for each ampere, the crest is at I = 1/a, s = 1/(a e)."""
    growth = 20_000.0
    warming = np.log2(np.exp(growth * CURRENTS)) * 15.0
    load = 10.0 * (1.0 + warming / WARMING.grid_k) ** 4
    loop = emission_loop(Answer(CURRENTS, np.full_like(CURRENTS, REST_A), load), WARMING, 0.0)
    crest = 1.0 / (growth * np.e)

    assert tipping_size(loop) == pytest.approx(crest, rel=0.001)
    assert steady_at(loop, 0.9 * crest).settles
    assert not steady_at(loop, 1.1 * crest).settles
    below = steady_at(loop, 0.5 * crest)
    assert below.loop_gain == pytest.approx(growth * below.grid_a, rel=0.02)


def test_a_tube_that_does_not_warm_keeps_the_emission_it_has() -> None:
    answer = Answer(CURRENTS, np.full_like(CURRENTS, REST_A), np.full_like(CURRENTS, 20.0))
    found = steady_at(emission_loop(answer, GRAVE, 0.0), 5e-6)

    assert found.grid_a == pytest.approx(5e-6, rel=0.01)
    assert found.loop_gain == pytest.approx(0.0, abs=1e-6)
    assert tipping_size(emission_loop(answer, GRAVE, 0.0)) is None
