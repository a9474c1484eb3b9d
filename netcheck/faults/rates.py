"""Published failure rates and how failures divide into modes.

Comes in: a part and the word of a fault.  Goes out: the part's base failure rate and
the share of failures that take this form, or None where nothing is published.

The rates are constant rates in the middle of a part's life, ground benign, commercial
quality; they know neither wear nor slips, so that they compare parts with each other
and never old parts with wrong ones.
Sources: MIL-HDBK-217F Notice 2, appendix A, as quoted in a public copy (parts), and
MIL-HDBK-217E (receiving tubes); shares of modes: FMD-91 and MIL-HDBK-338B, from memory.
"""

from __future__ import annotations

from collections.abc import Mapping

from netcheck.circuit.model import Part
from netcheck.faults.base import FailureRate

SHARES_FROM = "shares of modes: FMD-91, from memory"
PARTS_FROM = f"MIL-HDBK-217F Notice 2 as quoted, ground benign; {SHARES_FROM}"
TUBES_FROM = (
    "MIL-HDBK-217E as quoted, ground benign; nine in ten tube failures are loss of quality, "
    "one in ten is sudden (from memory), each shared out evenly over its forms (assumption)"
)
FILM_FROM = f"{PARTS_FROM}; the rate is that of mica and ceramic, the nearest row"
LOWER_QUALITY = 10.0
"""Commercial parts against the military base rate (MIL-HDBK-217F Notice 2, as quoted)."""
COMMERCIAL_COIL = 3.0
POWER_RESISTOR_W = 5.0
ELECTROLYTIC_F = 0.9e-6
"""From a microfarad up a part is taken for an electrolytic (common practice)."""

_FILM = {"open": 0.59, "drifted": 0.36, "shorted": 0.05}
_WIRE_WOUND = {"open": 0.65, "drifted": 0.26, "shorted": 0.09}
_ELECTROLYTIC = {"shorted": 0.53, "open": 0.35, "leaky": 0.10, "dried": 0.02}
_PLASTIC = {"open": 0.42, "shorted": 0.40, "leaky": 0.18}
_COIL = {"open": 0.42, "winding_open": 0.42, "shorted": 0.42, "shorted_turns": 0.42}
_DIODE = {"shorted": 0.51, "open": 0.29, "aged": 0.20}
_WORN = ("weak", "gassy", "grid_emission")
_SUDDEN = (
    "open_heater",
    "heater_cathode_leaky",
    "heater_cathode_shorted",
    "grid_cathode_leaky",
    "grid_cathode_shorted",
    "grid_screen_leaky",
    "grid_screen_shorted",
)
_TUBE = {
    **{word: 0.9 / len(_WORN) for word in _WORN},
    **{word: 0.1 / len(_SUDDEN) for word in _SUDDEN},
}


def rate_of(part: Part, kind: str) -> FailureRate | None:
    """Return the published rate of a part and the share of a mode."""
    per_million_hours, shares, source = _base(part)
    share = shares.get(kind)
    return None if share is None else FailureRate(per_million_hours, share, source)


def _base(part: Part) -> tuple[float, Mapping[str, float], str]:
    match part.kind:
        case "resistor" if part.note.pot:
            return 0.0, {}, ""
        case "resistor" if (part.note.power_w or 0.0) >= POWER_RESISTOR_W:
            return 0.0085 * LOWER_QUALITY, _WIRE_WOUND, PARTS_FROM
        case "resistor":
            return 0.0037 * LOWER_QUALITY, _FILM, PARTS_FROM
        case "capacitor":
            return _capacitor(part)
        case "inductor":
            return 0.015 * COMMERCIAL_COIL, _COIL, PARTS_FROM
        case "diode":
            return 0.0028 * 5.5, _DIODE, PARTS_FROM
        case "tube":
            return 2.5, _TUBE, TUBES_FROM
    return 0.0, {}, ""


def _capacitor(part: Part) -> tuple[float, Mapping[str, float], str]:
    dielectric = part.note.dielectric.casefold()
    if "paper" in dielectric:
        return 0.0, {}, ""
    if (part.value or 0.0) >= ELECTROLYTIC_F and not dielectric:
        return 0.0013 * LOWER_QUALITY, _ELECTROLYTIC, PARTS_FROM
    return 0.00057 * LOWER_QUALITY, _PLASTIC, FILM_FROM
