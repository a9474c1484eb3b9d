"""Limits of parts, and loads: what a solved state comes to against them.

This is the only place that knows what `at_limit` means in figures, and from where on a
load is charged to a fault.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from netcheck.conditions import COLD_START, DRIVEN, IDLE, ConditionKind, condition_kind, is_in_use
from netcheck.ratings.systems import RatingSystem

__all__ = [
    "CHARGE_MARGIN",
    "GROSS_RATIO",
    "LOWEST_AT_LIMIT",
    "LimitTable",
    "Load",
    "NotJudged",
    "PartLimit",
    "RatingSystem",
    "Verdict",
    "ratio_verdict",
]

Verdict = Literal[
    "over_limit", "not_solved", "not_judged", "at_limit", "over_in_health", "within_limits"
]
"""Gravest first.  `over_in_health`: a part is over its limit, as it is in the healthy
circuit, and the fault adds next to nothing."""

AT_LIMIT_BAND = 0.05
"""Within 5 % of a limit is `at_limit`: published class-A points sit at 100 %."""
LOWEST_AT_LIMIT, HIGHEST_AT_LIMIT = 1.0 - AT_LIMIT_BAND, 1.0 + AT_LIMIT_BAND
"""Ratios to a limit between these are `at_limit`; nothing else works them out."""

CHARGE_MARGIN = 0.05
"""A fault is charged with a load once it adds more than 5 % of the limit to the
healthy ratio.  That is the width of the `at_limit` band, and above the settling
error of a driven run (1 to 2 % in the median)."""


GROSS_RATIO = 3.0
"""Beyond three times a limit the order is noise."""

EVERY_CONDITION: frozenset[ConditionKind] = frozenset({IDLE, DRIVEN, COLD_START})
TUBES_CONDUCTING: frozenset[ConditionKind] = frozenset({IDLE, DRIVEN})


@dataclass(frozen=True, slots=True)
class Core:
    """The windings on one core.

    windings: the first is a plate winding, by which flux is told.  henry: mutual inductance
    of each with the first, negative where it is wound the other way.  plates: plate windings.
    """

    windings: tuple[str, ...]
    henry: Mapping[str, float]
    plates: frozenset[str]


@dataclass(frozen=True, slots=True)
class PartLimit:
    """One limit of one part.

    quantity: plate_dissipation_w screen_dissipation_w plate_peak_v
        plate_plus_screen_dissipation_w both_plates_dissipation_w plate_voltage_v
        screen_voltage_v plate_and_screen_voltage_v grid_voltage_negative_v
        cathode_current_a heater_cathode_voltage_v output_current_a (rectifier)
        power_w (resistor) voltage_v (capacitor) current_a (winding)
        supply_current_a (source) core_flux_vs (first winding on a core).
    limit: the published figure; compared_limit: after scaling to the rating
        system that the nominal comparison stands for.
    conditions: kinds of conditions it is compared in; see `condition_kind`.
    company: the other parts a summed limit is about (both plates of a twin).
    at_current: a limit for a tube that draws no current, for one that does, or
        for both (`any`).
    reference_v: what a heater-cathode voltage is measured from [V to ground].
    assumed: true where nobody published the figure.
    core: of a flux, what is wound on it.
    in_use_only: not compared beyond use, such as in overdrive.
    """

    part: str
    quantity: str
    limit: float
    compared_limit: float
    rating_system: RatingSystem
    comparison: str
    source: str
    conditions: frozenset[ConditionKind]
    company: tuple[str, ...] = ()
    at_current: Literal["any", "flowing", "zero"] = "any"
    reference_v: float = 0.0
    assumed: bool = False
    core: Core | None = None
    in_use_only: bool = False

    def applies_in(self, condition: str) -> bool:
        """Say whether the limit is compared in the condition of this name."""
        beyond = self.in_use_only and not is_in_use(condition)
        return condition_kind(condition) in self.conditions and not beyond


@dataclass(frozen=True, slots=True)
class NotJudged:
    """A part, or one quantity of it, without a limit to compare with.

    ratable: false for what is not a part that could be bought (a loss, a load).
    """

    part: str
    quantity: str
    reason: str
    ratable: bool = True

    def __str__(self) -> str:
        return f"{self.part}: {self.quantity}: {self.reason}"


@dataclass(frozen=True, slots=True)
class LimitTable:
    """Every limit the circuit is judged by, and what is not judged.

    assumptions: sentences for the report on what was taken for granted.
    in_health: the limits of the healthy circuit, where a fault brings others: a tube of
        another type is held against its own, and health against the right tube's.
    by_supply: resistors that stand for the inside of a supply, whose current is judged.
    """

    limits: tuple[PartLimit, ...]
    not_judged: tuple[NotJudged, ...] = ()
    assumptions: tuple[str, ...] = ()
    in_health: tuple[PartLimit, ...] | None = None
    by_supply: frozenset[str] = frozenset()


def ratio_verdict(ratio: float) -> Verdict:
    """Return where a ratio to a limit stands; not a number is `not_judged`."""
    if math.isnan(ratio):
        return "not_judged"
    if ratio > HIGHEST_AT_LIMIT:
        return "over_limit"
    return "at_limit" if ratio >= LOWEST_AT_LIMIT else "within_limits"


@dataclass(frozen=True, slots=True)
class Load:
    """One judged quantity of one part under one condition.

    limit is the published figure, compared_limit that figure scaled to the rating system
    which the comparison stands for.  healthy_ratio: of the same limit in health.
    rank_class: 0 tubes and transformers, 1 other parts; the first are ranked first.
    source: of the limit.  input_v: peak of the test signal [V], of the worst drive only.
    """

    part: str
    quantity: str
    condition: str
    value: float
    limit: float
    compared_limit: float
    healthy_ratio: float
    rating_system: RatingSystem
    comparison: str
    rank_class: int
    source: str = ""
    input_v: float = 0.0

    @property
    def ratio(self) -> float:
        """The value over the limit as compared."""
        return self.value / self.compared_limit

    @property
    def level(self) -> Verdict:
        """Where it stands against its limit, whoever is to blame."""
        return ratio_verdict(self.ratio)

    @property
    def adds_to_health(self) -> bool:
        """Whether it exceeds the healthy load by more than the charge margin."""
        return self.ratio - self.healthy_ratio > CHARGE_MARGIN

    @property
    def is_charged(self) -> bool:
        """Whether it is at or over its limit, and that is the fault's doing."""
        return self.ratio >= LOWEST_AT_LIMIT and self.adds_to_health

    @property
    def verdict(self) -> Verdict:
        """What it makes of the fault: its level where that is the fault's doing.

        A part that is over its limit without the fault's doing is over it in health
        already; one that a step within the charge margin takes there is at its limit.
        """
        ratio = self.ratio
        if ratio < LOWEST_AT_LIMIT:  # most are
            return "within_limits"
        level = ratio_verdict(ratio)
        if self.adds_to_health or level == "not_judged":
            return level
        if level != "over_limit":
            return "within_limits"
        already = ratio_verdict(self.healthy_ratio) == "over_limit"
        return "over_in_health" if already else "at_limit"
