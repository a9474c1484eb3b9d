"""The words of the steps, and what the sheet takes for granted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from netcheck.diagnose.meters import Meter
from netcheck.diagnose.plan import Wanted
from netcheck.judge.base import PartLimit
from netcheck.solve.results import Solved

TITLES = {
    "power_off": "Power off: resistances",
    "tubes_out": "Tubes out: supplies, bias and leaks",
    "mains": "Tubes in, mains at {:.0%}",
    "lamp": "Tubes in, behind a series lamp",
    "idle": "Tubes in, full mains, no signal",
}
LEADS = {
    "power_off": "Plug pulled, supply capacitors drained and checked, all tubes out, a load on the "
    "output, nothing at the input. Do not switch on where a value is past its stop.",
    "tubes_out": "All tubes out but a rectifier tube. Clip the meter on with the power off, switch "
    "on, read, switch off, drain. B+ stands at its highest here. Put the tubes in only where every "
    "output grid has its bias.",
    "mains": "Tubes in, a variable transformer at this share of the mains, no signal. How much a "
    "tube emits at this heat of its heater is not on its sheet: the band spans from not at all to "
    "fully; a tube rectifier may not conduct yet. Compare what stands in proportion: the bias, the "
    "two sides. Watch the plates; go on only where nothing is past its stop.",
    "lamp": "A bright flash, then dim, is right; a lamp that stays bright says short. Readings "
    "behind a lamp belong to this step alone. The band spans from cold to hot tubes.",
    "idle": "Ten minutes after switching on, both sides of a pair by turns. Currents are read as "
    "volts over the resistor named.",
}


def idle_notes(
    wanted: Sequence[Wanted], state: Solved, limits: Mapping[str, PartLimit]
) -> list[str]:
    """Return for each idle line what else it says: a current's share of its limit."""
    return [_note(one, state, limits) for one in wanted]


def _note(wanted: Wanted, state: Solved, limits: Mapping[str, PartLimit]) -> str:
    shares = [
        (ref, state.tubes[ref].plate_dissipation_w, limits[ref].compared_limit)
        for ref in wanted.tubes
        if ref in limits
    ]
    if wanted.purpose == "watts":
        return "; ".join(f"{watts / limit:.0%} of {limit:.3g} W" for _, watts, limit in shares)
    if wanted.purpose == "current":
        return "; ".join(
            f"{ref} plate {watts:.3g} W, {watts / limit:.0%} of its limit"
            for ref, watts, limit in shares
        )
    return ""


def assumptions_of(draws: int, seed: int, meter: Meter) -> tuple[str, ...]:
    """Return what the sheet takes for granted beside what is drawn."""
    return (
        f"bands: 90 % of {draws} units drawn (seed {seed}), widened by what the meter may be off "
        f"({meter.source})",
        "each reading is solved with the meter between its two probes; drawn units are loaded by "
        "the same share",
        "stop values of output tubes: the state in which a current into the grid circuit has "
        "brought the plate to its limit, all else nominal; a limit of another rating system than "
        "design-center is scaled, since the stop is for nominal values",
        "power off: capacitors, diodes, transistors and cold tubes do not conduct, and every "
        "supply is open behind its rectifier",
    )
