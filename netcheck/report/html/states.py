"""What the page shows of each state: the healthy one, every fault, every step of a walk.

Comes in: an audit and its drawing.  Goes out: one JSON value, packed.  Most faults
leave most of a drawing as it is, and the same pieces come back in many states: pieces
of markup are kept once in a list, and a state holds only numbers where it differs from
health.  Deflate and base64 make some megabytes small enough for one file; base64 has
no letter that could end the element that holds it.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Sequence
from typing import Any

from netcheck.conditions import IDLE
from netcheck.drawing import Annotations, Drawing, annotate, role_annotations
from netcheck.drawing.annotations import CHANGED_SHARE, CHANGED_V
from netcheck.judge.base import Load
from netcheck.judge.heat import heats_of
from netcheck.judge.walked import Walk, WalkStep
from netcheck.likelihoods import LIKELIHOOD_WORDS
from netcheck.models import facts
from netcheck.models.audit import Audit
from netcheck.models.view import shown_faults
from netcheck.rank import FaultResult
from netcheck.report.html.pieces import Pieces
from netcheck.report.words import (
    VERDICT_WORDS,
    amount,
    condition_words,
    defect_words,
    joined,
    limit_amount,
    quantity_words,
    ratio_words,
    size,
)
from netcheck.solve.results import NotSolved, Outcome, Solved, TubeState

Json = dict[str, Any]
MOST_NETS = 8
MOST_VICTIMS = 12
MOST_LOADS = 4
TOO_SMALL = 1e-3
"""A thousandth of a volt, milliampere or watt."""


def pack(value: object) -> str:
    """Return a JSON value as base64 of a zlib stream."""
    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return base64.b64encode(zlib.compress(text.encode("ascii"), 9)).decode("ascii")


class States:
    """Makes the states of one audit."""

    def __init__(self, audit: Audit, drawing: Drawing) -> None:
        self.audit = audit
        idle = audit.healthy.get(IDLE)
        self.idle = idle if isinstance(idle, Solved) else None
        self._pieces = Pieces(drawing, self.healthy_annotations())

    def healthy_annotations(self) -> Annotations:
        """Return what the drawing says in health."""
        circuit, roles = self.audit.circuit, self.audit.roles
        if self.idle is None:
            return role_annotations(circuit, roles, "no readings: not solved at idle")
        loads = self.audit.idle_loads
        return annotate(circuit, roles, self.idle, loads, heading="idle, healthy")

    def payload(self) -> Json:
        """Return everything the page's script needs."""
        faults = [self._fault(result) for result in shown_faults(self.audit)]
        walks = [self._walk(walk) for walk in self.audit.walks]
        return {
            "ids": self._pieces.ids,
            "base": self._pieces.base,
            "faults": faults,
            "walks": walks,
            "pieces": self._pieces.texts,
        }

    def _annotations(
        self, outcome: Outcome | None, stresses: Sequence[Load], parts: tuple[str, ...], head: str
    ) -> Annotations:
        circuit, roles = self.audit.circuit, self.audit.roles
        if not isinstance(outcome, Solved):
            reason = outcome.reason if outcome else "not asked for"
            return role_annotations(circuit, roles, f"{head} (no readings at idle: {reason})")
        return annotate(circuit, roles, outcome, stresses, self.idle, parts, head)

    def _fault(self, result: FaultResult) -> Json:
        fault, outcome = result.fault, result.conditions.get(IDLE)
        stresses = result.loads.get(IDLE, ())
        heading = f"idle, with {fault.id}: {fault.summary}"
        walk = next(
            (
                number
                for number, walk in enumerate(self.audit.walks)
                if (walk.parts, walk.kind) == (fault.parts, fault.kind)
            ),
            -1,
        )
        return {
            "id": fault.id,
            "what": fault.summary,
            "verdict": VERDICT_WORDS[result.verdict],
            "likely": f"{LIKELIHOOD_WORDS[fault.likelihood.level]} ({fault.likelihood.source})",
            "next": fault.next_measurement,
            "loads": [load_row(stress) for stress in _loads(result)],
            "tubes": self._tubes(outcome),
            "nets": self._nets(outcome),
            "says": _sayings(result),
            "walk": walk,
            "d": self._pieces.difference(
                self._annotations(outcome, stresses, fault.parts, heading)
            ),
        }

    def _tubes(self, outcome: Outcome | None) -> list[list[str]]:
        if not isinstance(outcome, Solved):
            return []
        before = self.idle.tubes if self.idle else {}
        return [
            [ref, *_tube_cells(outcome.tubes[ref], before.get(ref))]
            for ref in (tube.ref for tube in self.audit.circuit.tubes)
            if ref in outcome.tubes
        ]

    def _nets(self, outcome: Outcome | None) -> list[list[str]]:
        """Return the nets that moved most, as a meter shows them."""
        if not isinstance(outcome, Solved) or self.idle is None:
            return []
        now, before = facts.meter_readings(outcome), facts.meter_readings(self.idle)
        moved = [
            (abs(now[net] - before[net]), net)
            for net in now
            if net in before
            and abs(now[net] - before[net]) > max(CHANGED_V, CHANGED_SHARE * abs(before[net]))
        ]
        return [
            [net, f"{before[net]:.4g} V", f"{now[net]:.4g} V", f"{now[net] - before[net]:+.3g} V"]
            for _, net in sorted(moved, key=lambda one: (-one[0], one[1]))[:MOST_NETS]
        ]

    def _walk(self, walk: Walk) -> Json:
        what = f"{joined(walk.parts)} {defect_words(walk.kind)}"
        return {
            "id": walk.fault_id,
            "what": what,
            "steps": [self._step(walk, what, step) for step in walk.steps],
        }

    def _step(self, walk: Walk, what: str, step: WalkStep) -> Json:
        text = size(step.size, walk.unit)
        raised = [one for one in step.stresses if one.ratio - one.healthy_ratio > CHANGED_SHARE]
        loads = sorted(raised, key=lambda one: -one.ratio)[:MOST_LOADS]
        head = f"idle, {what} {text}{', a tipping point' if step.tips else ''}"
        annotations = self._annotations(step.outcome, step.stresses, walk.parts, head)
        return {
            "size": text,
            "tips": step.tips,
            "loads": [load_row(stress) for stress in loads],
            "tubes": self._tubes(step.outcome),
            "nets": self._nets(step.outcome),
            "says": [step.outcome.reason] if isinstance(step.outcome, NotSolved) else [],
            "d": self._pieces.difference(annotations),
        }


def load_row(stress: Load) -> list[str]:
    """Return part, condition, value, limit, share now and share in health."""
    return [
        f"{stress.part} {quantity_words(stress.quantity)}",
        condition_words(stress.condition),
        amount(stress.value, stress.quantity),
        limit_amount(stress),
        f"{ratio_words(stress.ratio)} times",
        f"{ratio_words(stress.healthy_ratio)} times",
    ]


def _loads(result: FaultResult) -> tuple[Load, ...]:
    if result.victims:
        return result.victims[:MOST_VICTIMS]
    return (result.worst,) if result.worst else ()


def _tube_cells(now: TubeState, before: TubeState | None) -> list[str]:
    def pair(name: str, factor: float = 1.0) -> str:
        value = getattr(now, name)
        if value is None:
            return "-"
        was = getattr(before, name) if before else None
        text = _figure(value * factor)
        if was is None or _figure(was * factor) == text:
            return text
        return f"{text} (healthy {_figure(was * factor)})"

    return [
        pair("plate_v"),
        pair("grid_v"),
        pair("cathode_v"),
        pair("plate_current_a", 1e3),
        pair("plate_dissipation_w"),
        pair("screen_dissipation_w"),
    ]


def _figure(value: float) -> str:
    """Write three or four figures; what is too small to read on a meter is nothing."""
    if abs(value) < TOO_SMALL:
        return "0"
    return f"{value:.4g}" if abs(value) >= 100.0 else f"{value:.3g}"


def _sayings(result: FaultResult) -> list[str]:
    """Return why a condition was not solved, and what the heat does."""
    said = [
        f"{condition_words(name)}: not solved: {outcome.reason}"
        for name, outcome in result.conditions.items()
        if isinstance(outcome, NotSolved) and not outcome.skipped
    ]
    heats = (heat for heat in heats_of(result.victims) if heat.times_rated > 1.0)
    said += [f"{heat.part}, {condition_words(heat.condition)}: {heat.word}" for heat in heats]
    return list(dict.fromkeys(said))
