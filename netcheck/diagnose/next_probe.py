"""What to measure next: the reading that splits the candidates most per effort.

Comes in: what is known so far, and the points that could be read.  Goes out: proposals,
and what was refused.  After J. de Kleer and B. C. Williams, "Diagnosing multiple faults",
Artificial Intelligence 32, 1987: the best probe leaves the least expected entropy.  What
a point would read is foreseen given the readings so far, since all come from one unit:
whoever has read B+ knows the mains.  A reading that is likely a mistake under a hypothesis
tells it nothing.

Effort, and with it the order of safety, is common practice: ohms with the power off, then
volts with the tubes out, then reduced mains, and a live chassis with hot tubes last.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from netcheck.diagnose.dictionary import Dictionary, Foreseen, Point
from netcheck.diagnose.ohms import LEAST_OHM
from netcheck.diagnose.plan import Plan, Wanted
from netcheck.diagnose.posterior import (
    ALIKE,
    EVEN_VARIANCE,
    MISTAKE,
    Posterior,
    look,
    moments,
    point_of,
    sigmas_of,
)
from netcheck.diagnose.readings import Reading
from netcheck.diagnose.situations import IDLE, POWER_OFF, STEPS_OF_MAINS, TUBES_OUT, reduced
from netcheck.equations import solve_exactly
from netcheck.solve.deck import NEUTRAL_OHM

Array = NDArray[np.float64]

EFFORT: Mapping[str, float] = {
    POWER_OFF.key: 1.0,
    TUBES_OUT.key: 2.0,
    **{reduced(share).key: 3.0 for share in STEPS_OF_MAINS},
    IDLE.key: 4.0,
}
LIFTING = 3.0
"""Effort of unsoldering one end of a part on top: common practice."""
REACHING = 0.5
"""Effort of a point that is no pin of a socket on top: our choice."""
MOST_NODES, LEAST_SHARE = 100, 1e-3
"""Hypotheses asked about at most, and the least likely of them: each costs time."""
OUTCOMES = (-1.28, -0.52, 0.0, 0.52, 1.28)
"""Outcomes by hypothesis, in standard deviations: middles of five equal shares."""
LEAST_GAIN_BIT = 0.1
"""Less is not worth a reading."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """What a point would read under one cause, given the readings so far."""

    cause: int
    value: float
    sigma: float


@dataclass(frozen=True, slots=True)
class Proposal:
    """One point that could be read, with how much it would tell [bit]."""

    point: Point
    wanted: Wanted
    gain_bit: float
    effort: float
    outlooks: tuple[Outlook, ...]


def candidates(
    plan: Plan, situations: Sequence[str], readings: Sequence[Reading]
) -> list[tuple[Point, Wanted]]:
    """Return the points of the bench sheet that have not been read yet."""
    read = {point_of(one) for one in readings}
    found: dict[Point, Wanted] = {}
    for key in situations:
        for wanted in _wanted(plan, key):
            point = point_wanted(wanted, key)
            if point is not None and point not in read:
                found.setdefault(point, wanted)
    return list(found.items())


def point_wanted(wanted: Wanted, situation: str) -> Point | None:
    """Return the point of a line of the bench sheet; None for watts, which nobody reads.

    A current is read as the volts across its resistor.
    """
    if wanted.purpose == "coupler":
        return Point("leak", wanted.part, "", situation)
    if wanted.unit == "W" or wanted.net_a == wanted.net_b:
        return None
    if wanted.unit == "ohm":
        return Point("ohms", wanted.net_a, wanted.net_b, situation)
    return Point("volts", wanted.net_a, wanted.net_b, situation)


def _wanted(plan: Plan, key: str) -> tuple[Wanted, ...]:
    if key == POWER_OFF.key:
        return (*plan.power_off(), *plan.junctions("ohm"))
    if key == TUBES_OUT.key:
        return (*plan.tubes_out(), *plan.junctions("V"))
    return (*plan.idle(), *plan.junctions("V")) if key == IDLE.key else plan.reduced()


def propose(
    dictionary: Dictionary, posterior: Posterior, points: Sequence[tuple[Point, Wanted]]
) -> list[Proposal]:
    """Return proposals, the most bits per effort first; useless ones are left out."""
    nodes = np.argsort(-posterior.node, kind="stable")[:MOST_NODES]
    nodes = nodes[posterior.node[nodes] > LEAST_SHARE]
    if len(nodes) < 2 or not points:
        return []
    nodes = nodes[np.argsort(posterior.hypotheses.cause[nodes], kind="stable")]
    weight = posterior.node[nodes] / posterior.node[nodes].sum()
    causes, starts = np.unique(posterior.hypotheses.cause[nodes], return_index=True)
    means, sigmas, spans = _foresee(dictionary, posterior, points, nodes)
    found = []
    for at, (point, wanted) in enumerate(points):
        mean, sigma = means[at], sigmas[at]
        if np.isnan(mean).any():
            continue
        gain = _gain(mean, sigma, float(spans[at]), weight, starts)
        if gain >= LEAST_GAIN_BIT:
            outlooks = _outlooks(mean, sigma, weight, causes, starts)
            effort = EFFORT[point.situation] + (LIFTING if point.kind == "leak" else 0.0)
            effort += REACHING if wanted.name.startswith("junction/") else 0.0
            found.append(Proposal(point, wanted, gain, effort, outlooks))
    return sorted(found, key=lambda one: (-one.gain_bit / one.effort, one.wanted.name))


def _foresee(
    dictionary: Dictionary,
    posterior: Posterior,
    points: Sequence[tuple[Point, Wanted]],
    nodes: NDArray[np.int64],
) -> tuple[Array, Array, Array]:
    """Return mean, deviation (points, nodes) and span (points,) of what would be read."""
    shown = [_shown(dictionary, point) for point, _ in points]
    looked = look(
        dictionary, posterior.hypotheses,
        [(point, value) for (point, _), value in zip(points, shown, strict=True)], nodes,
    )  # fmt: skip
    mean, _ = moments(looked.units)
    mean = mean.T
    variance = looked.units.var(axis=2) + looked.reach**2 / EVEN_VARIANCE
    read = posterior.looked.units[:, nodes, :]
    if len(read):
        off = looked.units - mean[:, :, None]
        off_read = read - read.mean(axis=2)[:, :, None]
        shared = np.einsum("phd,rhd->hpr", off, off_read) / max(read.shape[2] - 1, 1)
        shared = shared + np.einsum(
            "ph,rh->hpr", looked.reach, posterior.looked.reach[:, nodes] / EVEN_VARIANCE
        )
        whole = posterior.covariance[nodes] + np.diag(posterior.sight.noise**2)
        mistaken = np.minimum(posterior.mistakes_of_node[nodes], 1.0 - 1e-9)
        doubt = np.einsum("hrr->hr", whole) * mistaken / (1.0 - mistaken)
        whole = whole + doubt[:, :, None] * np.eye(len(read))
        gain = solve_exactly(whole, shared.transpose(0, 2, 1), ALIKE).transpose(0, 2, 1)
        away = posterior.sight.value - posterior.mean[nodes]
        mean = mean + np.einsum("hpr,hr->ph", gain, away)
        variance = variance - np.einsum("hpr,hpr->ph", gain, shared)
    meter = dictionary.options.meter
    noise = np.array(
        [
            sigmas_of(one, _linear(one, row, there), meter, open_ohm=there.open_ohm)
            for one, row, there in zip(looked.points, mean, looked.foreseen, strict=True)
        ]
    )
    spans = mean.max(axis=1) - mean.min(axis=1) + 10.0 * noise.max(axis=1)
    return mean, np.sqrt(np.maximum(variance, 0.0) + noise**2), spans


def _shown(dictionary: Dictionary, point: Point) -> float:
    """Return what a sound unit shows, which decides the range of an analog meter."""
    if point.kind != "volts":
        return 0.0
    page = dictionary.page(point.situation)
    return float(page.nominal_volts(point.first, point.second, NEUTRAL_OHM)[0])


def _linear(point: Point, values: Array, foreseen: Foreseen) -> Array:
    """Return readings as a meter shows them."""
    if point.kind != "ohms":
        return values
    return np.asarray(10.0 ** np.clip(values, np.log10(LEAST_OHM), np.log10(foreseen.open_ohm)))


def _gain(
    mean: Array, sigma: Array, span: float, weight: Array, starts: NDArray[np.int64]
) -> float:
    """Return by how much the entropy over causes is expected to fall [bit].

    starts: where each cause begins; hypotheses of one cause stand side by side.
    """
    outcomes = (mean[:, None] + sigma[:, None] * np.array(OUTCOMES)).ravel()
    off = (outcomes[:, None] - mean) / sigma
    density = (1.0 - MISTAKE) * np.exp(-0.5 * off**2) / (sigma * np.sqrt(2.0 * np.pi))
    by_cause = np.add.reduceat((density + MISTAKE / span) * weight, starts, axis=1)
    after = by_cause / by_cause.sum(axis=1, keepdims=True)
    left = weight @ _entropy_bit(after).reshape(len(mean), -1).mean(axis=1)
    return float(_entropy_bit(np.add.reduceat(weight, starts)) - left)


def _entropy_bit(share: Array) -> Array:
    return np.asarray(-np.sum(share * np.log2(np.maximum(share, 1e-300)), axis=-1))


def _outlooks(
    mean: Array,
    sigma: Array,
    weight: Array,
    causes: NDArray[np.int64],
    starts: NDArray[np.int64],
) -> tuple[Outlook, ...]:
    """Return what would be read under each cause, the likeliest cause first."""
    total = np.add.reduceat(weight, starts)
    middle = np.add.reduceat(weight * mean, starts) / total
    square = np.add.reduceat(weight * (sigma**2 + mean**2), starts) / total
    spread = np.sqrt(np.maximum(square - middle**2, 0.0))
    return tuple(
        Outlook(int(causes[at]), float(middle[at]), float(spread[at]))
        for at in np.argsort(-total, kind="stable")
    )
