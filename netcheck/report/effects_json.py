"""What a fault does besides loading parts, as JSON: where it shows, fuses, heat, pairs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from netcheck.circuit.model import Circuit
from netcheck.judge.base import Load
from netcheck.judge.fed_back import FeedbackCase, Runaway
from netcheck.judge.fused import FuseLoad, fuse_loads, fused, has_fuse
from netcheck.judge.heat import Heat, heats_of
from netcheck.judge.paired import Pair, Pairs
from netcheck.judge.seen import seen_under
from netcheck.rank import FaultResult
from netcheck.report.facts import condition_order
from netcheck.report.model import Audit
from netcheck.report.numbers import number
from netcheck.solve.results import Solved

Json = dict[str, Any]


def effects_object(circuit: Circuit, result: FaultResult) -> Json:
    """Return what is added to one fault."""
    return {
        "seen": seen_under(result.condition_verdicts),
        "fuse": _fuse(circuit, result),
        "heat": [_heat(heat) for heat in heats_of(result.victims)],
    }


def _fuse(circuit: Circuit, result: FaultResult) -> Json | None:
    if not has_fuse(circuit):
        return None
    found = fused(circuit, result.conditions, result.condition_verdicts, result.victims)
    return {
        "verdict": found.word,
        "quiet_overload": found.quiet,
        "hardest": fuse_load_object(found.hardest) if found.hardest else None,
    }


def fuse_load_object(load: FuseLoad) -> Json:
    """Return one fuse under one condition."""
    return {
        "part": load.part,
        "condition": load.condition,
        "current_a": number(load.current_a),
        "rating_a": number(load.rating_a),
        "times_rating": number(load.times_rating),
        "opening": load.time.opening,
        "opens_after_s": number(load.time.least_s),
        "opens_within_s": number(load.time.most_s),
    }


def healthy_fuses(audit: Audit) -> list[Json]:
    """Return every fuse of the healthy circuit under every condition."""

    def loads() -> Iterator[FuseLoad]:
        for name in condition_order(audit.healthy):
            state = audit.healthy[name]
            if isinstance(state, Solved):
                yield from fuse_loads(audit.circuit, state)

    return [fuse_load_object(load) for load in loads()]


def _heat(heat: Heat) -> Json:
    return {
        "part": heat.part,
        "quantity": heat.quantity,
        "condition": heat.condition,
        "times_rated": number(heat.times_rated),
        "low_c": number(heat.low_c),
        "high_c": number(heat.high_c),
        "soonest_s": number(heat.soonest_s),
        "latest_s": number(heat.latest_s),
        "words": heat.word,
        "source": heat.source,
    }


def runaway_object(found: Runaway) -> Json:
    """Return the feedback over one tube's grid."""
    slow, fast = found.emission_a
    return {
        "tube": found.tube,
        "bias": found.bias,
        "grid_ohm": number(found.grid_ohm),
        "published_limit_ohm": number(found.limit_ohm),
        "limit_source": found.limit_source or None,
        "gain_per_share": number(found.gain_per_share),
        "runs_away_at_gas_share": number(found.gas_share),
        "runs_away_at_emission_a": {
            "slow_doubling": number(slow),
            "fast_doubling": number(fast),
        },
        "cases": [_case(case) for case in found.cases],
        "reason": found.reason or None,
    }


def _case(case: FeedbackCase) -> Json:
    return {
        "fault_id": case.fault_id,
        "ending": case.ending,
        "loop_gain": number(case.loop_gain),
        "grid_current_a": number(case.grid_current_a),
        "plate_dissipation_w": number(case.plate_w),
    }


def pairs_object(found: Pairs) -> Json:
    """Return the pairs that were solved, and how many were not."""
    return {
        "possible": found.possible,
        "plausible": found.plausible,
        "solved": found.solved,
        "not_tried": found.possible - found.solved,
        "plausible_not_tried": found.plausible - found.solved,
        "nothing_hidden": found.not_hidden,
        "pairs": [_pair(pair) for pair in found.pairs],
    }


def _pair(pair: Pair) -> Json:
    return {
        "first": pair.first_id,
        "second": pair.second_id,
        "kind": pair.kind,
        "link": pair.link,
        "why": pair.why,
        "verdict": pair.verdict,
        "worst": _load(pair.worst),
        "first_alone": _load(pair.first_alone),
        "new_victims": list(pair.new_victims),
        "other_sizes": pair.others,
        "reason": pair.reason or None,
    }


def _load(stress: Load | None) -> Json | None:
    if stress is None:
        return None
    return {
        "part": stress.part,
        "quantity": stress.quantity,
        "value": number(stress.value),
        "limit": number(stress.limit),
        "ratio": number(stress.ratio),
    }
