"""Blind trials of the diagnosis on every circuit of the repository; see `trials.py`.

CI draws few units, so that it does not wait for them, and holds the bars over all circuits
together; `TRIALS.md` has the table of 200 trials a circuit.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from tests.diagnose.trial_report import calibration, share
from tests.diagnose.trials import Results, run

CIRCUITS = sorted((Path(__file__).parents[2] / "circuits").glob("*.cir"))
TRIALS = int(os.environ.get("NETCHECK_TRIALS", "40"))
DRAWS = 60


@pytest.fixture(scope="module")
def results() -> list[Results]:
    return [run(file, TRIALS, DRAWS, None, unknown=TRIALS // 2) for file in CIRCUITS]


def trials_of(results: Sequence[Results]) -> list:
    return [one for each in results for one in each.trials]


def test_the_true_cause_is_first_or_in_the_first_group(results: list[Results]) -> None:
    actual = share([one.in_group for one in trials_of(results)])

    assert actual >= 0.80


def test_the_true_cause_is_among_the_first_three(results: list[Results]) -> None:
    actual = share([one.in_three for one in trials_of(results)])

    assert actual >= 0.95


def test_at_most_three_more_readings_single_out_the_group(results: list[Results]) -> None:
    asked = [one.asked for one in trials_of(results)]
    actual = np.median([np.inf if one is None else one for one in asked])

    assert actual <= 3


def test_what_is_called_80_percent_is_right_in_70_to_90(results: list[Results]) -> None:
    (actual,) = [right for low, _, _, _, right in calibration(trials_of(results)) if low == 0.7]

    assert 0.70 <= actual <= 0.90


def test_a_family_that_is_left_out_comes_back_as_none_of_these(results: list[Results]) -> None:
    actual = [one.first == "none" for each in results for one in each.unknown]

    assert len(actual) >= 10
    assert share(actual) >= 0.70


def test_every_unit_that_was_drawn_could_be_read(results: list[Results]) -> None:
    actual = sum(each.unread for each in results)

    assert actual <= 0.01 * TRIALS * len(results)


def test_the_table_of_the_long_trials_has_every_circuit() -> None:
    text = (Path(__file__).parent / "TRIALS.md").read_text(encoding="utf-8")

    assert [line for line in text.split("\n") if line.startswith("## ")] == [
        f"## {file.name}: 200 trials" for file in CIRCUITS
    ]
