"""Blind trials of the diagnosis: random faulty units, read with noise, and diagnosed.

A unit is drawn: a fault by its likelihood, its size (anywhere between the sizes on file),
mains, parts and tubes within tolerance.  It is solved by itself, with the meter connected
to the points that are read, by other code than the dictionary's: a deck of its own for
each reading.  Readings are off by up to what the meter's accuracy allows.  The seeds
have nothing in common with the dictionary's.

Run by hand for all circuits, which takes minutes:

    python -m tests.diagnose.trial_report circuits/*.cir > tests/diagnose/TRIALS.md
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from netcheck.circuit.changes import AddResistor, Reconnect, added_resistor, apply_changes
from netcheck.circuit.model import GROUND, Circuit
from netcheck.diagnose.dictionary import Dictionary, DictionaryOptions, Point, Store
from netcheck.diagnose.hypotheses import STEPS
from netcheck.diagnose.investigation import STANDS_OUT, Basis, Investigation
from netcheck.diagnose.next_probe import candidates
from netcheck.diagnose.ohms import network_of
from netcheck.diagnose.plan import Wanted
from netcheck.diagnose.posterior import look, moments, sigma_of
from netcheck.diagnose.readings import Reading
from netcheck.diagnose.situations import IDLE, POWER_OFF, TUBES_OUT, situation_of
from netcheck.faults.base import Fault
from netcheck.pipeline import load_circuit
from netcheck.report.progress import progress_for_terminal
from netcheck.roles.base import Roles
from netcheck.solve.deck import MIN_RESISTANCE_OHM, NEUTRAL_OHM, write_deck
from netcheck.solve.draws import Knob, can_turn, solve_draws
from netcheck.solve.ngspice import Engine
from netcheck.solve.pool import Pool
from netcheck.workbench.tolerance import draw_factors

FIRST_POINTS = 5
MOST_QUESTIONS = 8
APART = 5.0
LIFTED = "lifted end"


@dataclass(frozen=True)
class Unit:
    """One faulty unit; row: of the fault on file that is nearest; factors by variable."""

    cause: int
    row: int
    fault: Fault
    circuit: Circuit
    factors: np.ndarray


@dataclass(frozen=True)
class Trial:
    """What became of one unit.

    in_group: after the first readings the true cause is in the first ambiguity group;
    in_three: it, or its group, is among the first three.  called: probability of
    the first group.  asked, settled: further readings until the first group stands out, and
    until nothing more is asked; None where eight were not enough.  right: the true cause is
    in the first group then.
    """

    fault: str
    in_group: bool
    in_three: bool
    group_size: int
    called: float
    first: str
    asked: int | None = None
    settled: int | None = None
    right: bool = False


@dataclass(frozen=True)
class Unknown:
    """What became of a unit whose family of faults is not in the dictionary."""

    fault: str
    family: str
    first: str
    none: float
    readings: int


def _with_lifted(circuit: Circuit, ref: str, roles: Roles) -> Circuit:
    """Return the circuit with the grid end of a coupling capacitor, and its leak, lifted."""
    feeds = next(role.feeds for role in roles.of_part(ref) if role.feeds)
    before = circuit[ref].other_net(feeds)
    for part in circuit:
        if part.ref == ref or (part.added and set(part.nets) == {before, feeds}):
            pin = next(one.name for one in part.pins if one.net == feeds)
            circuit = apply_changes(circuit, (Reconnect(part.ref, pin, LIFTED),))
    return circuit


@dataclass
class Bench:
    """A circuit on the bench: units are drawn and read."""

    basis: Basis
    engine: Engine
    rng: np.random.Generator

    @property
    def dictionary(self) -> Dictionary:
        return self.basis.dictionary

    def draw(self, count: int) -> Iterator[Unit]:
        """Yield units, faults drawn by their likelihood."""
        hypotheses = self.basis.hypotheses
        share = hypotheses.prior.copy()
        share[0] = 0.0
        share /= share.sum()
        variables = self.dictionary.spread.variables
        factors = draw_factors(variables, count, int(self.rng.integers(1 << 30)))
        for row in factors:
            cause = int(self.rng.choice(len(share), p=share))
            node = self._node(cause)
            near = hypotheses.low if hypotheses.share[node] < 0.5 else hypotheses.high
            fault = self._sized(node)
            faulty = apply_changes(self.dictionary.circuit, fault.changes)
            yield Unit(cause, int(near[node]), fault, faulty, row)

    def _node(self, cause: int) -> int:
        """Return a node of a cause, drawn as the priors have it."""
        hypotheses = self.basis.hypotheses
        nodes = np.flatnonzero(hypotheses.cause == cause)
        return int(self.rng.choice(nodes, p=hypotheses.weight[nodes]))

    def _sized(self, node: int) -> Fault:
        """Return a fault of a size anywhere about a node."""
        hypotheses, faults = self.basis.hypotheses, self.dictionary.faults
        low, high = faults[hypotheses.low[node] - 1], faults[hypotheses.high[node] - 1]
        if low is high or low.defect is None or high.defect is None:
            return low if hypotheses.share[node] < 0.5 else high
        share = hypotheses.share[node] + self.rng.uniform(-0.5, 0.5) / STEPS
        a, b = low.defect.value, high.defect.value
        size = float(a * (b / a) ** np.clip(share, 0.0, 1.0))
        return self.basis.of_size(low, size) or (low if share < 0.5 else high)

    def read(self, unit: Unit, points: Sequence[Point]) -> list[Reading | None]:
        """Return noisy readings of a unit; None where it has no operating point."""
        values: dict[Point, float] = {}
        for key in dict.fromkeys(one.situation for one in points):
            alike = [one for one in points if one.situation == key]
            values |= {one: self._ohms(unit, one) for one in alike if one.kind == "ohms"}
            values |= self._volts(unit, key, [one for one in alike if one.kind == "volts"])
            for one in alike:
                if one.kind == "leak":
                    values |= self._volts(unit, key, [one], lifted=one.first)
        return [
            None
            if np.isnan(values[one])
            else Reading(one.kind, one.first, one.second, values[one], one.situation)
            for one in points
        ]

    def _ohms(self, unit: Unit, point: Point) -> float:
        known = {
            part: float(unit.factors[at])
            for at, one in enumerate(self.dictionary.spread.variables)
            if one.kind in ("value", "wire")
            for part in one.parts
        }
        circuit = unit.circuit if POWER_OFF.shows(unit.fault) else self.dictionary.circuit
        ohm = network_of(circuit, known).ohm(point.first, point.second)
        if np.isinf(ohm):
            return ohm
        return max(ohm + self.rng.uniform(-1.0, 1.0) * (0.01 * ohm + 0.3), 0.0)

    def _volts(
        self, unit: Unit, key: str, points: Sequence[Point], lifted: str = ""
    ) -> dict[Point, float]:
        """Return readings of volts: in turn the meter is connected to each pair of nets."""
        if not points:
            return {}
        meter, dictionary = self.dictionary.options.meter, self.dictionary
        situation = situation_of(key)
        circuit = unit.circuit if situation.shows(unit.fault) else dictionary.circuit
        circuit = situation.circuit(circuit, dictionary.spread.on_mains, situation.hot[-1])
        if lifted:
            circuit = _with_lifted(circuit, lifted, dictionary.roles)
        ends = [(LIFTED, GROUND) if lifted else (one.first, one.second) for one in points]
        meters = [
            AddResistor(f"meter {at}", first, second, NEUTRAL_OHM)
            for at, (first, second) in enumerate(ends)
        ]
        circuit = circuit.with_parts(*map(added_resistor, meters))
        knobs, levels = self._as_built(circuit, unit)
        rows = np.tile([*levels, *(NEUTRAL_OHM for _ in meters)], (len(points), 1))
        for at in range(len(points)):
            rows[at, len(levels) + at] = meter.load_ohm(50.0)
        knobs = [*knobs, *(Knob(one.name, "value") for one in meters)]
        drawn = solve_draws(self.engine, circuit, knobs, rows)
        values = {}
        for at, (point, (first, second)) in enumerate(zip(points, ends, strict=True)):
            volts = float(drawn.net(first)[at] - drawn.net(second)[at])
            values[point] = volts + self.rng.uniform(-1.0, 1.0) * meter.uncertainty_v(volts)
        return values

    def _as_built(self, circuit: Circuit, unit: Unit) -> tuple[list[Knob], list[float]]:
        """Return what of a unit differs from nominal, and to what it is set."""
        deck = write_deck(circuit)
        knobs, levels = [], []
        for at, one in enumerate(self.dictionary.spread.variables):
            for ref in one.parts:
                knob = Knob(ref, "value" if one.kind == "mains" else one.kind)
                part = circuit.parts.get(ref)
                if part is None or not can_turn(deck, knob):
                    continue
                level = part.value if knob.kind == "value" else 1.0
                if knob.kind == "wire":
                    level = max(part.note.dcr_ohm or 0.0, MIN_RESISTANCE_OHM)
                if level:
                    knobs.append(knob)
                    levels.append(level * unit.factors[at])
        return knobs, levels

    def likely_points(self) -> list[Wanted]:
        """Return five points that are read first: supply, output tubes, then the others."""
        volts = [one for one in self.basis.plan.idle() if one.unit == "V"]
        outputs = set(self.dictionary.roles.output_tubes)
        rails = [one for one in volts if one.purpose in ("rail", "bias")]
        near = [one for one in volts if set(one.tubes) & outputs and one not in rails]
        far = [one for one in volts if one not in rails and one not in near]
        first = rails[:1]
        pools: Sequence[list[Wanted]] = (near, far, rails[1:])
        for pool, most in zip(pools, (3, 1, 1), strict=True):
            chosen = self.rng.permutation(len(pool))[:most]
            first += [pool[at] for at in chosen]
        spare = [one for one in volts if one not in first]
        return [*first, *spare][:FIRST_POINTS]

    def trial(self, unit: Unit, ask: bool) -> Trial | None:
        """Diagnose one unit; None where it cannot be read."""
        points = [Point("volts", one.net_a, one.net_b, IDLE.key) for one in self.likely_points()]
        readings = self.read(unit, points)
        if any(one is None for one in readings):
            return None
        found = Investigation(self.basis, tuple(one for one in readings if one))
        posterior = found.posterior
        groups = posterior.groups()
        place = next(at for at, group in enumerate(groups) if unit.cause in group)
        order = list(np.argsort(-posterior.every))
        names = posterior.names
        asked, settled, right = self._ask(unit, found) if ask else (None, None, False)
        return Trial(
            unit.fault.id,
            place == 0,
            place < 3 or order.index(unit.cause) < 3,
            len(groups[0]),
            float(posterior.every[groups[0]].sum()),
            names[order[0]],
            asked,
            settled,
            right,
        )

    def stands_apart(self, unit: Unit, basis: Basis) -> bool:
        """Say whether anything on the bench sheet tells a unit from all that is left.

        Decided from nominal parts, over all points at once, and not from the readings of
        the trial: many kinds work alike (a swapped part is a part of a wrong value), and
        then the other kind is the right answer.  What differs in one reading only is taken
        for a mistaken reading, as it should be.
        """
        points = [
            (point, 0.0)
            for point, _ in candidates(basis.plan, (POWER_OFF.key, TUBES_OUT.key, IDLE.key), ())
        ]
        looked = look(self.dictionary, basis.hypotheses, points)
        _, covariance = moments(looked.units)
        seen = np.array([one.nominal[unit.row] for one in looked.foreseen])
        meter = self.dictionary.options.meter
        noise = np.array(
            [
                sigma_of(one, 10.0**x if one.kind == "ohms" else x, meter)
                for one, x in zip(looked.points, seen, strict=True)
            ]
        )
        whole = covariance + np.diag(noise**2)
        middle = np.array(
            [[one.nominal[r] for one in looked.foreseen] for r in basis.hypotheses.low]
        )
        away = seen - middle
        precision = np.linalg.inv(whole)
        pulled = np.einsum("hij,hj->hi", precision, away)
        whole_squares = np.einsum("hi,hi->h", away, pulled)
        without_one = whole_squares[:, None] - pulled**2 / np.einsum("hii->hi", precision)
        return bool(without_one.min() > APART**2)

    def unknown(self, count: int) -> Iterator[Unknown]:
        """Yield diagnoses of units whose family of faults has been left out."""
        families: dict[str, Basis] = {}
        for unit in self.draw(count):
            family = unit.fault.family
            if family not in families:
                families[family] = Basis(self.dictionary, False, frozenset({family}))
            if not self.stands_apart(unit, families[family]):
                continue
            situations = (POWER_OFF.key, TUBES_OUT.key, IDLE.key)
            points = [point for point, _ in candidates(self.basis.plan, situations, ())]
            readings = tuple(filter(None, self.read(unit, points)))
            found = Investigation(families[family], readings)
            first = int(np.argmax(found.posterior.every))
            causes = found.posterior.hypotheses.causes
            yield Unknown(
                unit.fault.id,
                family,
                causes[first].id if first < len(causes) else "none",
                found.posterior.none,
                len(found.readings),
            )

    def _ask(self, unit: Unit, found: Investigation) -> tuple[int | None, int | None, bool]:
        """Ask until it is settled: readings until a group stands out, readings in all, and
        whether the true cause is in the first group at the end."""
        group_after = None
        for asked in range(MOST_QUESTIONS + 1):
            posterior = found.posterior
            group = posterior.groups()[0]
            if group_after is None and posterior.every[group].sum() >= STANDS_OUT:
                group_after = asked
            if found.settled:
                return asked if group_after is None else group_after, asked, unit.cause in group
            (reading,) = self.read(unit, [found.proposals[0].point])
            if reading is None:
                break
            found = found.with_reading(reading)
        return group_after, None, unit.cause in found.posterior.groups()[0]


@dataclass(frozen=True)
class Results:
    """All trials of one circuit; unread: units without an operating point."""

    circuit: str
    trials: list[Trial]
    unread: int
    unknown: list[Unknown]


def run(
    file: Path, trials: int, draws: int, folder: Path | None, unknown: int = 0, seed: int = 11
) -> Results:
    """Return what became of the trials of one circuit; `unknown` with a family left out."""
    circuit = load_circuit(file)
    with Pool() as pool, progress_for_terminal() as progress:
        full = Dictionary(
            circuit, DictionaryOptions(draws=draws), lambda: pool, Store(folder), progress
        )
        bench = Bench(Basis(full, safer=False), Engine(), np.random.default_rng(seed))
        done = [bench.trial(unit, ask=True) for unit in bench.draw(trials)]
        left_out = list(bench.unknown(unknown))
    known = [one for one in done if one is not None]
    return Results(file.name, known, len(done) - len(known), left_out)
