"""From readings to probabilities: Bayes' rule over the hypotheses of a dictionary.

Comes in: a dictionary and readings.  Goes out: a `Posterior`, the probability of each
cause and size, of a sound unit and of a fault that is not in the catalogue.

Two causes are in one ambiguity group while each has a size that explains the readings
so far as well as the other, within a factor of three: a difference "not worth more than
a bare mention" (R. E. Kass and A. E. Raftery, "Bayes factors", J. American Statistical
Association 90, 1995; from memory); the word and the idea after G. N. Stenbakken, T. M. Souders and
G. W. Stewart, "Ambiguity groups and testability", IEEE Trans. Instrumentation and
Measurement 38(5), 1989.

How likely readings are is Gaussian: the units give the full covariance, so that rails that
move together with the mains count once.  Each reading may be a mistake (a probe on the wrong
pin): then it can be anything that the circuit can show.  Up to `MOST_MISTAKES` at a time are
weighed, from the precision matrix of all readings: leaving readings E out divides the
density by that of E given the rest (normal distribution, any text on multivariate statistics).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb, log

import numpy as np
from numpy.typing import NDArray

from netcheck.diagnose.dictionary import Dictionary, Foreseen, Point
from netcheck.diagnose.hypotheses import NONE_SHARE, Hypotheses, Places
from netcheck.diagnose.meters import Meter
from netcheck.diagnose.ohms import LEAST_OHM, OPEN_FROM_OHM
from netcheck.diagnose.readings import Reading
from netcheck.equations import inverse, solve_exactly
from netcheck.models.diagnosis import NONE_OF_THESE

Array = NDArray[np.float64]

MODEL_SHARE = 0.01
"""How far the solved circuit may be off a real one beyond tolerance: our choice."""
METER_SIGMA = 3.0**0.5
"""Largest error over standard deviation of an even spread."""
CURRENT_SHARE, WATT_SHARE, CURRENT_LEAST_A = 0.01, 0.03, 1e-5
"""Accuracy of currents and of watts worked out from two readings: common practice."""
OHM_SHARE, OHM_LEAST = 0.01, 0.3
"""Accuracy of an ohmmeter with its leads: common practice."""
OPEN_DECADES = 0.3
"""Of a reading that is open: between open here and open there lies a factor of two; our choice."""
SAME_FACTOR = 3.0
EVEN_VARIANCE = 12.0
"""An even spread over a width has the variance width^2 / 12."""
OUT_OF_QUESTION = -1e6
"""Log density of readings where a fault was not solved: it says so elsewhere."""


@dataclass(frozen=True)
class Looked:
    """Points looked at, as the dictionary foresees them for its hypotheses.

    units: (points, hypotheses, draws).  reach: (points, hypotheses), how far a point moves
    over the sizes that a hypothesis stands for.
    """

    points: tuple[Point, ...]
    foreseen: tuple[Foreseen, ...]
    units: Array
    reach: Array

    def sizes_covariance(self, other: Looked) -> Array:
        """Return what not knowing the size adds to the covariance of points with others,
        (hypotheses, points, other points): sizes lie evenly over the reach."""
        return np.asarray(np.einsum("ph,oh->hpo", self.reach, other.reach) / EVEN_VARIANCE)


@dataclass(frozen=True)
class Posterior:
    """What is known after the readings.

    node: probability of each node; cause: of each cause, the sound unit first; none: of
    a fault that is not in the catalogue.  log_best: log density of readings and evidence under
    the size of each cause that fits best, and last under `none`.  mistakes: by reading,
    how likely it is misread; mistakes_of_node: the same for each node, (nodes, readings).
    """

    hypotheses: Hypotheses
    looked: Looked
    sight: Sight
    mean: Array
    covariance: Array
    node: Array
    cause: Array
    none: float
    log_best: Array
    mistakes: Array
    mistakes_of_node: Array

    @property
    def every(self) -> Array:
        """Probability of each cause, and last of a fault that is not in the catalogue."""
        return np.append(self.cause, self.none)

    @property
    def names(self) -> list[str]:
        """Ids of the causes, and last of a fault that is not in the catalogue."""
        return [*(one.id for one in self.hypotheses.causes), NONE_OF_THESE]

    def groups(self) -> list[list[int]]:
        """Return ambiguity groups of causes, likeliest first.

        The number after the last cause stands for a fault that is not in the catalogue,
        which is alone in its group.
        """
        every, none = self.every, len(self.cause)
        order = [int(at) for at in np.argsort(-every, kind="stable")]
        groups: list[list[int]] = []
        while order:
            first = order[0]
            away = np.abs(self.log_best - self.log_best[first])
            members = [
                at
                for at in order
                if at == first or (none not in (at, first) and away[at] < np.log(SAME_FACTOR))
            ]
            groups.append(members)
            order = [at for at in order if at not in members]
        return groups


def look(
    dictionary: Dictionary,
    hypotheses: Hypotheses,
    points: Sequence[tuple[Point, float]],
    nodes: NDArray[np.int64] | None = None,
    meters: Sequence[Meter | None] = (),
) -> Looked:
    """Return what hypotheses foresee at points; with each point what the meter shows there.

    meters: of the readings, None for that of the bench.  For some nodes only, points are
    looked at that were not read yet: a guess will do.
    """
    foreseen = tuple(
        dictionary.foresee(point, shown, meter=meter, metered=nodes is None)
        for (point, shown), meter in zip(points, meters or [None] * len(points), strict=True)
    )
    chosen = slice(None) if nodes is None else nodes
    low, high = hypotheses.low[chosen], hypotheses.high[chosen]
    share = hypotheses.share[chosen][:, None]
    units = np.array(
        [(1.0 - share) * one.units[low] + share * one.units[high] for one in foreseen]
    ).reshape(len(points), len(low), dictionary.spread.factors.shape[0])
    reach = np.zeros((len(points), len(low)))
    if hypotheses.begins is not None and hypotheses.ends is not None:
        for at, one in enumerate(foreseen):
            begins, ends = (
                _at_places(one.nominal, places, chosen)
                for places in (hypotheses.begins, hypotheses.ends)
            )
            reach[at] = np.nan_to_num(ends - begins)
    return Looked(tuple(point for point, _ in points), foreseen, units, reach)


def _at_places(nominal: Array, places: Places, chosen: slice | NDArray[np.int64]) -> Array:
    low, high, share = (one[chosen] for one in places)
    return np.asarray((1.0 - share) * nominal[low] + share * nominal[high])


def sigmas_of(
    point: Point,
    values: Array,
    meter: Meter,
    stated: float = 0.0,
    open_ohm: float = OPEN_FROM_OHM,
) -> Array:
    """Return the standard deviations of meter and model; of ohms in decades.

    values: what the meter shows, ohms not as logarithms.  stated: the largest error that
    a reading itself states; 0 goes by the meter.  open_ohm: what reads as open there.
    """
    size = np.abs(values)
    if point.kind == "ohms":
        known = np.minimum(size, open_ohm)
        error = stated or OHM_SHARE * known + OHM_LEAST
        decades = error / np.maximum(known, LEAST_OHM) / np.log(10.0) / METER_SIGMA
        return np.asarray(np.where(size >= open_ohm, OPEN_DECADES, decades))
    if stated:
        error = np.full(len(size), stated)
    elif point.kind in ("volts", "leak"):
        error = meter.uncertainties_v(size)
    elif point.kind == "watts":
        error = WATT_SHARE * size
    else:
        error = CURRENT_SHARE * size + CURRENT_LEAST_A
    return np.hypot(error / METER_SIGMA, MODEL_SHARE * size)


def sigma_of(
    point: Point,
    value: float,
    meter: Meter,
    stated: float = 0.0,
    open_ohm: float = OPEN_FROM_OHM,
) -> float:
    """Return the standard deviation of one reading, as `sigmas_of` does."""
    return float(sigmas_of(point, np.array([value]), meter, stated, open_ohm)[0])


def seen_value(reading: Reading, open_ohm: float = OPEN_FROM_OHM) -> float:
    """Return a reading as it is compared: currents without sign, ohms as logarithms."""
    if reading.kind == "ohms":
        return float(np.log10(np.clip(reading.value, LEAST_OHM, open_ohm)))
    return abs(reading.value) if reading.kind in ("amperes", "watts") else reading.value


def point_of(reading: Reading) -> Point:
    """Return where a reading was taken."""
    return Point(reading.kind, reading.first, reading.second, reading.situation)


def sight_of(readings: Sequence[Reading], looked: Looked, meter: Meter) -> Sight:
    """Return readings as they are weighed."""
    both = list(zip(readings, looked.foreseen, strict=True))
    value = np.array([seen_value(one, there.open_ohm) for one, there in both])
    noise = np.array(
        [
            sigma_of(point_of(one), one.value, one.meter or meter, one.accuracy, there.open_ohm)
            for one, there in both
        ]
    )
    span = np.array([_span(one, value[at], noise[at]) for at, one in enumerate(looked.foreseen)])
    return Sight(value, noise, span)


def _span(foreseen: Foreseen, value: float, noise: float) -> float:
    known = foreseen.nominal[~np.isnan(foreseen.nominal)]
    return float(max(known.max(), value) - min(known.min(), value) + 10.0 * noise)


def weigh(
    dictionary: Dictionary,
    hypotheses: Hypotheses,
    readings: Sequence[Reading],
    evidence: Array,
    evidence_of_none: float = 1.0,
) -> Posterior:
    """Return the posterior of readings; `evidence` is its probability by node."""
    looked = look(
        dictionary,
        hypotheses,
        [(point_of(one), one.value) for one in readings],
        meters=[one.meter for one in readings],
    )
    sight = sight_of(readings, looked, dictionary.options.meter)
    mean, covariance = moments(looked.units)
    covariance = covariance + looked.sizes_covariance(looked)
    if readings:
        log_node, mistakes = log_likelihoods(mean, covariance, sight)
        unknown = np.isnan(log_node)  # not solved in a situation that was read
        log_node[unknown], mistakes[unknown] = OUT_OF_QUESTION, 0.0
        spread = _spread(looked, sight)
        log_none = log_unmodelled(mean[0], covariance[0], spread, sight)
    else:
        log_node, log_none = np.zeros(len(hypotheses.low)), 0.0
        mistakes = np.zeros((len(hypotheses.low), 0))
    log_node = log_node + np.log(evidence)
    log_none += float(np.log(evidence_of_none))
    log_cause = np.full(len(hypotheses.causes), -np.inf)
    np.logaddexp.at(log_cause, hypotheses.cause, log_node + np.log(hypotheses.weight))
    log_best = np.full(len(hypotheses.causes), -np.inf)
    np.maximum.at(log_best, hypotheses.cause, log_node)
    log_best = np.append(log_best, log_none)
    weight = np.append(hypotheses.prior, NONE_SHARE)
    log_cause = np.append(log_cause, log_none)
    share = np.exp(log_cause + np.log(weight) - np.logaddexp.reduce(log_cause + np.log(weight)))
    within = np.exp(log_node + np.log(hypotheses.weight) - log_cause[hypotheses.cause])
    node = within * share[hypotheses.cause]
    return Posterior(
        hypotheses, looked, sight, mean, covariance, node, share[:-1], float(share[-1]), log_best,
        node @ mistakes / max(float(node.sum()), 1e-300), mistakes,
    )  # fmt: skip


def _spread(looked: Looked, sight: Sight) -> Array:
    """Return how far the faults of the catalogue move each point: root mean square."""
    found = []
    for at, one in enumerate(looked.foreseen):
        moved = (one.nominal - one.nominal[0])[1:]
        moved = moved[np.abs(moved) > sight.noise[at]]
        moved = moved[~np.isnan(moved)]
        rms = float(np.sqrt(np.mean(moved**2))) if len(moved) else 0.0
        found.append(max(rms, 10.0 * float(sight.noise[at])))
    return np.array(found)


MISTAKE = 0.02
"""Share of readings that are mistaken: a round figure of the method, not measured."""
ALIKE = "two readings say the same with no error of their own"
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
    precision = inverse(whole, ALIKE)
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
                solved = solve_exactly(block, part[:, :, None], ALIKE)[:, :, 0]
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
        square = float(away @ solve_exactly(whole, away, ALIKE))
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
