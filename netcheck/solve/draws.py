"""Many operating points of one circuit whose parts spread: the short way.

Comes in: a circuit, the knobs that differ (a value, a wire, the emission of a
tube, its screen current) and a matrix with one row of settings a draw.  Goes out:
`Drawn`, all vectors of all draws as one array.

One deck is loaded in which every knob follows a table over the draws (`tabled.py`);
a draw that the sweep leaves out is altered and solved by itself.  Nothing but the
vectors is read and no state is built of them, which a sweep of faults cannot do
without.  The deck is loaded afresh at the start of every call, so that a draw
depends on its own call and not on what the worker solved before it: the same
chunks give the same bytes on any number of workers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.model import GROUND, Circuit
from netcheck.solve.deck import (
    MIN_RESISTANCE_OHM,
    Deck,
    positive_grid_of,
    screen_current_of,
    space_of,
    wire_of,
    write_deck,
)
from netcheck.solve.ngspice import Engine, EngineFailure
from netcheck.solve.tabled import over_windings, solve_points

Array = NDArray[np.float64]
KnobKind = Literal["value", "wire", "emission", "screen"]


@dataclass(frozen=True, slots=True)
class Knob:
    """One thing that is set for each draw.

    kind: `value` [ohm, V or A] of a resistor or source, `wire` [ohm] of a winding,
    `emission`, a factor on the currents of a tube, `screen`, a factor on its
    screen current alone.
    """

    part: str
    kind: KnobKind


@dataclass(frozen=True)
class Drawn:
    """Operating points of many draws.

    rows: (vectors, draws) in the order of `deck.vectors`; a draw that was not
    solved is nan throughout.  ohm: drawn resistances by part.
    """

    circuit: Circuit
    deck: Deck
    rows: Array
    ohm: dict[str, Array]
    reasons: tuple[str, ...] = ()

    @property
    def solved(self) -> NDArray[np.bool_]:
        """Say of each draw whether it was solved."""
        return np.asarray(~np.isnan(self.rows).any(axis=0), dtype=bool)

    def net(self, name: str) -> Array:
        """Volts of a net to ground."""
        if name == GROUND:
            return np.where(self.solved, 0.0, np.nan)
        return self._row(self.deck.node[name])

    def electrode(self, tube: str, electrode: str) -> Array:
        """Current into an electrode of a tube [A]; zero where it has none."""
        name = self.deck.sense[tube].get(electrode)
        return self._row(name) if name else np.zeros(self.rows.shape[1])

    def branch(self, part: str) -> Array:
        """Current through a winding or a source [A]."""
        return self._row(self.deck.current[part])

    def resistance(self, part: str) -> Array | float:
        """Ohms of a resistor as drawn."""
        drawn = self.ohm.get(part)
        if drawn is not None:
            return drawn
        return max(self.circuit[part].value or 0.0, MIN_RESISTANCE_OHM)

    def _row(self, vector: str) -> Array:
        values: Array = self.rows[self.deck.place[vector]]
        return values


def nominal_of(circuit: Circuit, knob: Knob) -> float:
    """Return what a knob is set to in a unit with nominal parts."""
    part = circuit[knob.part]
    if knob.kind == "wire":
        return max(part.note.dcr_ohm or 0.0, MIN_RESISTANCE_OHM)
    return part.value or 0.0 if knob.kind == "value" else 1.0


def can_turn(deck: Deck, knob: Knob) -> bool:
    """Say whether a loaded deck has what a knob sets (an own model has no emission)."""
    return all(name in deck.alter for name in _names(knob))


def solve_draws(engine: Engine, circuit: Circuit, knobs: Sequence[Knob], settings: Array) -> Drawn:
    """Solve one operating point a row of `settings` (draws, knobs)."""
    deck = write_deck(circuit)
    targets = [[deck.alter[name] for name in _names(knob)] for knob in knobs]
    rows = _rows(engine, deck, targets, settings)
    missing = np.flatnonzero(np.isnan(rows).any(axis=0) | over_windings(deck, rows))
    reasons: dict[str, None] = {}
    if len(missing):
        rows[:, missing] = _one_by_one(engine, deck, targets, settings[missing], reasons)
    engine.kept = None  # the loaded deck is not as its circuit has it
    unsound = over_windings(deck, rows)
    if unsound.any():
        rows[:, unsound] = np.nan
        reasons["a winding carries DC voltage: the solve is not sound"] = None
    ohm = {
        knob.part: np.maximum(settings[:, place], MIN_RESISTANCE_OHM)
        for place, knob in enumerate(knobs)
        if knob.kind == "value" and circuit[knob.part].kind == "resistor"
    }
    return Drawn(circuit, deck, rows, ohm, tuple(reasons))


def _rows(engine: Engine, deck: Deck, targets: Sequence[Sequence[str]], settings: Array) -> Array:
    """Return (vectors, draws) of all draws in one sweep; nan where one is left out."""
    tables = {name: settings[:, at] for at, names in enumerate(targets) for name in names}
    try:
        return solve_points(engine, deck, tables, len(settings))
    except EngineFailure:
        return np.full((len(deck.vectors), len(settings)), np.nan)


def _one_by_one(
    engine: Engine,
    deck: Deck,
    targets: Sequence[Sequence[str]],
    settings: Array,
    reasons: dict[str, None],
) -> Array:
    """Return (vectors, draws), each draw altered and solved; nan where there is no answer."""
    engine.load(deck.lines)
    rows = np.full((len(deck.vectors), len(settings)), np.nan)
    held = np.full(len(targets), np.nan)
    for number, draw in enumerate(settings):
        for place in np.flatnonzero(draw != held):
            for target in targets[int(place)]:
                engine.alter(target, draw[place])
        held = draw
        try:
            rows[:, number] = engine.operating_point(deck.vectors)
        except EngineFailure as failure:
            engine.keep_failed()
            reasons[str(failure)] = None
            engine.load(deck.lines)
            held = np.full(len(targets), np.nan)
    return rows


def _names(knob: Knob) -> tuple[str, ...]:
    match knob.kind:
        case "value":
            return (knob.part,)
        case "wire":
            return (wire_of(knob.part),)
        case "emission":
            return (space_of(knob.part), positive_grid_of(knob.part))
        case "screen":
            return (screen_current_of(knob.part),)
