"""Advice on healthy parts near their ratings: no verdict, a note.

Comes in: the stresses of the healthy circuit.  Goes out: findings of level note
for resistors beyond the share of their rating, and capacitors beyond the share of
their volts, that long life asks for.  Assumed ratings get no advice.  Sources: see
`netcheck.ratings.parts`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from netcheck.circuit.model import Circuit, natural_key
from netcheck.conditions import OVERDRIVE
from netcheck.findings import Finding
from netcheck.judge.base import LimitTable, Load
from netcheck.ratings.parts import ADVISED_SHARE, ADVISED_VOLTAGE_SHARE

ADVISED: Mapping[str, tuple[str, float, str]] = {
    "power_w": ("resistor-derating", ADVISED_SHARE, "of its power rating"),
    "voltage_v": ("capacitor-derating", ADVISED_VOLTAGE_SHARE, "of its rated volts"),
}


def advise(circuit: Circuit, table: LimitTable, healthy: Iterable[Load]) -> tuple[Finding, ...]:
    """Return one note for each part that is healthy but worked hard.

    Only between the advised share and the limit; over the limit is a verdict.
    """
    assumed = {(limit.part, limit.quantity) for limit in table.limits if limit.assumed}
    hardest: dict[tuple[str, str], Load] = {}
    for stress in healthy:
        key = (stress.part, stress.quantity)
        if stress.quantity in ADVISED and key not in assumed:
            hardest[key] = max(hardest.get(key, stress), stress, key=lambda one: one.ratio)
    return tuple(
        _note(circuit, stress)
        for key, stress in sorted(hardest.items(), key=lambda item: natural_key(item[0][0]))
        if ADVISED[key[1]][1] < stress.ratio <= 1.0
    )


def overdriven(circuit: Circuit, healthy: Iterable[Load]) -> tuple[Finding, ...]:
    """Return a warning for each part that only overdrive puts over its limit."""
    return tuple(
        Finding(
            "overdrive-overload",
            "warning",
            f"{stress.part} reaches {stress.ratio:.2f} times its limit ({stress.quantity}) when "
            "the healthy circuit is overdriven by 6 dB with a continuous sine",
            stress.part,
            circuit[stress.part].span,
        )
        for stress in healthy
        if stress.condition == OVERDRIVE and stress.level == "over_limit"
    )


def _note(circuit: Circuit, stress: Load) -> Finding:
    rule, share, what = ADVISED[stress.quantity]
    message = (
        f"{stress.part} carries {stress.ratio:.0%} {what} in the healthy circuit"
        f" ({stress.condition}); {share:.0%} is advised for long life"
    )
    return Finding(rule, "note", message, stress.part, circuit[stress.part].span)
