"""Requests to the solver, as data: how the circuit is driven and observed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Hookup:
    """Where the test signal goes in and where the output is taken.

    input_part: a voltage source that becomes the sine; or, where the netlist
        has none, `series_grids`: tube refs with the sign of the sine in series
        with their grid, so that a leak is not shorted by an ideal source.
    output_nets: the two nets the output voltage is taken between.
    speakers: the load resistors; primaries: ideal plate windings whose power is
        the primary output.
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
