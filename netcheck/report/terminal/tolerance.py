"""The tolerance section: what spreads, which limits built units exceed, and why."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from netcheck.judge.base import ratio_verdict
from netcheck.judge.statistics import CONFIDENCE, Share
from netcheck.judge.toleranced import Influence, LimitSpread, Toleranced
from netcheck.models.audit import Audit
from netcheck.models.facts import sorted_spreads
from netcheck.report.terminal.layout import (
    DEFAULT_ROWS,
    Column,
    bullets,
    heading,
    paragraph,
    table,
    verdict_text,
)
from netcheck.report.terminal.tolerance_driven import write_driven_corners
from netcheck.report.words import amount, counted, quantity_words, ratio_words

_CAUSES = 3
_LEAST_SHARE = 0.02
"""Causes below this share of the variance are not named."""
_CASES = {"nominal": "nominal", "toleranced": "tolerance", "worst_case": "worst"}


def write_tolerance(console: Console, audit: Audit, show_all: bool) -> None:
    """Write the drawn units and the corners, the limits nearest first."""
    found = audit.tolerance
    if found is None:
        return
    heading(console, "Healthy, over mains, parts and tubes (idle)")
    paragraph(console, _opening(found))
    spreads = sorted_spreads(found.limits)
    shown = spreads if show_all else [one for one in spreads if _matters(one)][:DEFAULT_ROWS]
    columns = [
        Column("limit"),
        *(Column(title, "right") for title in ("nominal", "90 % of units")),
        *(Column(title, "right") for title in ("tolerance", "worst")),
        Column("units over it", "right"),
        Column("judged at"),
    ]
    if shown:
        table(console, columns, [_row(one) for one in shown])
        paragraph(console, _legend())
        bullets(console, [_causes(one) for one in shown if one.influences])
    if len(spreads) > len(shown):
        rest = counted(len(spreads) - len(shown), "limit")
        why = "" if len(shown) == DEFAULT_ROWS else " (no unit drawn and no worst case reaches it)"
        paragraph(console, f"Not shown: {rest}{why}; --all shows them.")
    write_driven_corners(console, found)
    for reason in found.reasons:
        paragraph(console, f"Not solved in some units: {reason}")
    bullets(console, [f"taken for granted: {sentence}" for sentence in found.assumptions])


def _opening(found: Toleranced) -> str:
    missing = found.exceeding_any.not_solved
    lost = f", {missing} not solved" if missing else ""
    return (
        f"{counted(found.draws, 'unit')} drawn (seed {found.seed}{lost}): {found.mains}; "
        f"{len(found.variables)} quantities spread. Units that exceed at least one limit as "
        f"published: {share_words(found.exceeding_any)}."
    )


def share_words(share: Share) -> str:
    """Return `3.2 % (2.5 to 4.1 %)`: the drawn share and its interval."""
    if not share.solved:
        return "unknown"
    ends = f"{_percent(share.low)} to {_percent(share.high)} %"
    return f"{_percent(share.value)} % ({ends})"


def _percent(share: float) -> str:
    percent = 100.0 * share
    return f"{percent:.0f}" if percent >= 10.0 or percent == 0.0 else f"{percent:.2g}"


def _legend() -> str:
    return (
        "Nominal, tolerance and worst are times the limit as published: everything nominal; mains "
        "and parts at their worse ends with bogey tubes; tubes at their worse ends too. Judged at: "
        "what the limit's rating system asks for (design-center: nominal; design-maximum: "
        "tolerance; absolute-maximum: worst). A design-center limit has the usual spread in it: "
        "some units over it are no verdict. In brackets the "
        f"{CONFIDENCE:.0%} interval of Clopper and Pearson."
    )


def _matters(one: LimitSpread) -> bool:
    worst = one.worst_case or 0.0
    return bool(one.exceeding.exceeding) or ratio_verdict(worst / one.limit) != "within_limits"


def _row(one: LimitSpread) -> list[str | Text]:
    judged = one.judged
    verdict = verdict_text(ratio_verdict(judged) if judged is not None else "not_solved")
    case = f"{_CASES[one.case]} {_ratio(judged)}: "
    return [
        f"{one.part} {quantity_words(one.quantity)}, {amount(one.limit, one.quantity)}",
        ratio_words(one.nominal / one.limit),
        f"{ratio_words(one.low / one.limit)}-{ratio_words(one.high / one.limit)}",
        _ratio(None if one.toleranced is None else one.toleranced / one.limit),
        _ratio(None if one.worst_case is None else one.worst_case / one.limit)
        + ("+" if one.drawn_worse else ""),
        share_words(one.exceeding),
        case + verdict.plain,
    ]


def _ratio(ratio: float | None) -> str:
    return "?" if ratio is None else ratio_words(ratio)


def _causes(one: LimitSpread) -> str:
    """Return `X4 plate: 49 % of the spread comes from mains (0.40 to 0.64), ...`."""
    named = [
        f"{each.variable} {each.variance_share:.0%} ({ratio_words(min(_ends(each)))} to "
        f"{ratio_words(max(_ends(each)))})"
        for each in one.influences[:_CAUSES]
        if each.variance_share >= _LEAST_SHARE
    ]
    what = f"{one.part} {quantity_words(one.quantity)}"
    if not named:
        return f"{what}: no single tolerance matters"
    return f"{what}, share of its spread, and its times limit with this alone at its ends: " + (
        ", ".join(named)
    )


def _ends(each: Influence) -> tuple[float, float]:
    return each.low_ratio, each.high_ratio
