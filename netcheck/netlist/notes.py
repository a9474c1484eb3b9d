"""Part notes: what SPICE has no field for, after `;!` at the end of a card.

Values carry units and `M` is mega here (`20Mohm`), unlike in the SPICE fields.
An unknown key is an error with a suggestion.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PartNote:
    """The note of one part; `None` or empty where nothing was said.

    power_w, tolerance (fraction, 0.05 for 5 %), volts_v, max_current_a, dcr_ohm,
    turns, age_years, dielectric, follows_mains, pot and pot_side ("upper" or
    "lower"), envelope (the bulb a section sits in), heater ("elevated", or
    "grounded"), heater_v, tube_type (`type=`), is_input, is_speaker, fuse_a (a resistor
    that stands for a fuse), is_lamp (for a lamp),
    section (which one of its bulb a tube section is), is_polarized (a capacitor whose
    first pin is its plus).
    """

    power_w: float | None = None
    tolerance: float | None = None
    volts_v: float | None = None
    max_current_a: float | None = None
    dcr_ohm: float | None = None
    turns: float | None = None
    age_years: float | None = None
    dielectric: str = ""
    follows_mains: bool = False
    pot: str = ""
    pot_side: str = ""
    envelope: str = ""
    heater: str = ""
    heater_v: float | None = None
    tube_type: str = ""
    is_input: bool = False
    is_speaker: bool = False
    plate_power_w: float | None = None
    screen_power_w: float | None = None
    fuse_a: float | None = None
    is_lamp: bool = False
    section: str = ""
    is_polarized: bool = False
