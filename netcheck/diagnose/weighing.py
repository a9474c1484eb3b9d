"""How likely readings are under each hypothesis: Gaussian with tolerance, and mistakes.

Comes in: what each hypothesis foresees, over units, and what was read.  Goes out: log
likelihoods.  The units give the full covariance, so that rails that move together
with the mains count once.  Each reading may be a mistake (a probe on the wrong pin):
then it can be anything that the circuit can show.  Up to `MOST_MISTAKES` at a time are
weighed, from the precision matrix of all readings: leaving readings E out divides the
density by that of E given the rest (normal distribution, any text on multivariate
statistics).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from math import comb, log

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MISTAKE = 0.02
"""Share of readings that are mistaken: a round figure of the method, not measured."""
MOST_MISTAKES, MOST_IN_PAIRS = 2, 20
"""Mistakes weighed at a time.  Above so many readings two mistakes at a time are not weighed."""
MOST_SUBSETS = 7
"""Up to so many readings every subset of disturbed ones is weighed."""


@dataclass(frozen=True)
class Sight:
    """What was read, and how sharply.

    value: (readings,).  noise: standard deviation of meter and model together.
    span: from the least to the most that the circuit shows there; what a mistake may read.
    """

    value: Array
    noise: Array
    span: Array


def moments(units: Array) -> tuple[Array, Array]:
    """Return mean and covariance by hypothesis; `units` is (readings, hypotheses, draws)."""
    mean = units.mean(axis=2)
    off = (units - mean[:, :, None]).transpose(1, 0, 2)
    covariance = off @ off.transpose(0, 2, 1) / max(units.shape[2] - 1, 1)
    return mean.T, covariance


def log_likelihoods(mean: Array, covariance: Array, sight: Sight) -> tuple[Array, Array]:
    """Return the log density of the readings, (hypotheses,), and how likely each reading is
    a mistake, (hypotheses, readings).

    mean: (hypotheses, readings); covariance: (hypotheses, readings, readings).
    """
    found = list(_terms(mean, covariance, sight))
    terms = np.array([term for _, term in found])
    total = np.logaddexp.reduce(terms, axis=0)
    left_out = np.array([[at in group for at in range(mean.shape[1])] for group, _ in found])
    return total, np.exp(terms - total).T @ left_out.astype(float)


def _terms(mean: Array, covariance: Array, sight: Sight) -> Iterator[tuple[tuple[int, ...], Array]]:
    """Yield which readings are mistakes and the log of that share of the density."""
    count = len(sight.value)
    whole = covariance + np.diag(sight.noise**2)
    precision = np.linalg.inv(whole)
    _, log_determinant = np.linalg.slogdet(whole)
    away = sight.value - mean
    pulled = np.einsum("hij,hj->hi", precision, away)
    squares = np.einsum("hi,hi->h", away, pulled)
    constant = np.log(2.0 * np.pi)
    all_read = -0.5 * (squares + log_determinant + count * constant)
    for size in range(min(MOST_MISTAKES if count <= MOST_IN_PAIRS else 1, count) + 1):
        chance = size * np.log(MISTAKE) + (count - size) * np.log(1.0 - MISTAKE)
        for left_out in combinations(range(count), size):
            term = all_read + chance
            if left_out:
                chosen = list(left_out)
                block = precision[:, chosen][:, :, chosen]
                part = pulled[:, chosen]
                solved = np.linalg.solve(block, part[:, :, None])[:, :, 0]
                _, log_block = np.linalg.slogdet(block)
                given = -0.5 * np.einsum("hi,hi->h", part, solved)
                given += 0.5 * log_block - 0.5 * size * constant
                term = term - given - float(np.log(sight.span[chosen]).sum())
            yield left_out, term


def log_unmodelled(mean: Array, covariance: Array, spread: Array, sight: Sight) -> float:
    """Return the log density under a fault that is not in the catalogue.

    Such a fault disturbs some of the readings and leaves the rest as in health: any
    number of them, and any of that number, are as likely as another.  mean, covariance:
    of the sound unit; spread: how far faults of the catalogue move each reading (root
    mean square).
    """
    count = len(sight.value)
    base = covariance + np.diag(sight.noise**2)
    away = sight.value - mean
    terms = []
    for disturbed in _subsets(away / np.sqrt(np.diag(base)), count):
        whole = base + np.diag(np.where(disturbed, spread, 0.0) ** 2)
        _, log_determinant = np.linalg.slogdet(whole)
        square = float(away @ np.linalg.solve(whole, away))
        density = -0.5 * (square + log_determinant + count * np.log(2.0 * np.pi))
        terms.append(density - log(count * comb(count, int(disturbed.sum()))))
    return float(np.logaddexp.reduce(terms))


def _subsets(score: Array, count: int) -> list[NDArray[np.bool_]]:
    """Return sets of disturbed readings, none empty: all, or from the furthest off on."""
    if count <= MOST_SUBSETS:
        return [
            np.array([bool(number >> at & 1) for at in range(count)])
            for number in range(1, 2**count)
        ]
    order = np.argsort(-np.abs(score))
    sets = []
    for size in range(1, count + 1):
        disturbed = np.zeros(count, dtype=bool)
        disturbed[order[:size]] = True
        sets.append(disturbed)
    return sets
