"""Probabilities where pairs of faults are weighed beside single ones.

Comes in: a posterior of single faults and the pairs that were weighed.  Goes out: the
probabilities of all together.  Pairs are only asked for where single faults fail.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from netcheck.diagnose.hypotheses import NONE_SHARE
from netcheck.diagnose.pair_causes import PairsWeighed
from netcheck.diagnose.posterior import Posterior

Array = NDArray[np.float64]

FAILS_FROM = 3.0
"""Deviations of a reading that the best single cause leaves unexplained."""
HALF = 0.5
"""A reading more likely misread than not is left unexplained."""


def singles_fail(posterior: Posterior) -> bool:
    """Say whether no single cause explains the readings.

    That is where something outside the catalogue is likeliest, or the best cause leaves a
    reading far off, or has to take one for a mistake.
    """
    if not len(posterior.sight.value):
        return False
    if posterior.none >= float(posterior.cause.max()):
        return True
    best = int(np.argmax(posterior.node))
    sigma = np.sqrt(np.diag(posterior.covariance[best]) + posterior.sight.noise**2)
    away = np.abs(posterior.sight.value - posterior.mean[best]) / sigma
    return bool((away > FAILS_FROM).any() or (posterior.mistakes_of_node[best] > HALF).any())


def shares_with_pairs(posterior: Posterior, weighed: PairsWeighed) -> tuple[Array, Array]:
    """Return the probabilities of causes, of what is not in the catalogue last, and of pairs.

    All of them together are 1.
    """
    known, every = posterior.hypotheses, posterior.every
    first = int(np.argmax(every))
    if first == len(known.causes):
        log_total = posterior.log_best[-1] + math.log(NONE_SHARE) - math.log(posterior.none)
    else:
        nodes = known.cause == first
        fit = float((posterior.node[nodes] / known.weight[nodes]).max())
        log_total = posterior.log_best[first] + math.log(known.causes[first].prior) - math.log(fit)
    log_pairs = np.array(
        [one.log_density + math.log(one.prior) - log_total for one in weighed.pairs]
    )
    most = max(0.0, float(log_pairs.max(initial=0.0)))
    singles, pairs = every * np.exp(-most), np.exp(log_pairs - most)
    total = singles.sum() + pairs.sum()
    return np.asarray(singles / total), np.asarray(pairs / total)
