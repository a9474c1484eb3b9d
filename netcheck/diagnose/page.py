"""One page of the fault dictionary: a situation on the bench, solved with every fault.

Comes in: the circuit, its faults, what spreads and by how much.  Goes out: a `Page`, by
fault what every net, tube, resistor and winding would read: nominal, over units within
tolerance, and how much a meter on any net pulls at all the others.

Simulation before test, with the faults chosen by what fails in the field: W. Hochwald
and J. D. Bastian, "A DC approach for analog fault dictionary determination", IEEE
Trans. Circuits and Systems 26(7), 1979.  Every fault is drawn with the same factors, so
that a unit is one unit in all situations and rails move together with the mains.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import (
    AddResistor,
    Change,
    added_resistor,
    apply_changes,
    drives_itself,
)
from netcheck.circuit.model import GROUND, Circuit
from netcheck.diagnose.situations import Situation, Spread
from netcheck.errors import UnanswerableError
from netcheck.solve.deck import NEUTRAL_OHM, DeckError, write_deck
from netcheck.solve.draws import Drawn, Knob, can_turn, nominal_of, solve_draws
from netcheck.solve.ngspice import Engine, EngineFailure
from netcheck.solve.pool import Job, Lost, Pool, Shared
from netcheck.workbench.tolerance import knob_of

Array = NDArray[np.float64]
Single = NDArray[np.float32]

LOAD_OHM = 10e6
"""Connected to each net in turn to find its source resistance: a common meter."""
LEAST_LOADED_V, LIFT_OHM = 0.1, 1e9
"""A net nearer to ground is not moved by a load to ground: it is lifted, by so much from the
highest net, which does not make a grid conduct."""
STILL = 1e-6
"""A fault that moves no reading by more, as a share, reads as a sound circuit."""
LEAST_SOLVED = 0.2
"""A fault with fewer of its units solved is not weighed."""
CHUNK = 3
"""Faults a job."""
HEATING_SEED = 5
NO_UNITS = "most units within tolerance have no operating point that the solver can find"


@dataclass(frozen=True)
class PageRow:
    """One fault solved; silent: it reads as a sound circuit does."""

    nominal: Array
    pull: Array
    draws: Single
    reason: str = ""
    silent: bool = False
    lost: bool = False
    """Its worker was lost: another time it may be solved."""
    missing: int = 0
    """Units that were not solved."""


@dataclass(frozen=True)
class Page:
    """One situation; row 0 is the sound circuit, row n the n-th fault.

    nominal: (rows, columns), without a meter.  pull: (rows, nets, nets), by how many ohms
    a current drawn from the second net lowers the first.  draws: (columns, rows, draws).
    reasons: by row, why it was not solved, else empty.  limits: at idle, (part, quantity,
    limit) of what heat can tell of: plates, resistors, windings.  engine: the solver.
    missing: by row, units that were not solved; others of the row stand for them.  whole:
    no row was lost to a limit of time or memory.
    """

    situation: str
    columns: tuple[str, ...]
    nets: tuple[str, ...]
    nominal: Single
    pull: Single
    draws: Single
    reasons: tuple[str, ...]
    missing: tuple[int, ...]
    limits: tuple[tuple[str, str, float], ...] = ()
    engine: str = ""
    whole: bool = True

    @cached_property
    def place(self) -> dict[str, int]:
        """Number of each column."""
        return {name: at for at, name in enumerate(self.columns)}

    @cached_property
    def net_place(self) -> dict[str, int]:
        """Number of each net."""
        return {net: at for at, net in enumerate(self.nets)}

    def volts(self, first: str, second: str, load_ohm: float) -> Array:
        """Return volts from `first` to `second` as a meter reads them: (rows, draws)."""
        volts = self._net(first) - self._net(second)
        return volts * (load_ohm / (load_ohm + self.source_ohm(first, second)))[:, None]

    def nominal_volts(self, first: str, second: str, load_ohm: float) -> Array:
        """Return volts with nominal parts as a meter reads them: (rows,)."""
        ends = [
            self.nominal[:, self.place[f"v:{net}"]].astype(float) if net != GROUND else 0.0
            for net in (first, second)
        ]
        share = load_ohm / (load_ohm + self.source_ohm(first, second))
        return np.asarray((ends[0] - ends[1]) * share)

    def source_ohm(self, first: str, second: str) -> Array:
        """Return the source resistance between two nets, by row [ohm]."""
        known = self.net_place
        ends = [(known[net], sign) for net, sign in ((first, 1), (second, -1)) if net != GROUND]
        ohm = sum(
            one * other * self.pull[:, a, b].astype(float) for a, one in ends for b, other in ends
        )
        return np.maximum(np.zeros(len(self.pull)) + ohm, 0.0)

    def column(self, name: str) -> Array:
        """Return a column as it was drawn: (rows, draws)."""
        return np.asarray(self.draws[self.place[name]], dtype=float)

    def _net(self, name: str) -> Array:
        return np.zeros(self.draws.shape[1:]) if name == GROUND else self.column(f"v:{name}")


@dataclass(frozen=True)
class _Setting:
    """What every job of a page needs: the circuit, the situation and what spreads."""

    circuit: Circuit
    situation: Situation
    on_mains: tuple[str, ...]
    spread: Spread
    layout: Layout


def solve_page(
    pool: Pool,
    circuit: Circuit,
    situation: Situation,
    on_mains: Sequence[str],
    variants: Sequence[tuple[Change, ...] | None],
    spread: Spread,
    advance: Callable[[int], None] = lambda count: None,
) -> Page:
    """Solve a situation with each variant; None is a fault that it does not show.

    `advance` is told of as many steps as there are variants and states of the tubes.
    """
    setting = _Setting(circuit, situation, tuple(on_mains), spread, layout_of(circuit))
    shared = pool.share(f"page {situation.key}", setting)
    states = [_rows(pool, shared, hot, variants, advance) for hot in situation.hot]
    rows = [_between(each, spread) for each in zip(*states, strict=True)]
    layout, sound = setting.layout, rows[0]
    rows = [sound if one.silent else one for one in rows]
    return Page(
        situation.key,
        layout.columns,
        layout.nets,
        np.array([one.nominal for one in rows], dtype=np.float32),
        np.array([one.pull for one in rows], dtype=np.float32),
        np.ascontiguousarray(np.array([one.draws for one in rows]).transpose(2, 0, 1)),
        tuple(one.reason for one in rows),
        tuple(one.missing for one in rows),
        engine=pool.engine,
        whole=not any(one.lost for one in rows),
    )


def _rows(
    pool: Pool,
    shared: Shared,
    hot: bool,
    variants: Sequence[tuple[Change, ...] | None],
    advance: Callable[[int], None],
) -> list[PageRow]:
    """Return the sound row and one a variant, with the tubes hot or cold."""
    answer = pool.run([Job(solve_rows, (shared, hot, ((),), None))])[0]
    if isinstance(answer, Lost):
        raise UnanswerableError(f"the sound circuit was not solved: {answer.reason}")
    sound: PageRow = answer[0]
    if sound.reason:
        raise UnanswerableError(f"the sound circuit was not solved: {sound.reason}")
    shown = [number for number, changes in enumerate(variants) if changes is not None]
    chunks = [shown[at : at + CHUNK] for at in range(0, len(shown), CHUNK)]
    jobs = [
        Job(solve_rows, (shared, hot, tuple(variants[at] for at in chunk), sound.nominal))
        for chunk in chunks
    ]
    steps = iter(map(len, chunks))
    answers = pool.run(jobs, lambda _: advance(next(steps)))
    found: dict[int, PageRow] = {}
    silent = replace(sound, silent=True)
    for chunk, answer in zip(chunks, answers, strict=True):
        lost = isinstance(answer, Lost)
        rows = [_blank(sound, answer.reason)] * len(chunk) if lost else answer
        found.update(zip(chunk, (silent if one.silent else one for one in rows), strict=True))
    advance(len(variants) - len(shown))
    return [sound, *(found.get(number, silent) for number in range(len(variants)))]


def _between(states: Sequence[PageRow], spread: Spread) -> PageRow:
    """Return the row between cold and hot tubes: each unit's are somewhere on the way."""
    if len(states) == 1:
        return states[0]
    cold, hot = states
    reason = cold.reason or hot.reason
    if reason or (cold.silent and hot.silent):
        return replace(hot, reason=reason, silent=not reason, lost=cold.lost or hot.lost)
    share = np.random.default_rng(HEATING_SEED).uniform(size=(len(spread.factors), 1))
    draws = cold.draws * (1.0 - share) + hot.draws * share
    return PageRow(
        (cold.nominal + hot.nominal) / 2.0,
        (cold.pull + hot.pull) / 2.0,
        draws.astype(np.float32),
        missing=max(cold.missing, hot.missing),
    )


def solve_rows(
    engine: Engine,
    setting: _Setting,
    hot: bool,
    variants: tuple[tuple[Change, ...], ...],
    sound: Array | None,
) -> list[PageRow]:
    """Solve some variants in a worker."""
    return [_row(engine, setting, hot, changes, sound) for changes in variants]


def _row(
    engine: Engine,
    setting: _Setting,
    hot: bool,
    changes: tuple[Change, ...],
    sound: Array | None,
) -> PageRow:
    layout, spread = setting.layout, setting.spread
    shape = (len(layout.columns), len(layout.nets), len(spread.factors))
    if drives_itself(changes):
        return _empty(shape, "it works the circuit by itself: no reading at rest tells of it")
    circuit = setting.situation.circuit(
        apply_changes(setting.circuit, changes), setting.on_mains, hot
    )
    try:
        nominal = kept(layout, solve_draws(engine, circuit, (), np.zeros((1, 0))))[:, 0]
        if np.isnan(nominal).any():
            return _empty(shape, "it has no operating point that the solver can find")
        if sound is not None and _is_still(nominal, sound):
            return replace(_empty(shape, ""), silent=True)
        return _spread_row(engine, setting, circuit, nominal)
    except (EngineFailure, DeckError) as failure:
        return _empty(shape, str(failure))


def _spread_row(engine: Engine, setting: _Setting, circuit: Circuit, nominal: Array) -> PageRow:
    """Solve one variant with each net loaded, then every unit."""
    layout, spread = setting.layout, setting.spread
    volts = nominal[: len(layout.nets)]
    top = int(np.argmax(np.abs(volts)))
    far = [top if abs(one) <= LEAST_LOADED_V else None for one in volts]
    loads = [
        AddResistor(f"load {net}", net, GROUND if end is None else layout.nets[end], NEUTRAL_OHM)
        for net, end in zip(layout.nets, far, strict=True)
    ]
    loaded = circuit.with_parts(*map(added_resistor, loads))
    deck = write_deck(loaded)
    turned = [
        (at, knob, level)
        for at, one in enumerate(spread.variables)
        for part in one.parts
        if part in loaded.parts
        and can_turn(deck, knob := knob_of(one, part))
        and (level := nominal_of(loaded, knob))
    ]
    knobs = [knob for _, knob, _ in turned] + [Knob(one.name, "value") for one in loads]
    base = [level for _, _, level in turned] + [NEUTRAL_OHM] * len(loads)
    settings = np.tile(base, (len(loads) + len(spread.factors), 1))
    for row, end in enumerate(far):
        settings[row, len(turned) + row] = LOAD_OHM if end is None else LIFT_OHM
    for column, (at, _, level) in enumerate(turned):
        settings[len(loads) :, column] = spread.factors[:, at] * level
    rows = kept(layout, solve_draws(engine, loaded, knobs, settings))
    pull = np.zeros((len(volts), len(volts)))
    for at, end in enumerate(far):
        found = rows[: len(volts), at]
        ohm = LOAD_OHM if end is None else LIFT_OHM
        drawn_a = (found[at] - (0.0 if end is None else found[end])) / ohm
        if not np.isnan(found).any() and drawn_a:
            pull[:, at] = (volts - found) / drawn_a
    draws = rows[:, len(loads) :].T
    solved = ~np.isnan(draws).any(axis=1)
    if solved.mean() < LEAST_SOLVED:
        return _empty((len(nominal), len(layout.nets), len(draws)), NO_UNITS)
    missing = int((~solved).sum())
    draws[~solved] = np.resize(draws[solved], (missing, draws.shape[1]))
    return PageRow(nominal, pull, draws.astype(np.float32), missing=missing)


def _is_still(nominal: Array, sound: Array) -> bool:
    most = STILL * np.maximum(np.abs(sound), 1e-3 * np.abs(sound).max())
    return bool((np.abs(nominal - sound) <= most).all())


def _empty(shape: tuple[int, int, int], reason: str) -> PageRow:
    columns, nets, draws = shape
    nothing = np.full((draws, columns), np.nan, dtype=np.float32)
    return PageRow(np.full(columns, np.nan), np.zeros((nets, nets)), nothing, reason)


def _blank(sound: PageRow, reason: str) -> PageRow:
    shape = (len(sound.nominal), len(sound.pull), len(sound.draws))
    return replace(_empty(shape, reason), lost=True)


@dataclass(frozen=True)
class Layout:
    """What is kept of a solved circuit: columns, and the nets that can be loaded.

    columns: `v:NET`, `i:PART`, `ip:TUBE`, `is:TUBE`, `ik:TUBE` (plate, screen, cathode), `w:TUBE`.
    """

    nets: tuple[str, ...]
    resistors: tuple[str, ...]
    branches: tuple[str, ...]
    tubes: tuple[str, ...]

    @cached_property
    def columns(self) -> tuple[str, ...]:
        """All columns in order."""
        return (
            *(f"v:{net}" for net in self.nets),
            *(f"i:{ref}" for ref in (*self.resistors, *self.branches)),
            *(f"{kind}:{ref}" for ref in self.tubes for kind in ("ip", "is", "ik", "w")),
        )

    @cached_property
    def place(self) -> dict[str, int]:
        """Number of each column."""
        return {name: at for at, name in enumerate(self.columns)}


def layout_of(circuit: Circuit) -> Layout:
    """Return what can be read in a circuit."""
    deck = write_deck(circuit)
    return Layout(
        tuple(net for net in circuit.nets if net != GROUND),
        tuple(part.ref for part in circuit.of_kind("resistor")),
        tuple(
            part.ref
            for part in circuit.of_kind("inductor", "voltage_source")
            if part.ref in deck.current
        ),
        tuple(
            tube.ref for tube in circuit.tubes if tube.has_pin("grid") and tube.ref in deck.sense
        ),
    )


def kept(layout: Layout, drawn: Drawn) -> Array:
    """Return the columns of a layout: (columns, draws)."""
    blank = np.full(drawn.rows.shape[1], np.nan)
    rows = [drawn.net(net) if net in drawn.deck.node else blank for net in layout.nets]
    rows += [np.abs(_through(drawn, ref)) for ref in layout.resistors]
    rows += [
        np.abs(drawn.branch(ref)) if ref in drawn.deck.current else blank * 0.0
        for ref in layout.branches
    ]
    for ref in layout.tubes:
        rows += list(_of_tube(drawn, ref))
    return np.array(rows)


def _through(drawn: Drawn, ref: str) -> Array:
    first, second = drawn.circuit[ref].nets
    return np.asarray((drawn.net(first) - drawn.net(second)) / drawn.resistance(ref))


def _of_tube(drawn: Drawn, ref: str) -> Iterator[Array]:
    """Yield plate, screen and cathode current, and plate dissipation."""
    tube = drawn.circuit[ref]
    plate, screen, grid = (drawn.electrode(ref, name) for name in ("plate", "screen", "grid"))
    volts = drawn.net(tube.net("plate")) - drawn.net(tube.net("cathode"))
    yield from (plate, screen, plate + screen + grid, volts * plate)
