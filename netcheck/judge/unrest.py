"""What a circuit that does not stay at its operating point does, in the words of the trade.

Comes in: the stability of an operating point.  Goes out: words for a report.
"""

from __future__ import annotations

from collections.abc import Mapping

from netcheck.solve.results import Solved, Stability, Unrest
from netcheck.units import format_quantity

UNREST_VERBS: Mapping[Unrest, str] = {
    "motorboating": "motorboats at {hz}",
    "oscillation": "oscillates at {hz}",
    "parasitic_oscillation": "oscillates near {hz}, above the audio band",
    "relaxation_oscillation": "oscillates from limit to limit (a relaxation oscillation)",
    "latching": "latches: it runs to another state within {time}",
}
SHORTEST_S, LONGEST_S = 1e-9, 3600.0


def unrest_words(found: Stability) -> str:
    """Return what an unstable circuit does, as the end of a sentence; nothing of a stable one."""
    if found.kind is None:
        return ""
    hz = format_quantity(found.frequency_hz or 0.0, "Hz", 2)
    time_s = min(max(1.0 / (found.growth_per_s or 1.0), SHORTEST_S), LONGEST_S)
    return UNREST_VERBS[found.kind].format(hz=hz, time=format_quantity(time_s, "s", 2))


def unknown_stability(idle: Solved) -> tuple[str, ...]:
    """Return what to say where it is not known whether idle is stable."""
    found = idle.stability
    if found is None or found.stable is not None:
        return ()
    return (f"whether idle is stable is not known, with no fault or with one: {found.reason}",)
