"""Shares with their interval, and where variance comes from."""

from __future__ import annotations

import numpy as np
import pytest

from netcheck.judge.statistics import share_of, variance_shares


@pytest.mark.parametrize(
    ("hits", "tried", "low", "high"),
    [
        (0, 100, 0.0, 1.0 - 0.025 ** (1 / 100)),  # closed form where nothing was hit
        (100, 100, 0.025 ** (1 / 100), 1.0),
        (10, 100, 0.0490, 0.1762),  # usual table of exact binomial intervals (from memory)
        (1, 2, 1.0 - 0.975**0.5, 0.975**0.5),  # P(X >= 1) and P(X <= 1) of two
    ],
)
def test_interval_of_clopper_and_pearson(hits: int, tried: int, low: float, high: float) -> None:
    share = share_of(hits, tried)

    assert (share.low, share.high) == pytest.approx((low, high), abs=6e-5)
    assert share.value == hits / tried


def test_interval_covers_as_often_as_it_says() -> None:
    true_share, tried = 0.03, 200
    hits = np.random.default_rng(5).binomial(tried, true_share, 400)
    covered = [share_of(int(one), tried) for one in hits]
    caught = sum(one.low <= true_share <= one.high for one in covered) / len(covered)

    assert caught >= 0.94


def test_a_draw_that_was_not_solved_widens_the_interval_both_ways() -> None:
    known, doubtful = share_of(5, 95), share_of(5, 95, not_solved=5)

    assert doubtful.low < known.low
    assert doubtful.high == share_of(10, 100).high
    assert doubtful.value == known.value


def test_nothing_solved_says_nothing() -> None:
    share = share_of(0, 0, not_solved=0)

    assert (share.low, share.high) == (0.0, 1.0)


def test_variance_of_a_sum_is_shared_as_the_squares_of_its_slopes() -> None:
    drawn = np.random.default_rng(1).uniform(0.9, 1.1, (4000, 3))
    values = np.column_stack([3.0 * drawn[:, 0] + 4.0 * drawn[:, 1], 0.0 * drawn[:, 2] + 7.0])

    shares = variance_shares(drawn, values)

    expected = [9 / 25, 16 / 25, 0.0]
    assert shares[:, 0] == pytest.approx(expected, abs=0.02)
    assert not shares[:, 1].any()
