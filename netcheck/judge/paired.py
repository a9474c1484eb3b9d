"""What is said of two faults at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from netcheck.judge.base import Load, Verdict

PairKind = Literal["causes", "hides"]


@dataclass(frozen=True, slots=True)
class Pair:
    """Two faults of one circuit, solved together at idle.

    kind: `causes`, the first overloads the part that the second is a failure of;
    `hides`, the second keeps within its limits what the first alone overloads, so that
    mending the second alone lets the first loose.
    link: the part that joins them.  why: one sentence.  verdict: of both at once.
    worst: of both at once.  first_alone: with the first fault only, the same part and
    quantity (`hides`: what it overheats most), None where that was not judged.
    new_victims: parts over a limit with both, which are not with either alone.
    others: pairs of the same parts and kinds but of other sizes that end alike.
    """

    first_id: str
    second_id: str
    kind: PairKind
    link: str
    why: str
    verdict: Verdict
    worst: Load | None
    first_alone: Load | None
    new_victims: tuple[str, ...]
    reason: str = ""
    others: int = 0


@dataclass(frozen=True, slots=True)
class Pairs:
    """The pairs that were solved, the worst first, and how many there are besides.

    possible: all pairs of two faults.  plausible: those that one of the rules joins;
    solved: of these, those that were solved, at most a stated number.  not_hidden: pairs
    solved for masking in which nothing was hidden.
    """

    pairs: tuple[Pair, ...]
    possible: int
    plausible: int
    solved: int
    not_hidden: int
