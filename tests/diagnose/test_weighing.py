"""The density of readings: against scipy, against enumeration, and the probe on the wrong pin."""

from __future__ import annotations

from itertools import combinations
from math import comb

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from netcheck.diagnose import posterior
from netcheck.diagnose.posterior import (
    MISTAKE,
    MOST_IN_PAIRS,
    MOST_MISTAKES,
    MOST_SUBSETS,
    Sight,
    log_likelihoods,
    log_unmodelled,
    moments,
)


def case(readings: int, hypotheses: int = 3, seed: int = 1) -> tuple[np.ndarray, np.ndarray, Sight]:
    """Return a random case: correlated units, and a reading somewhere near."""
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(hypotheses, readings, readings))
    covariance = root @ root.transpose(0, 2, 1)
    mean = rng.normal(scale=3.0, size=(hypotheses, readings))
    value = mean[0] + rng.normal(size=readings)
    noise, span = rng.uniform(0.1, 0.5, readings), rng.uniform(20.0, 300.0, readings)
    return mean, covariance, Sight(value, noise, span)


def by_enumeration(mean: np.ndarray, covariance: np.ndarray, sight: Sight) -> dict:
    """Return by set of mistakes its share of the density: marginal normals, one by one."""
    count, whole = len(sight.value), covariance + np.diag(sight.noise**2)
    most = min(count, MOST_MISTAKES if count <= MOST_IN_PAIRS else 1)
    found = {}
    for size in range(most + 1):
        for wrong in combinations(range(count), size):
            right = [at for at in range(count) if at not in wrong]
            density = MISTAKE**size * (1.0 - MISTAKE) ** len(right)
            density /= np.prod(sight.span[list(wrong)])
            if right:
                block = whole[np.ix_(right, right)]
                density *= multivariate_normal(mean[right], block).pdf(sight.value[right])
            found[wrong] = density
    return found


def test_without_mistakes_the_density_is_the_multivariate_normal(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    mean, covariance, sight = case(4)
    monkeypatch.setattr(posterior, "MOST_MISTAKES", 0)

    actual, _ = log_likelihoods(mean, covariance, sight)

    expected = [
        multivariate_normal(one, whole + np.diag(sight.noise**2)).logpdf(sight.value)
        + 4.0 * np.log(1.0 - MISTAKE)
        for one, whole in zip(mean, covariance, strict=True)
    ]
    assert actual == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("readings", [1, 2, 3, 5, MOST_IN_PAIRS + 1])
def test_the_density_is_the_sum_over_all_sets_of_mistakes(readings: int) -> None:
    mean, covariance, sight = case(readings, seed=readings)

    actual, _ = log_likelihoods(mean, covariance, sight)

    expected = [
        np.log(sum(by_enumeration(one, whole, sight).values()))
        for one, whole in zip(mean, covariance, strict=True)
    ]
    assert actual == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize("readings", [1, 3, 5])
def test_how_likely_a_reading_is_a_mistake_is_its_share_of_all_sets(readings: int) -> None:
    mean, covariance, sight = case(readings, seed=7 + readings)

    _, actual = log_likelihoods(mean, covariance, sight)

    for row, (one, whole) in enumerate(zip(mean, covariance, strict=True)):
        found = by_enumeration(one, whole, sight)
        total = sum(found.values())
        expected = [
            sum(density for wrong, density in found.items() if at in wrong) / total
            for at in range(readings)
        ]
        assert actual[row] == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize("misplaced", [0, 2, 4])
def test_a_misplaced_probe_is_found(misplaced: int) -> None:
    mean, covariance, sight = case(5)
    value = mean[0].copy()
    value[misplaced] += 60.0

    share = log_likelihoods(mean, covariance, Sight(value, sight.noise, sight.span))[1][0]

    assert int(np.argmax(share)) == misplaced
    assert share[misplaced] > 0.99


def test_how_far_off_a_misplaced_probe_reads_does_not_matter() -> None:
    mean, covariance, sight = case(4, hypotheses=1)
    right, _ = log_likelihoods(mean, covariance, Sight(mean[0], sight.noise, sight.span))

    def at(volts: float) -> np.ndarray:
        value = mean[0] + np.array([0.0, volts, 0.0, 0.0])
        return log_likelihoods(mean, covariance, Sight(value, sight.noise, sight.span))[0]

    assert at(1e4) == pytest.approx(at(1e3), abs=1e-6)
    assert at(1e3) < right


@pytest.mark.parametrize("readings", [1, 2, 4, MOST_SUBSETS])
def test_an_unmodelled_fault_disturbs_every_subset_alike(readings: int) -> None:
    mean, covariance, sight = case(readings, seed=20 + readings)
    spread = np.linspace(5.0, 40.0, readings)

    actual = log_unmodelled(mean[0], covariance[0], spread, sight)

    total = 0.0
    for size in range(1, readings + 1):
        for chosen in combinations(range(readings), size):
            extra = np.zeros(readings)
            extra[list(chosen)] = spread[list(chosen)] ** 2
            whole = covariance[0] + np.diag(sight.noise**2 + extra)
            density = multivariate_normal(mean[0], whole).pdf(sight.value)
            total += density / (readings * comb(readings, size))
    assert actual == pytest.approx(np.log(total), rel=1e-8)


def test_of_many_readings_the_unmodelled_density_is_a_part_of_the_whole_sum() -> None:
    mean, covariance, sight = case(MOST_SUBSETS + 1, seed=3)
    value = mean[0].copy()
    value[[1, 6]] += 40.0
    sight, spread = Sight(value, sight.noise, sight.span), np.full(len(value), 40.0)

    actual = log_unmodelled(mean[0], covariance[0], spread, sight)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(posterior, "MOST_SUBSETS", len(value))
        every = log_unmodelled(mean[0], covariance[0], spread, sight)
    assert every - np.log(comb(len(value), 2) * 10.0) < actual < every


def test_moments_are_those_of_numpy() -> None:
    units = np.random.default_rng(5).normal(size=(3, 4, 50))

    mean, covariance = moments(units)

    assert mean == pytest.approx(units.mean(axis=2).T)
    for row in range(4):
        assert covariance[row] == pytest.approx(np.cov(units[:, row, :]))
