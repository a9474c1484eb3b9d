"""From ngspice vectors to solved states: volts, amperes and watts by name.

Comes in: the deck's maps and the vectors, one number each for an operating point
or one row each over whole cycles for a driven run.  Goes out: `TubeState` and
`PartState` tables.  Dissipation is integrated from voltage to cathode times
sensed current, instant by instant, never from products of means.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.solve.deck import MIN_RESISTANCE_OHM, Deck
from netcheck.solve.results import PartState, TubeState

Array = NDArray[np.float64]
OBSERVED_KINDS = (
    "resistor",
    "capacitor",
    "inductor",
    "voltage_source",
    "current_source",
    "controlled_source",
    "diode",
)


@dataclass(frozen=True)
class Observation:
    """Vectors of one run and the weights that average them over time.

    rows: (vectors, instants).  weights: (instants,), summing to one; a single
    instant has weight one.
    """

    deck: Deck
    rows: Array
    weights: Array
    index: Mapping[str, int]
    gaps: Array
    """Time between instants [s]; empty for an operating point."""

    @classmethod
    def of_point(cls, deck: Deck, values: Array) -> Observation:
        """Wrap an operating point."""
        return cls(deck, values[:, None], np.ones(1), deck.place, np.empty(0))

    @classmethod
    def of_window(cls, deck: Deck, time: Array, rows: Array, from_s: float) -> Observation:
        """Wrap the part of a transient from `from_s` on (trapezoidal weights).

        The run hardly ever has a sample at `from_s`: the vectors are interpolated
        there, since a window that is a step short of whole cycles is up to 0.6 % off.
        """
        index = deck.place
        first = int(np.searchsorted(time, from_s * (1.0 + 1e-9), side="right")) - 1
        time, rows = time[first:].copy(), rows[:, first:].copy()
        share = (from_s - time[0]) / (time[1] - time[0])
        rows[:, 0] += share * (rows[:, 1] - rows[:, 0])
        time[0] = from_s
        gaps = np.diff(time)
        weights = np.zeros(len(time))
        weights[:-1] += gaps / 2.0
        weights[1:] += gaps / 2.0
        return cls(deck, rows, weights / weights.sum(), index, gaps)

    def node(self, name: str) -> Array:
        """Voltage of a deck node over time [V]."""
        if name == "0":
            return np.zeros(self.rows.shape[1])
        return self.vector(name)

    def net(self, name: str) -> Array:
        """Voltage of a net over time [V]."""
        return self.node("0" if name == GROUND else self.deck.node[name])

    def vector(self, name: str) -> Array:
        """Any other vector over time."""
        values: Array = self.rows[self.index[name]]
        return values

    def mean(self, values: Array) -> float:
        """Time average."""
        return float(values @ self.weights)

    def nets(self, circuit: Circuit) -> dict[str, float]:
        """Mean volts of every net but ground."""
        means = self.rows @ self.weights
        node = self.deck.node
        return {net: float(means[self.index[node[net]]]) for net in circuit.nets if net != GROUND}

    def tube(self, part: Part) -> TubeState:
        """Observe one tube section."""
        if not part.has_pin("grid"):
            return self._rectifier(part)
        sense = self.deck.sense[part.ref]
        cathode = self.net(part.net("cathode"))
        plate = self.net(part.net("plate"))
        plate_a = self.vector(sense["plate"])
        grid_a = self.vector(sense["grid"])
        screen_v = screen_a = screen_w = None
        total = plate_a + grid_a
        if "screen" in sense:
            screen = self.net(part.net("screen"))
            current = self.vector(sense["screen"])
            total = total + current
            screen_v, screen_a = self.mean(screen), self.mean(current)
            screen_w = self.mean((screen - cathode) * current)
        return TubeState(
            plate_v=self.mean(plate),
            screen_v=screen_v,
            grid_v=self.mean(self.net(part.net("grid"))),
            cathode_v=self.mean(cathode),
            plate_current_a=self.mean(plate_a),
            screen_current_a=screen_a,
            grid_current_a=self.mean(grid_a),
            plate_dissipation_w=self.mean((plate - cathode) * plate_a),
            screen_dissipation_w=screen_w,
            plate_peak_v=float(np.max(plate - cathode)),
            cathode_peak_current_a=float(np.max(total)),
        )

    def _rectifier(self, part: Part) -> TubeState:
        """Observe a tube without a grid, all of its plates together."""
        cathode = self.net(part.net("cathode"))
        plates = [pin for pin in part.pins if pin.name != "cathode"]
        volts = [self.net(pin.net) - cathode for pin in plates]
        amperes = [self.vector(self.deck.sense[part.ref][pin.name]) for pin in plates]
        watts = sum(self.mean(v * a) for v, a in zip(volts, amperes, strict=True))
        total = np.sum(amperes, axis=0)
        return TubeState(
            plate_v=self.mean(self.net(plates[0].net)),
            screen_v=None,
            grid_v=self.mean(cathode),
            cathode_v=self.mean(cathode),
            plate_current_a=self.mean(total),
            screen_current_a=None,
            grid_current_a=0.0,
            plate_dissipation_w=watts,
            screen_dissipation_w=None,
            plate_peak_v=float(max(np.max(v) for v in volts)),
            cathode_peak_current_a=float(np.max(total)),
        )

    def part(self, part: Part) -> PartState:
        """Observe one two-pin part."""
        first, second = part.nets[:2]
        volts = self.net(first) - self.net(second)
        peak = float(np.max(np.abs(volts)))
        match part.kind:
            case "resistor":
                amps = volts / max(part.value or 0.0, MIN_RESISTANCE_OHM)
            case "capacitor" if len(self.gaps):
                instants = np.concatenate([[0.0], np.cumsum(self.gaps)])
                amps = (part.value or 0.0) * np.gradient(volts, instants)
            case "capacitor":
                amps = np.zeros_like(volts)
            case _:
                amps = self.amperes(part)
        power = self.mean(volts * amps) if part.kind != "capacitor" else 0.0
        return PartState(
            voltage_v=self.mean(volts),
            peak_voltage_v=peak,
            current_a=self.mean(amps),
            rms_current_a=float(np.sqrt(self.mean(amps * amps))),
            power_w=power,
        )

    def amperes(self, part: Part) -> Array:
        """Return the current of a winding, a source or a diode, from first to second pin."""
        name = self.deck.current.get(part.ref)
        return self.vector(name) if name else np.full(self.rows.shape[1], part.value or 0.0)

    def tubes(self, circuit: Circuit) -> dict[str, TubeState]:
        """Observe all tubes."""
        return {part.ref: self.tube(part) for part in circuit.tubes}

    def parts(self, circuit: Circuit) -> dict[str, PartState]:
        """Observe all two-pin parts."""
        return {part.ref: self.part(part) for part in circuit if part.kind in OBSERVED_KINDS}
