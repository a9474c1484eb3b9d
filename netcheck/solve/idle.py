"""Idle solving: operating points of a circuit and of its faulted variants.

Comes in: a circuit and, for each variant, the changes that make it.  Goes out:
one `Solved` or `NotSolved` a variant, in order.  Variants made only of values, wire
resistances, added resistors and currents, shorted turns (at DC a change of wire) and
other emission, gas or grid emission of a tube are points of one sweep over tables
(`tabled.py`), each entered from health: what a fault latched must not reach the next.
A few variants, and what the sweep leaves out, are solved by altering one loaded deck, a
quarter of the cost of a new one.  Another type of tube, a pin on another net, and changes
of a user's own tube model get a deck of their own.  A test holds all to one answer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from netcheck.circuit.changes import (
    AddCurrentSource,
    AddResistor,
    Change,
    DriveLevel,
    Reconnect,
    ScaleDrive,
    ScaleEmission,
    SetGas,
    SetGridEmission,
    SetValue,
    SetWire,
    ShortTurns,
    apply_changes,
    dc_wire_ohm,
)
from netcheck.circuit.model import GROUND, Circuit
from netcheck.conditions import IDLE
from netcheck.solve.deck import (
    MIN_RESISTANCE_OHM,
    NEUTRAL_OHM,
    Deck,
    DeckError,
    emission_of,
    gas_of,
    positive_grid_of,
    space_of,
    wire_of,
    write_deck,
)
from netcheck.solve.device_cards import gas_gain
from netcheck.solve.ngspice import Engine, EngineFailure
from netcheck.solve.observe import observe_point
from netcheck.solve.results import NotSolved, Outcome, Solved
from netcheck.solve.tabled import MAX_INDUCTOR_V, over_windings, solve_points
from netcheck.tubes.model import law_of

STILL_V, STILL_SHARE = 2.0, 0.25
"""A net that a fault moves by less is loaded by the meter as in health."""
METER_PREFIX = "meter at "
TABLED_FROM = 4
"""Fewer operating points are altered one by one: a deck with tables is loaded for its sweep."""


@dataclass(frozen=True, slots=True)
class IdleRequest:
    """One operating point: the changes and the nets to read with the meter."""

    changes: tuple[Change, ...] = ()
    meter_nets: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class IdleSweep:
    """Operating points of one circuit under one condition.

    healthy: the healthy state with its readings, for nets that a fault leaves alone.
    absent: resistors and current sources that the changes of this or another sweep
    put in; sweeps with the same circuit and the same of these share one loaded deck.
    """

    circuit: Circuit
    requests: tuple[IdleRequest, ...]
    condition: str = IDLE
    meter_ohm: float | None = 10e6
    healthy: Solved | None = None
    absent: tuple[AddResistor | AddCurrentSource, ...] = ()


def solve_sweep(engine: Engine, sweep: IdleSweep) -> list[Outcome]:
    """Solve every request of a sweep; the answers are in the order of the requests.

    Requests that need a deck of their own are solved last, so that the common
    deck is loaded once.
    """
    runner = _Runner(engine, sweep)
    numbers = range(len(sweep.requests))
    alterable = [number for number in numbers if runner.alterable(sweep.requests[number])]
    answers: dict[int, Outcome] = runner.tabled(alterable)
    for number in [*alterable, *sorted(set(numbers) - set(alterable))]:
        if number not in answers:
            answers[number] = runner.solve(sweep.requests[number])
    return [answers[number] for number in numbers]


@dataclass(frozen=True)
class _Kept:
    """The deck an engine has loaded, unaltered, and what it was written for."""

    circuit: Circuit
    names: tuple[str, ...]
    deck: Deck


class _Runner:
    """Keeps the loaded deck of a sweep and alters it for each request."""

    def __init__(self, engine: Engine, sweep: IdleSweep) -> None:
        self.engine = engine
        self.sweep = sweep
        self.absent = self._absent_parts()
        self.deck: Deck | None = None
        self.healthy: dict[str, float] = {
            part.ref: part.value
            for part in sweep.circuit
            if part.value is not None and part.kind != "tube"
        }

    def _absent_parts(self) -> list[AddResistor | AddCurrentSource]:
        """Parts that some request may put in, one each, neutral at first."""
        table = {change.name: change for change in self.sweep.absent}
        for request in self.sweep.requests:
            for change in request.changes:
                if isinstance(change, AddResistor | AddCurrentSource):
                    table.setdefault(change.name, change)
            for net in request.meter_nets:
                name = METER_PREFIX + net
                table.setdefault(name, AddResistor(name, net, GROUND, NEUTRAL_OHM))
        known = set(self.sweep.circuit.nets)
        return [change for change in table.values() if _nets_of(change) <= known]

    def solve(self, request: IdleRequest) -> Outcome:
        """Solve one request by the shorter way that is open to it."""
        for change in request.changes:
            if isinstance(change, DriveLevel) and self._is_warm():
                return NotSolved(self.sweep.condition, change.reason)
        try:
            if self.alterable(request):
                return self._altered(request)
            return self._reloaded(request)
        except (EngineFailure, DeckError) as failure:
            self.engine.keep_failed()
            self.deck = self.engine.kept = None
            return NotSolved(self.sweep.condition, str(failure))

    def alterable(self, request: IdleRequest) -> bool:
        """Say whether the loaded deck only needs other values for a request."""
        names = {change.name: change for change in self.absent}
        return all(self._is_alterable(change, names) for change in request.changes)

    def _is_alterable(
        self, change: Change, absent: Mapping[str, AddResistor | AddCurrentSource]
    ) -> bool:
        match change:
            case ShortTurns() | SetWire() | DriveLevel():
                return True
            case SetValue(part=ref):
                return ref in self.healthy
            case AddResistor() | AddCurrentSource():
                known = absent.get(change.name)
                return known is not None and _same_place(known, change)
            case ScaleEmission(part=ref, scale=scale):
                return self._follows_law(ref) and scale > 0.0
            case SetGas(part=ref) | SetGridEmission(part=ref):
                return self._follows_law(ref)
        return False

    def _follows_law(self, ref: str) -> bool:
        """Say whether a tube is warm and solved by the law on file, not by its own model."""
        part = self.sweep.circuit[ref]
        own = part.element is not None and bool(part.element.body)
        has_law = part.tube is not None and part.has_pin("grid") and not own
        return has_law and part.current_scale > 0.0

    def _load(self) -> Deck:
        if self.deck is None:
            circuit, names = self.sweep.circuit, tuple(change.name for change in self.absent)
            kept = self.engine.kept
            if isinstance(kept, _Kept) and kept.circuit is circuit and kept.names == names:
                self.deck = kept.deck
            else:
                self.deck = self._written()
                self.engine.load(self.deck.lines)
                self.engine.kept = self.engine.written
        return self.deck

    def _written(self) -> Deck:
        """Return the deck of the circuit with all that may be put in, written once a worker."""
        circuit, names = self.sweep.circuit, tuple(change.name for change in self.absent)
        known = self.engine.written
        if not (isinstance(known, _Kept) and known.circuit is circuit and known.names == names):
            known = _Kept(circuit, names, write_deck(circuit, absent=self.absent))
            self.engine.written = known
        return known.deck

    def tabled(self, numbers: Sequence[int]) -> dict[int, Outcome]:
        """Return the outcomes of those requests that one sweep solves soundly."""
        requests = {
            number: self.sweep.requests[number]
            for number in numbers
            if self._needs_solving(self.sweep.requests[number])
        }
        if len(requests) < TABLED_FROM:
            return {}
        try:
            deck = self._written()
            points = [self._altered_to(deck, request.changes) for request in requests.values()]
            found = self._points(deck, points)
            solved = {
                number: observe_point(
                    self.sweep.condition,
                    deck=deck,
                    circuit=self._circuit_of(request),
                    values=values,
                )
                for (number, request), values in zip(requests.items(), found, strict=True)
                if values is not None
            }
            return self._with_readings(deck, requests, solved)
        except (EngineFailure, DeckError):
            return {}  # each is solved by itself, and says what is wrong

    def _needs_solving(self, request: IdleRequest) -> bool:
        return not (
            self._is_warm() and any(isinstance(change, DriveLevel) for change in request.changes)
        )

    def _altered_to(self, deck: Deck, changes: Sequence[Change]) -> dict[str, tuple[float, float]]:
        """Return, by what the deck alters, the value of a fault and the healthy one."""
        return {
            deck.alter[target]: (value, healthy)
            for change in changes
            for target, value, healthy in self._alterations(change)
        }

    def _points(
        self, deck: Deck, points: Sequence[Mapping[str, tuple[float, float]]]
    ) -> list[list[float] | None]:
        """Return the vectors at each point, entered from health; None where it is left out."""
        tables: dict[str, np.ndarray] = {}
        for place, point in enumerate(points):
            for target, (value, healthy) in point.items():
                table = tables.setdefault(target, np.full(2 * len(points), healthy))
                table[2 * place + 1] = value
        rows = solve_points(self.engine, deck, tables, 2 * len(points))[:, 1::2]
        self.deck = None
        known = ~(np.isnan(rows).any(axis=0) | over_windings(deck, rows))
        return [
            column.tolist() if fine else None for column, fine in zip(rows.T, known, strict=True)
        ]

    def _with_readings(
        self, deck: Deck, requests: Mapping[int, IdleRequest], solved: Mapping[int, Solved]
    ) -> dict[int, Outcome]:
        """Return states with the volts that the meter shows; those that lack one are left out."""
        meter = self.sweep.meter_ohm
        read: dict[int, dict[str, float]] = {number: {} for number in solved}
        asked: list[tuple[int, str]] = []
        for number in solved if meter is not None else ():
            for net, share in self._shares_read(requests[number], solved[number]).items():
                if share is None:
                    asked.append((number, net))
                else:
                    read[number][net] = share * solved[number].nets[net]
        if asked:
            assert meter is not None
            loaded = [
                self._altered_to(deck, requests[number].changes)
                | {deck.alter[METER_PREFIX + net]: (meter, NEUTRAL_OHM)}
                for number, net in asked
            ]
            for (number, net), values in zip(asked, self._points(deck, loaded), strict=True):
                if values is None:
                    read.pop(number, None)
                elif number in read:
                    read[number][net] = values[deck.place[deck.node[net]]]
        return {
            number: replace(
                solved[number],
                readings={net: volts[net] for net in requests[number].meter_nets if net in volts},
            )
            if requests[number].meter_nets
            else solved[number]
            for number, volts in read.items()
        }

    def _altered(self, request: IdleRequest) -> Outcome:
        deck = self._load()
        undo: list[tuple[str, float]] = []
        for change in request.changes:
            for target, value, healthy in self._alterations(change):
                undo.append((deck.alter[target], healthy))
                self.engine.alter(deck.alter[target], value)
        try:
            return self._observe(deck, self._circuit_of(request), request)
        finally:
            for target, value in undo:
                self.engine.alter(target, value)

    def _circuit_of(self, request: IdleRequest) -> Circuit:
        return apply_changes(self.sweep.circuit, _without_short_turns(request.changes))

    def _alterations(self, change: Change) -> list[tuple[str, float, float]]:
        """Return what to alter, to which value, and the healthy value."""
        circuit = self.sweep.circuit
        match change:
            case SetValue(part=ref, value=value):
                return [(ref, value, self.healthy[ref])]
            case SetWire(part=ref, ohm=ohm):
                return [(wire_of(ref), ohm, self._wire_ohm(ref))]
            case ShortTurns(part=ref):
                return [(wire_of(ref), dc_wire_ohm(circuit, change), self._wire_ohm(ref))]
            case AddResistor(name=name, ohm=ohm):
                return [(name, ohm, NEUTRAL_OHM)]
            case AddCurrentSource(name=name, ampere=ampere):
                return [(name, ampere, 0.0)]
            case ScaleEmission(part=ref, scale=scale):
                return [(space_of(ref), scale, 1.0), (positive_grid_of(ref), scale, 1.0)]
            case SetGas(part=ref, ratio=ratio):
                return [(gas_of(ref), gas_gain(ratio), gas_gain(self._gas_ratio(ref)))]
            case SetGridEmission(part=ref, ampere=ampere):
                return [(emission_of(ref), ampere, circuit[ref].grid_emission_a)]
            case DriveLevel():
                return []
        raise TypeError(f"{type(change).__name__} needs a deck of its own")

    def _is_warm(self) -> bool:
        """Say whether any tube conducts: cold ones do not oscillate."""
        return any(tube.current_scale > 0.0 for tube in self.sweep.circuit.tubes)

    def _wire_ohm(self, winding: str) -> float:
        return max(self.sweep.circuit[winding].note.dcr_ohm or 0.0, MIN_RESISTANCE_OHM)

    def _gas_ratio(self, ref: str) -> float:
        part = self.sweep.circuit[ref]
        if part.gas_ratio is not None:
            return part.gas_ratio
        assert part.tube is not None
        return law_of(part.tube).grid.gas_ratio

    def _reloaded(self, request: IdleRequest) -> Outcome:
        self.deck = None
        circuit = apply_changes(self.sweep.circuit, request.changes)
        meters = [change for change in self.absent if change.name.startswith(METER_PREFIX)]
        deck = write_deck(circuit, absent=meters)
        self.engine.load(deck.lines)
        return self._observe(deck, circuit, request)

    def _observe(self, deck: Deck, circuit: Circuit, request: IdleRequest) -> Outcome:
        values = self.engine.operating_point(deck.vectors)
        place = deck.place
        for winding, (first, second) in deck.winding.items():
            near = values[place[first]] if first != "0" else 0.0
            if abs(near - values[place[second]]) > MAX_INDUCTOR_V:
                raise EngineFailure(f"{winding} carries DC voltage: the solve is not sound")
        solved = observe_point(self.sweep.condition, circuit, deck, values)
        if not request.meter_nets:
            return solved
        return replace(solved, readings=self._readings(deck, request, solved))

    def _readings(self, deck: Deck, request: IdleRequest, solved: Solved) -> dict[str, float]:
        """Net volts with the meter connected, one net at a time."""
        meter = self.sweep.meter_ohm
        if meter is None:
            return {}
        readings: dict[str, float] = {}
        for net, share in self._shares_read(request, solved).items():
            if share is not None:
                readings[net] = share * solved.nets[net]
                continue
            target = deck.alter[METER_PREFIX + net]
            self.engine.alter(target, meter)
            try:
                readings[net] = self.engine.operating_point([deck.node[net]])[0]
            finally:
                self.engine.alter(target, NEUTRAL_OHM)
        return readings

    def _shares_read(self, request: IdleRequest, solved: Solved) -> dict[str, float | None]:
        """Return by net the share of its volts that the meter shows; None where it is solved."""
        touched = self._touched(request.changes)
        return {
            net: None if net in touched else self._share_read(net, solved)
            for net in request.meter_nets
        }

    def _touched(self, changes: tuple[Change, ...]) -> set[str]:
        nets: set[str] = set()
        for change in changes:
            nets |= _nets_of(change)
            if not isinstance(change, AddResistor | AddCurrentSource | DriveLevel):
                nets.update(self.sweep.circuit[change.part].nets)
        return nets

    def _share_read(self, net: str, solved: Solved) -> float | None:
        """Return the share of a net's volts the meter reads in health.

        It holds where a fault moves the net only a little: what stands behind a
        net then loads the meter as in health.  None where it must be solved.
        """
        healthy = self.sweep.healthy
        if healthy is None or net not in healthy.readings:
            return None
        volts, now = healthy.nets[net], solved.nets[net]
        if volts == 0.0 or abs(now - volts) > max(STILL_V, STILL_SHARE * abs(volts)):
            return None
        return healthy.readings[net] / volts


def _nets_of(change: Change) -> set[str]:
    """Return the nets that a change names itself."""
    match change:
        case AddResistor(net_a=first, net_b=second):
            return {first, second}
        case AddCurrentSource(net_from=first, net_to=second):
            return {first, second}
        case Reconnect(net=net) | ScaleDrive(source_net=net):
            return {net}
    return set()


def _same_place(known: AddResistor | AddCurrentSource, change: Change) -> bool:
    """Say whether an added part stands where the deck has it."""
    if isinstance(known, AddResistor):
        return isinstance(change, AddResistor) and _nets_of(known) == _nets_of(change)
    if not isinstance(change, AddCurrentSource):
        return False
    return (known.net_from, known.net_to) == (change.net_from, change.net_to)


def _without_short_turns(changes: tuple[Change, ...]) -> tuple[Change, ...]:
    """Changes of the parts that are observed; at DC shorted turns only change wire."""
    return tuple(change for change in changes if not isinstance(change, ShortTurns))


def meter_matters(unloaded: Solved, share: float = 0.005, floor_v: float = 0.05) -> tuple[str, ...]:
    """Nets whose reading the meter changes by more than a share of it [V]."""
    return tuple(
        net
        for net, volts in unloaded.readings.items()
        if abs(volts - unloaded.nets[net]) > max(share * abs(unloaded.nets[net]), floor_v)
    )
