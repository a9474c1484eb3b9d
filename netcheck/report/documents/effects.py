"""What a fault does besides loading parts, and the circuit's own feedback, as JSON."""

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from netcheck.judge.fed_back import Ending
from netcheck.judge.fused import FuseWord
from netcheck.judge.paired import PairKind
from netcheck.ratings.fuses import Opening
from netcheck.report.documents.objects import ITSELF, Figure, From, Text
from netcheck.report.documents.shared import Verdict

Count = Annotated[int, Field(ge=0)]


@dataclass(frozen=True)
class FuseLoadObject:
    """rms current; opens_within_s null: it need not open. The gates of fast and slow fuses of IEC
    60127-2 taken together.
    """

    part: str
    condition: str
    current_a: Figure
    rating_a: Figure
    times_rating: Figure
    opening: Annotated[Opening, From("time.opening")]
    opens_after_s: Annotated[Figure, From("time.least_s")]
    opens_within_s: Annotated[Figure, From("time.most_s")]


@dataclass(frozen=True)
class FaultFuseObject:
    """quiet_overload: a part gets too hot under a condition in which no fuse opens within
    seconds.
    """

    verdict: Annotated[FuseWord, From("word")]
    quiet_overload: Annotated[bool, From("quiet")]
    hardest: FuseLoadObject | None


@dataclass(frozen=True)
class BodyObject:
    """What is heated in a part, and by how much more than in health. part is empty for what no
    part accounts for.
    """

    part: str
    place: str
    power_w: Figure


@dataclass(frozen=True)
class EnergyObject:
    """What the sources deliver, what of it is found again in parts, and what the fault adds to
    bodies that nothing judges, the largest of them by name.
    """

    supplied_w: Figure
    accounted_w: Figure
    unjudged_w: Figure
    is_judged: bool
    unjudged: Annotated[list[BodyObject], From("largest")]


@dataclass(frozen=True)
class HeatObject:
    """An estimate. times_rated: heat over rated heat (a winding's with the square of its current).
    soonest_s, latest_s: a plate's time to the first visible glow, null where it stays dark; else
    the time until it is hotter than its rating allows.
    """

    part: str
    quantity: str
    condition: str
    times_rated: Figure
    low_c: Figure
    high_c: Figure
    soonest_s: Figure
    latest_s: Figure
    words: Annotated[str, From("word")]
    source: str


@dataclass(frozen=True)
class EmissionObject:
    """With a grid that warms little (250 C, half of the tube's further heat, doubling every 15
    degrees) and one that warms much (400 C, all of it, 10 degrees); null: none that was tried.
    """

    slow_doubling: Annotated[Figure, From(lambda found: found.emission_a[0])]
    fast_doubling: Annotated[Figure, From(lambda found: found.emission_a[1])]


@dataclass(frozen=True)
class FeedbackCaseObject:
    """undecided: it settles with a grid that warms little and runs away with one that warms
    much. Figures are for the first, but grid_current_most_a; null where that runs away.
    """

    fault_id: str
    ending: Ending
    loop_gain: Figure
    grid_current_a: Figure
    plate_dissipation_w: Annotated[Figure, From("plate_w")]
    grid_current_most_a: Figure


@dataclass(frozen=True)
class FeedbackObject:
    """gain_per_share times the share of gas is the loop gain at rest. Emission is that at the
    healthy heat.
    """

    tube: str
    bias: str
    grid_ohm: Figure
    published_limit_ohm: Annotated[Figure, From("limit_ohm")]
    limit_source: Text
    gain_per_share: Figure
    runs_away_at_gas_share: Annotated[Figure, From("gas_share")]
    runs_away_at_emission_a: Annotated[EmissionObject, ITSELF]
    cases: list[FeedbackCaseObject]
    reason: Text


@dataclass(frozen=True)
class PairLoadObject:
    """One judged quantity."""

    part: str
    quantity: str
    value: Figure
    limit: Figure
    ratio: Figure


@dataclass(frozen=True)
class PairObject:
    """causes: the first overloads what the second is a failure of. hides: both together pass for
    healthy.
    """

    first: Annotated[str, From("first_id")]
    second: Annotated[str, From("second_id")]
    kind: PairKind
    link: str
    why: str
    verdict: Verdict
    worst: PairLoadObject | None
    first_alone: PairLoadObject | None
    new_victims: list[str]
    other_sizes: Annotated[Count, From("others")]
    reason: Text


@dataclass(frozen=True)
class PairsObject:
    """possible: all pairs of two faults; plausible: those a rule joins; nothing_hidden: solved for
    masking in vain.
    """

    possible: Count
    plausible: Count
    solved: Count
    not_tried: Annotated[Count, From(lambda found: found.possible - found.solved)]
    plausible_not_tried: Annotated[Count, From(lambda found: found.plausible - found.solved)]
    nothing_hidden: Annotated[Count, From("not_hidden")]
    pairs: list[PairObject]
