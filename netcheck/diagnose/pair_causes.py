"""Two faults at once, where no single one explains what was read.

Comes in: an investigation.  Goes out: pairs of faults that were solved together, each
with how well it explains the readings; the probabilities of pairs and single faults together
(pairs are only asked for where single faults fail); a pair as a `CauseLine` of a diagnosis.

What two faults move a reading by is first taken to be the sum of what each does alone; so
it is decided which pairs are solved.  Two kinds, after the rules of `workbench/pairs.py`:

- causes: the first overloads a part at idle, and the second is what that part does when
  it gives up.  They come first, and are more likely than chance has it.
- both: two faults by chance, where they explain the readings better than either does alone.

Each is then solved in every situation that was read in, at the sizes that fitted best.
Sizes near by follow as each fault moves by itself (the best pairs are solved again there),
so that sizes are integrated over as for single faults.  Only nominal units are solved:
covariance, and how far the mean of units is off, are borrowed from the row of the two that
is closer to the pair's nominal readings.  Of evidence and ripple that fault speaks which
is further from a sound unit's answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import Change, apply_changes
from netcheck.circuit.model import GROUND, Circuit
from netcheck.diagnose.dictionary import Point, column_of
from netcheck.diagnose.evidence import OVER
from netcheck.diagnose.hypotheses import NONE_SHARE, rounded_size
from netcheck.diagnose.investigation import Investigation
from netcheck.diagnose.ohms import LEAST_OHM, OPEN_FROM_OHM, network_of
from netcheck.diagnose.page import Page, solve_page
from netcheck.diagnose.posterior import (
    ALIKE,
    MISTAKE,
    Posterior,
    log_likelihoods,
    point_of,
    seen_value,
)
from netcheck.diagnose.readings import Reading
from netcheck.diagnose.situations import (
    IDLE,
    POWER_OFF,
    SITUATIONS,
    Situation,
    Spread,
    leak_ohm,
    shown_share,
    sides_of,
)
from netcheck.equations import inverse
from netcheck.faults import word_of
from netcheck.faults.base import Fault, size_text
from netcheck.models.diagnosis import CauseLine, Explained
from netcheck.solve.deck import NEUTRAL_OHM
from netcheck.workbench.pairs import LEAST_RELIEF, are_apart, may_follow

if TYPE_CHECKING:
    from netcheck.diagnose.investigation import Investigation


Array = NDArray[np.float64]
Nodes = NDArray[np.int64]
PairKind = Literal["causes", "both"]

MOST_PAIRS, MOST_CAUSAL = 60, 25
"""Pairs of causes solved at most, and how many of them may be causal."""
CAUSED, MOST_CAUSED = 10.0, 0.5
"""How much likelier than by chance a part is to have failed that another fault overloads, and
how likely at most: common practice (who finds a burnt part looks for what burned it)."""
LEAST_GAIN = 3.0**2 / 2.0
"""Log density to be gained over either fault alone: three deviations of one reading."""
REFINED, ROUNDS = 8, 4
"""Pairs that are solved anew in a round, at the sizes that fit better, and rounds."""
NOMINAL = Spread((), np.zeros((1, 0)))
NEAR = 3
"""Sizes further away, in steps of the grid, are not taken from the solved ones."""


@dataclass(frozen=True)
class PairCause:
    """Two faults at once, at the sizes that were solved and fit best.

    kind: whether the first brings the second about.  link: the part that the first
    overloads; of `both` the tube that the first heats and the second starves, if any.
    log_density: of readings and evidence, integrated over sizes as that of a whole cause.
    expected, sigma: by reading, as `seen_value` has it (ohms as logarithms), tolerance and
    meter together; nan for a ripple.
    """

    first: Fault
    second: Fault
    kind: PairKind
    link: str
    prior: float
    log_density: float
    expected: tuple[float, ...]
    sigma: tuple[float, ...]


@dataclass(frozen=True)
class PairsWeighed:
    """Pairs that were solved, the likeliest first.

    tried: pairs of causes solved, or in vain (`unsolved`, why).  left_out: pairs that could
    be true too, but promised less.
    """

    pairs: tuple[PairCause, ...]
    tried: int
    left_out: int
    unsolved: tuple[str, ...]


@dataclass(frozen=True)
class _Plan:
    """A pair of causes at some sizes (nodes)."""

    causes: tuple[int, int]
    nodes: tuple[int, int]
    kind: PairKind
    link: str
    prior: float


@dataclass(frozen=True)
class _Solved:
    """A pair solved at some sizes; fit: log density there; log_density: over sizes near by;
    weight: with the prior; better: the sizes that fit best, as seen from here."""

    plan: _Plan
    fit: float
    log_density: float
    weight: float
    better: _Plan
    expected: Array
    sigma: Array


def weigh_pairs(investigation: Investigation) -> PairsWeighed:
    """Choose pairs of faults, solve them and weigh them; without readings there are none."""
    if not investigation.metered:
        return PairsWeighed((), 0, 0, ())
    work = _Work(investigation)
    plans, possible = _chosen(work)
    found: dict[frozenset[int], _Solved] = {}
    unsolved: dict[frozenset[int], str] = {}
    asked = plans
    for _ in range(ROUNDS + 1):
        for plan, answer in zip(asked, _solve(work, asked), strict=True):
            known = found.get(key := frozenset(plan.causes))
            one = None if isinstance(answer, str) else _weighed(work, plan, answer)
            if isinstance(answer, str):
                unsolved[frozenset(plan.nodes)] = answer
            if one is not None and (known is None or one.fit > known.fit):
                found[key] = one
            elif known is not None:
                found[key] = replace(known, better=known.plan)
        order = sorted(found.values(), key=lambda one: (-one.weight, one.plan.causes))
        asked = [one.better for one in order[:REFINED] if one.better.nodes != one.plan.nodes]
        if not asked:
            break
    pairs, words = tuple(map(work.written, order)), tuple(unsolved.values())
    return PairsWeighed(pairs, len(plans), possible - len(plans), words)


class _Work:
    """What is known of single faults: readings and what was seen, by node."""

    def __init__(self, investigation: Investigation) -> None:
        self.basis = investigation.basis
        self.dictionary, self.heat = self.basis.dictionary, self.basis.heat
        self.readings, self.metered = investigation.readings, investigation.metered
        posterior = investigation.posterior
        self.known, self.sight = posterior.hypotheses, posterior.sight
        self.mean, self.covariance = posterior.mean, posterior.covariance
        rows = np.array([one.nominal for one in posterior.looked.foreseen]).T
        share = self.known.share[:, None]
        self.nominal = (1.0 - share) * rows[self.known.low] + share * rows[self.known.high]
        self.said = np.concatenate([investigation.evidence_by_node, investigation.ripple_by_node])
        odds = np.log(self.said) - np.log1p(-np.minimum(self.said, 1.0 - 1e-12))
        self.apart = np.abs(odds - odds[:, :1])
        self.usable = np.isfinite(self.nominal + self.mean).all(axis=1)
        whole = np.nan_to_num(self.covariance) + np.diag(self.sight.noise**2)
        self.sigma = np.sqrt(np.einsum("hii->hi", whole))
        self.precision = inverse(whole, ALIKE)
        self.log_determinant = np.linalg.slogdet(whole)[1]

    @cached_property
    def overloads(self) -> list[list[str]]:
        """Which parts are overloaded at idle, by row: heat, and volts of capacitors."""
        page, loads = self.dictionary.page(IDLE.key), {**self.heat.plate, **self.heat.part}
        for part in self.dictionary.circuit.of_kind("capacitor"):
            if part.note.volts_v:
                volts = page.nominal_volts(part.nets[0], part.nets[1], NEUTRAL_OHM)
                loads[part.ref] = np.abs(volts) / part.note.volts_v
        over = {ref: by_row > OVER * max(1.0, by_row[0]) for ref, by_row in loads.items()}
        return [[ref for ref in over if over[ref][row]] for row in range(len(page.reasons))]

    def row(self, node: int) -> int:
        """Return the row on file that is nearest to a node."""
        return int((self.known.high if self.known.share[node] >= 0.5 else self.known.low)[node])

    def fault(self, node: int) -> Fault:
        """Return the fault at the size of a node."""
        fault, size = self.dictionary.faults[self.row(node) - 1], self.known.sizes[node]
        if self.known.share[node] == 0.0 or size is None:
            return fault
        return self.basis.of_size(fault, size) or fault

    def log_said(self, first: Nodes, second: Nodes) -> Array:
        """Return the log probability of what was seen, by pair of nodes."""
        by_first = self.apart[:, first] >= self.apart[:, second]
        chosen = np.where(by_first, self.said[:, first], self.said[:, second])
        return np.asarray(np.log(chosen).sum(axis=0))

    def nearness(self, mean: Array, lender: int) -> Array:
        """Return the log density of the readings, with one mistake at most.

        mean: (pairs, readings); lender: whose covariance is taken.
        """
        sight, precision, count = self.sight, self.precision[lender], len(self.metered)
        away = sight.value - mean
        pulled, own = away @ precision, np.diag(precision)
        square = np.einsum("hi,hi->h", away, pulled) + self.log_determinant[lender]
        whole = -0.5 * (square + count * np.log(2.0 * np.pi)) + count * np.log1p(-MISTAKE)
        given = 0.5 * (np.log(own) - np.log(2.0 * np.pi) - pulled**2 / own)
        without = whole[:, None] + np.log(MISTAKE / (1.0 - MISTAKE)) - given - np.log(sight.span)
        return np.asarray(np.logaddexp(whole, np.logaddexp.reduce(without, axis=1)))

    def written(self, one: _Solved) -> PairCause:
        """Return a pair as it leaves, with the readings in their own order."""
        whole = np.full((2, len(self.readings)), np.nan)
        at = [at for at, each in enumerate(self.readings) if each.kind != "ripple"]
        whole[:, at] = one.expected, one.sigma
        expected, sigma = map(tuple, whole.tolist())
        plan, (first, second) = one.plan, one.plan.nodes
        return PairCause(
            self.fault(first), self.fault(second), plan.kind, plan.link, plan.prior,
            one.log_density, expected, sigma,
        )  # fmt: skip


def _screened(work: _Work) -> tuple[Array, Nodes]:
    """Return for two causes how well the sum of both explains the readings, and the sizes.

    best: (causes, causes) log density; nodes: (causes, causes, 2).  Cause 0 is none.
    """
    known, shift = work.known, work.nominal - work.nominal[0]
    every, count = np.arange(len(known.low)), len(known.causes)
    starts = np.searchsorted(known.cause, np.arange(count))
    best = np.full((count, count), -np.inf)
    nodes = np.zeros((count, count, 2), dtype=np.int64)
    for node in np.flatnonzero(work.usable).tolist():
        said = work.log_said(np.full_like(every, node), every)
        score = work.nearness(work.mean[node] + shift, node) + said
        score[~work.usable] = -np.inf
        most = np.maximum.reduceat(score, starts)
        at = np.flatnonzero(score == most[known.cause])
        place = np.zeros(count, dtype=np.int64)
        place[known.cause[at]] = at
        own = known.cause[node]
        more = most > best[own]
        best[own, more] = most[more]
        nodes[own, more] = np.stack([np.full(count, node), place], axis=1)[more]
    return best, nodes


def _chosen(work: _Work) -> tuple[list[_Plan], int]:
    """Return the pairs to solve, and how many could be true at once."""
    best, nodes = _screened(work)
    faults, causes = work.dictionary.faults, work.known.causes
    causal: list[tuple[float, float, _Plan]] = []
    others: list[tuple[float, float, _Plan]] = []
    possible = 0
    for pair in combinations(range(1, len(causes)), 2):
        if not are_apart(*(faults[causes[one].faults[0]] for one in pair)):
            continue
        possible += 1
        a, b = pair if best[pair] >= best[pair[::-1]] else pair[::-1]
        if np.isfinite(best[a, b]):
            plan = _planned(work, (a, b), (int(nodes[a, b, 0]), int(nodes[a, b, 1])))
            gain = float(best[a, b] - max(best[a, 0], best[b, 0]))
            promise = float(best[a, b] + np.log(plan.prior))
            (causal if plan.kind == "causes" else others).append((-promise, gain, plan))
    causal.sort(key=lambda one: (one[0], one[2].causes))
    others = [one for one in (*causal[MOST_CAUSAL:], *others) if one[1] >= LEAST_GAIN]
    others.sort(key=lambda one: (one[0], one[2].causes))
    return [plan for _, _, plan in (*causal[:MOST_CAUSAL], *others)][:MOST_PAIRS], possible


def _planned(work: _Work, causes: tuple[int, int], nodes: tuple[int, int]) -> _Plan:
    """Return a pair, as cause and consequence where it is, or what heats and starves a tube."""
    plates = work.heat.plate
    priors = [work.known.causes[cause].prior for cause in causes]
    plan = _Plan(causes, nodes, "both", "", priors[0] * priors[1])
    for each in (plan, replace(plan, causes=causes[::-1], nodes=nodes[::-1])):
        rows = [work.row(node) for node in each.nodes]
        first, second = (work.dictionary.faults[row - 1] for row in rows)
        for ref in work.overloads[rows[0]]:
            if may_follow(ref, first, second):
                chance = work.known.causes[each.causes[1]].prior
                prior = plan.prior * max(min(CAUSED, MOST_CAUSED / chance), 1.0)
                return replace(each, kind="causes", link=ref, prior=prior)
            by_row = plates.get(ref, np.zeros(1))
            starves = word_of(second).starves and ref in plates
            if starves and by_row[rows[1]] <= (1.0 - LEAST_RELIEF) * by_row[0] and not plan.link:
                plan = replace(each, link=ref)
    return plan


def _weighed(work: _Work, plan: _Plan, nominal: Array) -> _Solved:
    """Return a solved pair with its density at these sizes and over those near by."""
    nodes = plan.nodes
    off = [np.square((nominal - work.nominal[one]) / work.sigma[one]).sum() for one in nodes]
    lender = nodes[int(np.argmin(off))]
    mean = nominal + work.mean[lender] - work.nominal[lender]
    sizes = [np.flatnonzero((work.known.cause == one) & work.usable) for one in plan.causes]
    first, second = (grid.ravel() for grid in np.meshgrid(*sizes, indexing="ij"))
    moved = work.nominal[first] + work.nominal[second] - work.nominal[list(nodes)].sum(axis=0)
    means, said = mean + moved, work.log_said(first, second)
    top = int(np.argmax(work.nearness(means, lender) + said))
    near = (np.abs(first - nodes[0]) <= NEAR) & (np.abs(second - nodes[1]) <= NEAR)
    covariance = np.repeat(work.covariance[[lender]], int(near.sum()), axis=0)
    density = log_likelihoods(means[near], covariance, work.sight)[0] + said[near]
    share = np.log(work.known.weight[first[near]] * work.known.weight[second[near]])
    here = (first[near] == nodes[0]) & (second[near] == nodes[1])
    whole = float(np.logaddexp.reduce(density + share))
    better = _planned(work, plan.causes, (int(first[top]), int(second[top])))
    return _Solved(
        plan, float(density[here][0]), whole, whole + float(np.log(plan.prior)), better, mean,
        work.sigma[lender],
    )  # fmt: skip


def _solve(work: _Work, asked: Sequence[_Plan]) -> list[Array | str]:
    """Solve pairs at sizes: what would be read with nominal parts, or why there is nothing."""
    known = work.dictionary
    pairs = [(work.fault(one.nodes[0]), work.fault(one.nodes[1])) for one in asked]
    troubles = [_trouble(known.circuit, *pair) for pair in pairs]
    pages: dict[str, Page] = {}
    for situation in SITUATIONS:
        if not any(one.situation == situation.key != POWER_OFF.key for one in work.metered):
            continue
        variants = [
            None if trouble else _changes(situation, pair) or None
            for pair, trouble in zip(pairs, troubles, strict=True)
        ]
        pages[situation.key] = solve_page(
            known.pool(), known.circuit, situation, known.spread.on_mains, variants, NOMINAL
        )
    answers: list[Array | str] = []
    for row, (pair, trouble) in enumerate(zip(pairs, troubles, strict=True), start=1):
        reason = trouble or next((p.reasons[row] for p in pages.values() if p.reasons[row]), "")
        answer = reason or _read(work, pair, pages, row)
        ids = " & ".join(fault.id for fault in pair)
        answers.append(f"{ids}: {answer}" if isinstance(answer, str) else answer)
    return answers


def _trouble(circuit: Circuit, first: Fault, second: Fault) -> str:
    """Return why two faults cannot be put into one circuit; empty where they can."""
    try:
        apply_changes(circuit, first.changes + second.changes)
    except (KeyError, ValueError) as error:
        return f"both cannot be put into one circuit: {error}"
    return ""


def _changes(situation: Situation, pair: tuple[Fault, Fault]) -> tuple[Change, ...]:
    return tuple(each for fault in pair if situation.shows(fault) for each in fault.changes)


def _read(
    work: _Work, pair: tuple[Fault, Fault], pages: Mapping[str, Page], row: int
) -> Array | str:
    """Return what would be read, as readings are compared."""
    circuit, meter = work.dictionary.circuit, work.dictionary.options.meter
    network = network_of(apply_changes(circuit, _changes(POWER_OFF, pair)))
    values = np.zeros(len(work.metered))
    for at, reading in enumerate(work.metered):
        first, second = reading.first, reading.second
        load_ohm = (reading.meter or meter).load_ohm(reading.value)
        if reading.kind == "ohms":
            most = work.dictionary.open_ohm(point_of(reading))
            values[at] = np.log10(np.clip(network.ohm(first, second), LEAST_OHM, most))
            continue
        page = pages[reading.situation]
        if reading.kind == "volts":
            values[at] = page.nominal_volts(first, second, load_ohm)[row]
        elif reading.kind == "leak":
            values[at] = _leak_v(work, first, page, row, pair, load_ohm)
        else:
            values[at] = page.nominal[row, page.place[column_of(circuit, point_of(reading))]]
    return values if np.isfinite(values).all() else "a reading has no figure with both"


def _leak_v(
    work: _Work, ref: str, page: Page, row: int, pair: tuple[Fault, Fault], load_ohm: float
) -> float:
    """Return the volts at a coupling capacitor's lifted end.

    Where one of the pair is its leak, what stands before it is that of a sound unit.
    """
    sides = sides_of(work.dictionary.circuit, work.dictionary.roles, ref)
    own = [each for fault in pair if ref in fault.parts for each in fault.changes]
    leak = leak_ohm(own, sides)
    before = 0 if leak < NEUTRAL_OHM else row
    share = shown_share(page.source_ohm(sides[0], GROUND), np.array(leak), load_ohm)[before]
    return float(page.nominal_volts(sides[0], GROUND, NEUTRAL_OHM)[before] * share)


PAIR = "pair"
SIGMAS = 1.645
"""Half of a band of 90 % of a normal distribution."""


def pair_line(investigation: Investigation, pair: PairCause, share: float, group: int) -> CauseLine:
    """Return two faults at once; they are in no group with others."""
    first, second = pair.first, pair.second
    why = f" {_short_id(first)} overloads {pair.link}." if pair.kind == "causes" else ""
    open_ohm = investigation.basis.dictionary.open_ohm
    foreseen = zip(investigation.readings, pair.expected, pair.sigma, strict=True)
    return CauseLine(
        f"{_short_id(first)} & {_short_id(second)}",
        tuple(dict.fromkeys((*first.parts, *second.parts))),
        PAIR,
        f"{first.summary} {second.summary}{why}",
        share,
        pair.prior,
        group,
        explained=tuple(_explained(*one, open_ohm) for one in foreseen),
        next_step=first.next_measurement,
    )


def _short_id(fault: Fault) -> str:
    """Return a fault's id, its size as finely as a log grid can tell."""
    if fault.defect is None or fault.stem == fault.id:
        return fault.id
    size = size_text(rounded_size(fault.defect.value, fault.defect.unit), fault.defect.unit)
    return f"{fault.stem}@{size}"


def shown(point: Point, value: float, open_ohm: float) -> float:
    """Return a value of the dictionary as a meter shows it: ohms from their logarithm."""
    if point.kind != "ohms":
        return value
    ohm = 10.0**value
    return math.inf if ohm >= 0.99 * open_ohm else ohm


def _explained(
    reading: Reading, value: float, sigma: float, open_ohm: Callable[[Point], float]
) -> Explained:
    """Return what a pair expects of a reading, its band, and how far the reading is off."""
    point = point_of(reading)
    if math.isnan(value) or reading.kind == "ripple":
        return Explained(math.nan, math.nan, math.nan, math.nan)
    most = open_ohm(point) if reading.kind == "ohms" else OPEN_FROM_OHM
    expected, low, high = (
        shown(point, value + side * SIGMAS * sigma, most) for side in (0.0, -1.0, 1.0)
    )
    return Explained(expected, low, high, (seen_value(reading, most) - value) / sigma)


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
