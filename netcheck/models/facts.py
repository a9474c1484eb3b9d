"""Facts that every writer works out from an `Audit` in the same way.

Comes in: the audit.  Goes out: findings in a fixed order, the verdict of the
healthy circuit, the volts a meter shows, tipping points by how small a defect is
enough, stages in the order the signal takes.  Nothing here depends on clock,
machine or the order in which workers finished.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import PurePath, PurePosixPath, PureWindowsPath

from netcheck.circuit.model import Circuit, Part, natural_key
from netcheck.conditions import FULL, IDLE, condition_place, is_in_use
from netcheck.findings import Finding
from netcheck.judge.base import Verdict, ratio_verdict
from netcheck.judge.duty import CONTINUOUS
from netcheck.judge.toleranced import LimitSpread
from netcheck.models.audit import Audit
from netcheck.roles.table import RoleName
from netcheck.solve.results import Solved
from netcheck.tipping import TippingPoint, times_what_passes
from netcheck.units import format_quantity

_LEVELS = ("error", "warning", "note")
Limits = Mapping[tuple[str, str, str], float]
"""Limits as compared, by part, quantity and condition."""
_WIDE_SEARCH = 30.0
"""A search over a wider range than this ran on a log scale."""


def shown_file(name: str) -> str:
    """Return a file name that tells nothing of the machine it stands on."""
    for path in (PurePosixPath(name), PureWindowsPath(name)):
        if path.is_absolute() or path.drive:
            return path.name
    return name


def shown_title(audit: Audit) -> str:
    """Return the netlist's title, or its last part where it is a path."""
    return title_of(audit.circuit)


def title_of(circuit: Circuit) -> str:
    """Return the title of a circuit, or its last part where it is a path."""
    title = circuit.title.strip()
    if re.match(r"(?:\*\s*)?(?:[A-Za-z]:[\\/]|/|~|\\\\)\S*[\\/]", title):
        return PurePath(re.split(r"[\\/]", title)[-1]).name
    return title


def type_name(part: Part) -> str:
    """Return the type of a tube: on file, else as written on its card."""
    if part.tube:
        return part.tube.name
    return part.element.name if part.element else ""


def condition_order(names: Iterable[str]) -> list[str]:
    """Sort conditions as in the register of them, then those without a row."""
    return sorted(names, key=lambda name: (condition_place(name), natural_key(name)))


def sorted_findings(findings: Iterable[Finding]) -> list[Finding]:
    """Sort findings by level, then by place."""

    def key(finding: Finding) -> tuple[object, ...]:
        span = finding.span
        place = (span.file, span.line, span.column) if span else ("", 0, 0)
        return (
            _LEVELS.index(finding.level),
            *place,
            finding.rule,
            natural_key(finding.part),
            finding.message,
        )

    return sorted(findings, key=key)


def meter_readings(solved: Solved) -> dict[str, float]:
    """Return net volts as a meter shows them, in natural order."""
    nets = {**solved.nets, **solved.readings}
    return {net: nets[net] for net in sorted(nets, key=natural_key)}


def output_words(audit: Audit, state: Solved) -> str:
    """Return what a driven circuit gives: watts, or volts where it has no output transformer."""
    loads = [*audit.roles.named(RoleName.SPEAKER_LOAD), *audit.roles.named(RoleName.OUTPUT_LOAD)]
    watts = format_quantity(state.output_w, "W", 3) if math.isfinite(state.output_w) else ""
    if math.isfinite(state.primary_output_w):
        primary = format_quantity(state.primary_output_w, "W", 3)
        given = (
            f"{watts} at the speaker ({primary} at the primary)"
            if watts
            else (f"{primary} at the primary")
        )
    else:
        gain = state.output_peak_v / state.input_v
        peak = format_quantity(state.output_peak_v, "V", 3)
        given = f"{peak} peak at the output (gain {gain:.3g})"
        if watts and loads:
            ohm = format_quantity(audit.circuit[loads[0].part].value or 0.0, "ohm", 3)
            given += f", {watts} in {loads[0].part} of {ohm}"
    return f"{given}, distortion {state.distortion:.1%}"


def drive_words(audit: Audit) -> str:
    """Return what stands for a signal, one sentence."""
    sine = f"sine of {format_quantity(audit.frequency_hz, 'Hz')}"
    if audit.duty < CONTINUOUS:
        return (
            f"Driven means a {sine}, for heat at full level {100.0 * audit.duty:.3g} % of the time "
            "and at rest otherwise; peaks and volts are those of the full level."
        )
    return (
        f"Driven means a continuous {sine}: a test, not music, and harder on a tube than music of "
        "the same peaks."
    )


def healthy_ratios(audit: Audit) -> Iterator[tuple[float, str, str, str, float]]:
    """Give ratio, part, quantity, condition and limit of the healthy stresses in use.

    The worst drive up to full is one of them: a class-AB plate is hottest between
    the conditions that have a name.  Overdrive is a test of what lies beyond use;
    a healthy circuit that is overloaded there gets a finding instead.
    """
    full = audit.healthy.get(FULL)
    full_v = full.input_v if full else 0.0
    for stress in audit.healthy_stresses:
        if not is_in_use(stress.condition):
            continue
        yield stress.ratio, stress.part, stress.quantity, stress.condition, stress.compared_limit
    for drive in audit.worst_drive:
        if drive.input_v > full_v:
            continue
        yield drive.ratio, drive.part, drive.quantity, drive.condition, drive.compared_limit


def healthy_verdict(audit: Audit) -> Verdict:
    """Return the verdict of the healthy circuit over all conditions of use."""
    verdicts = {ratio_verdict(row[0]) for row in healthy_ratios(audit)}
    for verdict in ("over_limit", "at_limit", "within_limits"):
        if verdict in verdicts:
            return verdict
    return "not_judged"


def limit_table(audit: Audit) -> Limits:
    """Return limits as compared, by part, quantity and condition, of the parts that belong there.

    Of two for one key that of a tube which draws current counts.
    """
    rows = sorted(audit.table.limits, key=lambda limit: limit.at_current != "zero")
    return {
        (limit.part, limit.quantity, name): limit.compared_limit
        for limit in rows
        for name in (IDLE, *audit.healthy)
        if limit.applies_in(name)
    }


def searched_wide(point: TippingPoint) -> bool:
    """Say whether the search went over decades rather than over a range."""
    start, end = point.searched
    if start <= 0 or end <= 0:
        return False
    return abs(math.log(end / start)) > math.log(_WIDE_SEARCH)


def sorted_tipping(points: Iterable[TippingPoint]) -> list[TippingPoint]:
    """Sort tipping points by the sufficient defect over what passes; those without last."""
    status = ("already_over", "found", "not_solved", "not_at_idle", "never")
    return sorted(
        points,
        key=lambda point: (
            status.index(point.status),
            round(times_what_passes(point) or 0.0, 9),
            natural_key(point.fault_id),
            natural_key(point.victim),
            point.quantity,
        ),
    )


def sorted_spreads(spreads: Iterable[LimitSpread]) -> list[LimitSpread]:
    """Sort limits by the ratio they are judged by, then by their worst case."""

    def key(one: LimitSpread) -> tuple[object, ...]:
        worst = (one.worst_case or 0.0) / one.limit
        judged = -1.0 if one.judged is None else one.judged
        level = ratio_verdict(judged)
        grave = ("over_limit", "at_limit", "within_limits", "not_judged").index(level)
        over = one.exceeding.value
        return (grave, -round(over, 9), -round(worst, 9), natural_key(one.part), one.quantity)

    return sorted(spreads, key=key)


def tubes_by_grid_net(audit: Audit) -> dict[str, list[str]]:
    """Return the tubes whose grid is on a net, directly or through a grid stopper."""
    grids: dict[str, list[str]] = {}
    for tube in audit.circuit.tubes:
        if tube.has_pin("grid"):
            grids.setdefault(tube.net("grid"), []).append(tube.ref)
    for stopper in audit.roles.named(RoleName.GRID_STOPPER):
        if stopper.part in audit.circuit.parts:
            for net in audit.circuit[stopper.part].nets:
                if stopper.of not in grids.setdefault(net, []):
                    grids[net].append(stopper.of)
    return grids
