"""From ngspice vectors to solved states, and the balance of power of a driven run.

Comes in: the deck's maps and the vectors, one number each for an operating point
or one row each over whole cycles for a driven run.  Goes out: volts, amperes and watts
by name as `TubeState` and `PartState` tables, and of a driven run its `PowerBalance`.
Dissipation is integrated from voltage to cathode times sensed current, instant by
instant, never from products of means.

At an operating point every mean is the value itself: `observe_point` gives the same facts
in plain floats, without arrays in a tenth of the time, which counts in a sweep of
thousands of points.  A test holds both to the same answer.

The balance is of the power the sources deliver, what heats parts and tubes, what reaches
the speaker, and how much the energy stored in capacitors and cores changes while it is
averaged.  The four are integrated apart from each other, from volts and sensed currents,
so that their sum tells whether the time steps were fine enough and nothing was forgotten
(Tellegen's theorem; any text on networks).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.solve.deck import DAMPING_OHM, MIN_RESISTANCE_OHM, Deck
from netcheck.solve.results import Hookup, PartState, PowerBalance, Solved, TubeState

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
            cathode_low_v=float(np.min(cathode)) if len(self.gaps) else None,
            cathode_high_v=float(np.max(cathode)) if len(self.gaps) else None,
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
            swing_vs=self._swing_vs(part) if part.kind == "inductor" else 0.0,
        )

    def _swing_vs(self, part: Part) -> float:
        """Return half of the swing of a winding's flux, by the volts of its turns [V s]."""
        if not len(self.gaps):
            return 0.0
        near, far = self.deck.winding[part.ref]
        volts = self.node(near) - self.node(far)
        volts = volts - self.mean(volts)
        flux = np.cumsum((volts[1:] + volts[:-1]) / 2.0 * self.gaps)
        return float(np.ptp(flux)) / 2.0

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


def observe_point(condition: str, circuit: Circuit, deck: Deck, values: Sequence[float]) -> Solved:
    """Return the solved state; `values` are in the order of `deck.vectors`."""
    vector = dict(zip(deck.vectors, values, strict=True))
    nets = {net: vector[node] for net, node in deck.node.items()}
    nets[GROUND] = 0.0
    tubes: dict[str, TubeState] = {}
    parts: dict[str, PartState] = {}
    for part in circuit:
        if part.kind == "tube":
            tubes[part.ref] = _tube(part, nets, deck.sense[part.ref], vector)
        elif part.kind in OBSERVED_KINDS:
            parts[part.ref] = _part(part, nets, deck, vector)
    present = {net: nets[net] for net in circuit.nets if net != GROUND}
    return Solved(condition, present, tubes, parts)


def _tube(
    part: Part, nets: Mapping[str, float], sense: Mapping[str, str], vector: Mapping[str, float]
) -> TubeState:
    if not part.has_pin("grid"):
        return _rectifier(part, nets, sense, vector)
    cathode = nets[part.net("cathode")]
    plate = nets[part.net("plate")]
    plate_a = vector[sense["plate"]]
    grid_a = vector[sense["grid"]]
    screen_v = screen_a = screen_w = None
    total = plate_a + grid_a
    if "screen" in sense:
        screen_v, screen_a = nets[part.net("screen")], vector[sense["screen"]]
        screen_w = (screen_v - cathode) * screen_a
        total += screen_a
    return TubeState(
        plate,
        screen_v,
        nets[part.net("grid")],
        cathode,
        plate_a,
        screen_a,
        grid_a,
        (plate - cathode) * plate_a,
        screen_w,
        plate - cathode,
        total,
    )


def _rectifier(
    part: Part, nets: Mapping[str, float], sense: Mapping[str, str], vector: Mapping[str, float]
) -> TubeState:
    cathode = nets[part.net("cathode")]
    plates = [pin for pin in part.pins if pin.name != "cathode"]
    volts = [nets[pin.net] - cathode for pin in plates]
    amperes = [vector[sense[pin.name]] for pin in plates]
    total = sum(amperes)
    watts = sum(v * a for v, a in zip(volts, amperes, strict=True))
    plate = nets[plates[0].net]
    return TubeState(
        plate, None, cathode, cathode, total, None, 0.0, watts, None, max(volts), total
    )


def _part(
    part: Part, nets: Mapping[str, float], deck: Deck, vector: Mapping[str, float]
) -> PartState:
    first, second = part.pins[0].net, part.pins[1].net
    volts = nets[first] - nets[second]
    if part.kind == "resistor":
        amps = volts / max(part.value or 0.0, MIN_RESISTANCE_OHM)
    elif part.kind == "capacitor":
        amps = 0.0
    else:  # a current source needs no sense
        name = deck.current.get(part.ref)
        amps = vector[name] if name else part.value or 0.0
    return PartState(volts, abs(volts), amps, abs(amps), volts * amps)


SOURCES = ("voltage_source", "current_source", "controlled_source")


def power_balance(seen: Observation, circuit: Circuit, hookup: Hookup) -> PowerBalance:
    """Return the balance of one observed run."""
    supplied = dissipated = delivered = stored = 0.0
    for part in circuit:
        if part.kind in SOURCES:
            supplied -= seen.mean(_volts(seen, part) * seen.amperes(part))
        elif part.kind == "resistor":
            volts = _volts(seen, part)
            watts = seen.mean(volts * volts) / max(part.value or 0.0, MIN_RESISTANCE_OHM)
            if part.ref in hookup.speakers:
                delivered += watts
            else:
                dissipated += watts
        elif part.kind == "capacitor":
            stored += _capacitor_w(seen, part)
        elif part.kind == "inductor":
            amps = seen.vector(seen.deck.current[part.ref])
            near, far = seen.deck.winding[part.ref]
            stored += seen.mean((seen.node(near) - seen.node(far)) * amps)
            ohm = max(part.note.dcr_ohm or 0.0, MIN_RESISTANCE_OHM)
            dissipated += ohm * seen.mean(amps * amps)
        else:
            dissipated += _electrodes_w(seen, part)
    return PowerBalance(supplied, dissipated + _damping_w(seen, hookup), delivered, stored)


def _volts(seen: Observation, part: Part) -> Array:
    first, second = part.nets[:2]
    return seen.net(first) - seen.net(second)


def _capacitor_w(seen: Observation, part: Part) -> float:
    volts = _volts(seen, part)
    change = float(volts[-1]) ** 2 - float(volts[0]) ** 2
    return (part.value or 0.0) * change / 2.0 / float(np.sum(seen.gaps))


def _electrodes_w(seen: Observation, part: Part) -> float:
    """Power into a tube, diode or transistor, by its sensed electrodes to the last one.

    A tube's own capacitances are behind the same senses; what they store changes by
    next to nothing over whole cycles.
    """
    last = seen.net(part.net("cathode") if part.kind == "tube" else part.nets[-1])
    return sum(
        seen.mean((seen.net(part.net(pin)) - last) * seen.vector(name))
        for pin, name in seen.deck.sense.get(part.ref, {}).items()
    )


def _damping_w(seen: Observation, hookup: Hookup) -> float:
    """Power in the damping networks that windings without loss are given."""
    total = 0.0
    for number, (near, _) in enumerate(hookup.bare_windings):
        volts = seen.net(near) - seen.node(f"q{number}")
        total += seen.mean(volts * volts) / DAMPING_OHM
    return total
