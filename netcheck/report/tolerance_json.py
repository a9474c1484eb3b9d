"""The tolerance section of the JSON report."""

from __future__ import annotations

from typing import Any

from netcheck.judge.statistics import CONFIDENCE, Share
from netcheck.judge.toleranced import (
    DrivenCorner,
    Influence,
    LimitSpread,
    Toleranced,
    Variable,
)
from netcheck.report.facts import sorted_spreads
from netcheck.report.numbers import number

Json = dict[str, Any]


def tolerance_object(found: Toleranced) -> Json:
    """Return the section, limits in the order of the text report."""
    return {
        "draws": found.draws,
        "seed": found.seed,
        "mains": found.mains,
        "interval": f"Clopper-Pearson, {CONFIDENCE:.0%}",
        "units_over_any_limit": _share(found.exceeding_any),
        "limits": [_limit(one) for one in sorted_spreads(found.limits)],
        "variables": [_variable(one) for one in found.variables],
        "assumptions": list(found.assumptions),
        "not_solved_reasons": list(found.reasons),
        "driven": [_corner(one) for one in found.driven],
    }


def _share(share: Share) -> Json:
    return {
        "units": share.exceeding,
        "of": share.solved,
        "not_solved": share.not_solved,
        "share": number(share.value) if share.solved else None,
        "low": number(share.low),
        "high": number(share.high),
    }


def _limit(one: LimitSpread) -> Json:
    return {
        "part": one.part,
        "quantity": one.quantity,
        "limit": number(one.limit),
        "rating_system": one.rating_system,
        "case": one.case,
        "comparison": one.comparison,
        "judged_ratio": number(one.judged),
        "nominal": number(one.nominal),
        "toleranced": number(one.toleranced),
        "worst_case": number(one.worst_case),
        "worst_case_drawn": one.drawn_worse,
        "mean": number(one.mean),
        "percentile_5": number(one.low),
        "percentile_95": number(one.high),
        "units_over": _share(one.exceeding),
        "influences": [_influence(each) for each in one.influences],
        "worst_corner": {name: number(factor) for name, factor in one.corner},
    }


def _corner(one: DrivenCorner) -> Json:
    return {
        "part": one.part,
        "quantity": one.quantity,
        "condition": one.condition,
        "input_v": number(one.input_v),
        "limit": number(one.limit),
        "rating_system": one.rating_system,
        "case": one.case,
        "comparison": one.comparison,
        "judged_ratio": number(one.judged),
        "nominal": number(one.nominal),
        "toleranced": number(one.toleranced),
        "worst_case": number(one.worst_case),
        "not_solved_reasons": list(one.reasons),
    }


def _influence(each: Influence) -> Json:
    return {
        "variable": each.variable,
        "variance_share": number(each.variance_share),
        "ratio_at_low_end": number(each.low_ratio),
        "ratio_at_high_end": number(each.high_ratio),
    }


def _variable(one: Variable) -> Json:
    return {
        "name": one.name,
        "kind": one.kind,
        "parts": list(one.parts),
        "low": number(one.low),
        "high": number(one.high),
        "sigma": number(one.sigma) if one.sigma else None,
        "source": one.source,
    }
