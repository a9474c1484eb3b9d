"""Hypotheses: every cause at every size that is weighed, and how likely each is at first.

Comes in: the faults of the dictionary.  Goes out: causes (a fault without its size), and
nodes, a cause at one size.  Between two sizes on file the readings are interpolated, unit
by unit, over the logarithm of the size, so that the unknown size is integrated over a
log grid and not guessed; each node stands for the sizes half way to its neighbors.
"""

from __future__ import annotations

import math
from collections.abc import Container, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from netcheck.faults.base import Fault, size_text
from netcheck.models.diagnosis import NO_FAULT

STEPS = 3
"""Nodes from one size on file to the next."""
NEAR_WHOLE = 80.0
"""Shares from here on [%] are told apart by less than a tenth: mains, weak tubes."""
FAR_APART = 30.0
"""Sizes further apart than this factor are not interpolated."""
SOUND_ROW = (0, 0, 0.0)
NO_FAULT_SHARE, NONE_SHARE = 0.05, 0.03
"""Prior of a sound unit and of a fault outside the catalogue: our choice; texts on
diagnosis advise a few percent for what is not modelled."""


Places = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]
_Place = tuple[int, int, float]


@dataclass(frozen=True, slots=True)
class CauseOf:
    """A fault without its size.

    faults: its sizes, as numbers in the list of faults, in the order of the size.
    """

    id: str
    faults: tuple[int, ...]
    prior: float


@dataclass(frozen=True)
class Hypotheses:
    """Causes and nodes; cause 0 is the sound unit, with one node.

    low, high: rows of the dictionary that a node lies between.  share: how far it is
    towards `high`.  cause: by node.  weight: prior of the node within its cause.
    begins, ends: (low, high, share) of the sizes that a node stands for; None where each
    stands for its own alone.
    """

    causes: tuple[CauseOf, ...]
    low: NDArray[np.int64]
    high: NDArray[np.int64]
    share: NDArray[np.float64]
    cause: NDArray[np.int64]
    weight: NDArray[np.float64]
    sizes: tuple[float | None, ...]
    begins: Places | None = None
    ends: Places | None = None

    @property
    def prior(self) -> NDArray[np.float64]:
        """Prior of each cause; what is missing to 1 is of a fault not in the catalogue."""
        return np.array([one.prior for one in self.causes])


def hypotheses_of(
    faults: Sequence[Fault],
    reasons: Sequence[str],
    swept: Container[tuple[tuple[str, ...], str]],
) -> Hypotheses:
    """Return causes and nodes of all faults that were solved.

    reasons: by row of the dictionary.  swept: parts and kind of faults of any size.
    """
    groups: dict[tuple[tuple[str, ...], str, str], list[int]] = {}
    for number, fault in enumerate(faults):
        if not reasons[number + 1]:
            groups.setdefault((fault.parts, fault.kind, fault.stem), []).append(number)
    weights = [max(faults[at].likelihood.value for at in group) for group in groups.values()]
    scale = (1.0 - NO_FAULT_SHARE - NONE_SHARE) / (sum(weights) or 1.0)
    causes = [CauseOf(NO_FAULT, (), NO_FAULT_SHARE)]
    nodes = [_Node(SOUND_ROW, 1.0, SOUND_ROW, SOUND_ROW)]
    cause = [0]
    for (parts, kind, cause_id), weight in zip(groups, weights, strict=True):
        members = sorted(groups[parts, kind, cause_id], key=lambda at: _size(faults[at]) or 0.0)
        found = _nodes(faults, members, (parts, kind) in swept)
        nodes += found
        cause += [len(causes)] * len(found)
        causes.append(CauseOf(cause_id, tuple(members), weight * scale))
    at = _places([one.at for one in nodes])
    weights_of_nodes = np.array([one.weight for one in nodes])
    return Hypotheses(
        tuple(causes),
        *at,
        np.array(cause),
        _per_cause(weights_of_nodes, np.array(cause)),
        tuple(_between(faults, *one.at) for one in nodes),
        _places([one.begins for one in nodes]),
        _places([one.ends for one in nodes]),
    )


def _places(places: Sequence[_Place]) -> Places:
    low, high, share = zip(*places, strict=True)
    return np.array(low), np.array(high), np.array(share, dtype=float)


def size_words(hypotheses: Hypotheses, faults: Sequence[Fault], node: int) -> str:
    """Return the size of a node as a person writes it; empty where it has none."""
    size, row = hypotheses.sizes[node], int(hypotheses.low[node])
    defect = faults[row - 1].defect if row else None
    if size is None or defect is None:
        return ""
    return size_text(rounded_size(size, defect.unit), defect.unit, " ")


def rounded_size(size: float, unit: str) -> float:
    """Return a size as finely as a log grid can tell; about 100 % a little finer."""
    return float(f"{size:.{3 if unit == '%' and size >= NEAR_WHOLE else 2}g}")


def _size(fault: Fault) -> float | None:
    return fault.defect.value if fault.defect is not None else None


@dataclass(frozen=True, slots=True)
class _Node:
    """A place between two rows, its weight, and where the sizes it stands for begin and end."""

    at: _Place
    weight: float
    begins: _Place
    ends: _Place


def _nodes(faults: Sequence[Fault], members: list[int], is_swept: bool) -> list[_Node]:
    """Return the nodes of one cause.

    Between two sizes that are joined the weight is that of a log grid (trapezoid); sizes
    that stand alone, such as those of wrong parts, count one each.
    """
    sizes = [_size(faults[at]) or 0.0 for at in members]
    likely = [faults[at].likelihood.value for at in members]
    joined = [is_swept and 0.0 < a < b <= FAR_APART * a for a, b in pairwise(sizes)]

    def place(step: float) -> _Place:
        at = min(int(step), len(members) - 1)
        share = step - at
        return members[at] + 1, members[at + 1 if share else at] + 1, share

    nodes = []
    for step in range(STEPS * (len(members) - 1) + 1):
        at, inside = divmod(step, STEPS)
        before = joined[at - (inside == 0)] if step else False
        after = at < len(joined) and joined[at]
        here = step / STEPS
        if not (before or after):
            if inside == 0:
                nodes.append(_Node(place(at), likely[at], place(at), place(at)))
            continue
        share = here - at
        weight = (1.0 - share) * likely[at] + (share * likely[at + 1] if share else 0.0)
        width = sum(
            math.log(sizes[one + 1] / sizes[one]) / STEPS / 2.0
            for one, is_there in ((at - (inside == 0), before), (at, after))
            if is_there
        )
        ends = (here - 0.5 / STEPS * before, here + 0.5 / STEPS * after)
        nodes.append(_Node(place(here), weight * width, place(ends[0]), place(ends[1])))
    return nodes


def _per_cause(weight: NDArray[np.float64], cause: NDArray[np.int64]) -> NDArray[np.float64]:
    total = np.zeros(int(cause.max()) + 1)
    np.add.at(total, cause, weight)
    return np.asarray(weight / total[cause])


def _between(faults: Sequence[Fault], low: int, high: int, share: float) -> float | None:
    """Return the size of a node; None where it has none."""
    if low == 0:
        return None
    a, b = _size(faults[low - 1]), _size(faults[high - 1])
    if a is None or b is None:
        return None
    return a if share == 0.0 else a * (b / a) ** share
