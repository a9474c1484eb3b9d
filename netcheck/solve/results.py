"""What is asked of the solver and what it gives back, as data.

A request says how the circuit is driven, observed and started; the answer is the solved
states of the circuit, or the reason why there are none.

All voltages are to ground unless they are named otherwise; currents into plate
and screen are positive; a dissipation is the electrode's own power, its voltage
to the cathode times its current.  In a driven state every number is the mean
over whole signal cycles, except where the name says peak or rms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class TubeState:
    """One tube section; screen values are None for a triode.

    A rectifier's currents and watts are those of all its plates; it has no grid, and
    `grid_v` is its cathode's.
    """

    plate_v: float
    screen_v: float | None
    grid_v: float
    cathode_v: float
    plate_current_a: float
    screen_current_a: float | None
    grid_current_a: float
    plate_dissipation_w: float
    screen_dissipation_w: float | None
    plate_peak_v: float
    """Largest plate-to-cathode voltage."""
    cathode_peak_current_a: float
    cathode_low_v: float | None = None
    cathode_high_v: float | None = None
    """Between which the cathode swings, to ground; None at an operating point."""

    @property
    def cathode_current_a(self) -> float:
        """Mean current out of the cathode."""
        return self.plate_current_a + (self.screen_current_a or 0.0) + self.grid_current_a


@dataclass(frozen=True)
class PartState:
    """One two-pin part: resistor, capacitor, winding, source or diode.

    voltage_v is the mean from first to second pin, current_a the mean from first
    to second pin through the part, power_w the mean power taken.
    """

    voltage_v: float
    peak_voltage_v: float
    current_a: float
    rms_current_a: float
    power_w: float
    swing_vs: float = 0.0
    """Of a winding under drive: half of what its volts add up to between their zeros [V s]."""


@dataclass(frozen=True, slots=True)
class PowerBalance:
    """Where the power of a driven run went, as means over the averaged cycles.

    supplied_w: by all sources, the signal's included.  delivered_w: into the speakers.
    stored_w: by how much the energy in capacitors and cores rises.
    """

    supplied_w: float
    dissipated_w: float
    delivered_w: float
    stored_w: float

    @property
    def gap_w(self) -> float:
        """Power that is not accounted for."""
        return self.supplied_w - self.dissipated_w - self.delivered_w - self.stored_w

    @property
    def turnover_w(self) -> float:
        """What the gap is compared with: the larger of what came in and what was used."""
        return max(abs(self.supplied_w), self.dissipated_w + self.delivered_w)


AUDIO_BAND_HZ = 20e3
MOTORBOAT_HZ = 20.0
"""Slower than a tone: single strokes, as of a motor boat (common practice)."""
Unrest = Literal[
    "motorboating", "oscillation", "parasitic_oscillation", "relaxation_oscillation", "latching"
]


@dataclass(frozen=True, slots=True)
class Stability:
    """Whether a circuit stays at its operating point.

    stable: None where that is not known, for `reason`.  frequency_hz, growth_per_s: of
    the pole that grows fastest; 0 Hz where it runs to another state, None where it runs to
    and fro and only a solved cycle tells how fast.  trusted: false where a growing pole
    lies above the audio band or rests on what the netlist does not say.
    """

    stable: bool | None
    frequency_hz: float | None = None
    growth_per_s: float | None = None
    trusted: bool = True
    reason: str = ""
    is_cycle: bool = False
    """The state it belongs to is the mean over the cycle the circuit makes by itself, or
    where it came to rest, and not the point that it left."""

    @property
    def kind(self) -> Unrest | None:
        """What the trade calls it; None where the point is stable or it is not known."""
        if self.stable is not False:
            return None
        if self.frequency_hz is None:
            return "relaxation_oscillation"
        if self.frequency_hz == 0.0:
            return "latching"
        if self.frequency_hz < MOTORBOAT_HZ:
            return "motorboating"
        return "oscillation" if self.frequency_hz <= AUDIO_BAND_HZ else "parasitic_oscillation"


@dataclass(frozen=True)
class Solved:
    """A solved state of the circuit under one condition."""

    condition: str
    nets: Mapping[str, float]
    tubes: Mapping[str, TubeState]
    parts: Mapping[str, PartState]
    input_v: float = 0.0
    """Peak input voltage; 0 when idle."""
    frequency_hz: float = 0.0
    output_w: float = 0.0
    primary_output_w: float = 0.0
    """Into the load and into the primary; driven, not a number where there is none."""
    output_peak_v: float = 0.0
    """Peak of the fundamental at the speaker (or the last coupled plate)."""
    distortion: float = 0.0
    """Total harmonic distortion of the output as a fraction."""
    readings: Mapping[str, float] = field(default_factory=dict)
    """Net volts as the meter reads them, where its loading matters."""
    settled_share: float = 0.0
    """Largest remaining mean capacitor current (or inductor voltage) as a share of its
    rms; those whose state is within some 0.1 V of settled are passed over."""
    notes: tuple[str, ...] = field(default=())
    balance: PowerBalance | None = None
    """Of a driven run."""
    stability: Stability | None = None
    """Of an operating point, where it was asked for."""


@dataclass(frozen=True)
class NotSolved:
    """A condition that could not be solved, with the reason in plain words.

    skipped: it was left out on purpose, since another condition already says enough.
    """

    condition: str
    reason: str
    input_v: float = 0.0
    skipped: bool = False


Outcome = Solved | NotSolved


@dataclass(frozen=True, slots=True)
class Hookup:
    """Where the test signal goes in and where the output is taken.

    input_part: a voltage source that becomes the sine; or, where the netlist
        has none, `series_grids`: tube refs with the sign of the sine in series
        with their grid, so that a leak is not shorted by an ideal source.
    output_nets: the two nets the output voltage is taken between.
    speakers: the load resistors, phones or the next device among them.
    primaries: ideal plate windings whose power is the primary output.
    bare_windings: net pairs of windings without any loss or capacitance of
        their own, which get a small damping network in driven runs.
    """

    input_part: str | None
    series_grids: tuple[tuple[str, float], ...] = ()
    output_nets: tuple[str, str] = ("0", "0")
    speakers: tuple[str, ...] = ()
    primaries: tuple[str, ...] = ()
    bare_windings: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Drive:
    """One sine: its frequency [Hz] and peak [V]."""

    frequency_hz: float
    input_v: float


@dataclass(frozen=True, slots=True)
class StartState:
    """Where a transient starts.

    node_v: volts by net (and by the deck's own key for inner nodes).
    winding_a: ampere by the ref of the winding.
    capacitor_v: overrides the voltage of a capacitor part by its ref.
    learned: how the Jacobian of the slow states differs under drive from idle.
    """

    node_v: Mapping[str, float]
    winding_a: Mapping[str, float]
    capacitor_v: Mapping[str, float] = field(default_factory=dict)
    learned: NDArray[np.float64] | None = None
