"""Two faults at once: found from noisy readings, really solved, bounded and counted."""

from __future__ import annotations

from itertools import combinations
from types import SimpleNamespace

import numpy as np
import pytest

from netcheck.circuit.changes import AddResistor, Change, SetValue, added_resistor, apply_changes
from netcheck.circuit.model import GROUND, Circuit
from netcheck.diagnose.dictionary import Point
from netcheck.diagnose.evidence import parse_evidence
from netcheck.diagnose.evidence_rules import HUM_LEAST
from netcheck.diagnose.hypotheses import NONE_SHARE
from netcheck.diagnose.investigation import Basis, Investigation
from netcheck.diagnose.ohms import network_of
from netcheck.diagnose.pair_causes import (
    CAUSED,
    MOST_PAIRS,
    PairCause,
    PairsWeighed,
    _leak_v,
    _read,
    weigh_pairs,
)
from netcheck.diagnose.posterior import Posterior
from netcheck.diagnose.readings import Reading, parse_reading
from netcheck.diagnose.situations import situation_of
from netcheck.faults import word_of
from netcheck.solve.deck import MIN_RESISTANCE_OHM, write_deck
from netcheck.solve.draws import Knob, can_turn, solve_draws
from netcheck.solve.pool import Job, Pool
from netcheck.workbench.pairs import are_apart
from netcheck.workbench.tolerance import draw_factors

LEAK_OHM, DRIFTED_OHM = 3e6, 400.0
BOTH = (AddResistor("C3.leak", "p1", "a2", LEAK_OHM), SetValue("R8", DRIFTED_OHM))
"""A leaky coupling capacitor and a cathode resistor of 270 ohm that has drifted."""
Place = tuple[str, str, str]
PLACES: tuple[Place, ...] = (
    ("ht", GROUND, "idle"),
    ("s2", GROUND, "idle"),
    ("k2", GROUND, "idle"),
    ("g2", GROUND, "idle"),
    ("g2", "k2", "idle"),
    ("p1", GROUND, "idle"),
    ("g2", GROUND, "tubes_out"),
)
UNIT_SEED, NOISE_SEED = 3, 8
METER_OHM = 10e6


def settings_of(basis: Basis, circuit: Circuit, factors: np.ndarray) -> dict[Knob, float]:
    """Return the parts of one unit within tolerance."""
    deck, found = write_deck(circuit), {}
    for at, one in enumerate(basis.dictionary.spread.variables):
        for ref in one.parts:
            knob = Knob(ref, "value" if one.kind == "mains" else one.kind)
            part = circuit[ref]
            level = {"value": part.value or 0.0, "wire": part.note.dcr_ohm or MIN_RESISTANCE_OHM}
            if can_turn(deck, knob):
                found[knob] = level.get(knob.kind, 1.0) * factors[at]
    return found


def solved_v(
    pool: Pool,
    basis: Basis,
    changes: tuple[Change, ...],
    place: Place,
    factors: np.ndarray | None = None,
) -> float:
    """Return what a meter shows, solved in a deck of its own with the meter connected.

    factors: of one unit; None for nominal parts.
    """
    first, second, key = place
    situation = situation_of(key)
    faulty = apply_changes(basis.dictionary.circuit, changes)
    faulty = situation.circuit(faulty, basis.dictionary.spread.on_mains, situation.hot[-1])
    faulty = faulty.with_parts(added_resistor(AddResistor("meter", first, second, METER_OHM)))
    known = {} if factors is None else settings_of(basis, faulty, factors)
    job = Job(solve_draws, (faulty, tuple(known), np.array([list(known.values())])))
    drawn = pool.run([job])[0]
    return float((drawn.net(first) - drawn.net(second))[0])


@pytest.fixture(scope="module")
def readings(workers: Pool, basis: Basis) -> tuple[Reading, ...]:
    """Read a unit with both faults, within tolerance, by a meter with its error."""
    rng = np.random.default_rng(NOISE_SEED)
    factors = draw_factors(basis.dictionary.spread.variables, 1, UNIT_SEED)[0]
    meter = basis.dictionary.options.meter
    found = []
    for place in PLACES:
        volts = solved_v(workers, basis, BOTH, place, factors)
        volts += rng.uniform(-1.0, 1.0) * meter.uncertainty_v(volts)
        found.append(Reading("volts", place[0], place[1], volts, place[2]))
    network = network_of(apply_changes(basis.dictionary.circuit, BOTH))
    ohm = network.ohm("k2", GROUND) * (1.0 + 0.01 * rng.uniform(-1.0, 1.0))
    return (*found, Reading("ohms", "k2", GROUND, ohm, "power_off"))


@pytest.fixture(scope="module")
def posterior(basis: Basis, readings: tuple[Reading, ...]) -> Posterior:
    return Investigation(basis, readings).posterior


@pytest.fixture(scope="module")
def weighed(basis: Basis, readings: tuple[Reading, ...]) -> PairsWeighed:
    return weigh_pairs(Investigation(basis, readings))


def log_weight(pair: PairCause) -> float:
    return pair.log_density + float(np.log(pair.prior))


def test_two_faults_at_once_come_out_on_top(weighed: PairsWeighed) -> None:
    actual = weighed.pairs[0]

    assert {(one.parts, one.kind) for one in (actual.first, actual.second)} == {
        (("C3",), "leaky"),
        (("R8",), "drifted"),
    }
    assert log_weight(actual) == max(map(log_weight, weighed.pairs))


def test_the_sizes_of_both_are_found(weighed: PairsWeighed) -> None:
    best = weighed.pairs[0]
    actual = {one.parts: one.defect.value for one in (best.first, best.second) if one.defect}

    assert actual[("C3",)] == pytest.approx(LEAK_OHM, rel=0.35)
    assert actual[("R8",)] == pytest.approx(DRIFTED_OHM, rel=0.1)


def test_the_pair_is_likelier_than_every_single_fault_and_none(
    weighed: PairsWeighed, posterior: Posterior
) -> None:
    log_none = float(posterior.log_best[-1]) + np.log(NONE_SHARE)
    log_singles = log_none + np.log(np.maximum(posterior.every, 1e-300)) - np.log(posterior.none)

    assert log_weight(weighed.pairs[0]) > log_singles.max()


def test_no_single_fault_fits_as_well_as_the_pair(
    weighed: PairsWeighed, posterior: Posterior
) -> None:
    """The pair's density is over all sizes, that of each fault at the one that fits best."""
    assert weighed.pairs[0].log_density > posterior.log_best.max()


def test_a_pair_is_solved_and_not_added_up(
    weighed: PairsWeighed, posterior: Posterior, workers: Pool, basis: Basis
) -> None:
    """What is foreseen is the solved value and how far the units of one of both are off it."""
    best, count, known = weighed.pairs[0], len(PLACES), posterior.hypotheses
    both = best.first.changes + best.second.changes
    expected = np.array([solved_v(workers, basis, both, place) for place in PLACES])

    off = np.array(best.expected[:count]) - expected
    biases = []
    for fault in (best.first, best.second):
        sizes = [None if one is None else f"{one:.6g}" for one in known.sizes]
        causes = [one.id for one in known.causes]
        node = next(
            at
            for at, cause in enumerate(known.cause)
            if causes[cause] == f"{fault.parts[0]}/{fault.kind}"
            and fault.defect is not None
            and sizes[at] == f"{fault.defect.value:.6g}"
        )
        rows, share = (known.low[node], known.high[node]), known.share[node]
        nominal = [
            (1.0 - share) * one.nominal[rows[0]] + share * one.nominal[rows[1]]
            for one in posterior.looked.foreseen[:count]
        ]
        biases.append(posterior.mean[node, :count] - nominal)
    assert min(np.abs(off - bias).max() for bias in biases) < 0.02
    alone = [
        solved_v(workers, basis, changes, ("g2", "k2", "idle"))
        for changes in ((), best.first.changes, best.second.changes)
    ]
    assert abs(alone[1] + alone[2] - alone[0] - expected[PLACES.index(("g2", "k2", "idle"))]) > 0.5


def test_pairs_are_bounded_and_all_are_counted(weighed: PairsWeighed, basis: Basis) -> None:
    faults = basis.dictionary.faults
    firsts = [faults[one.faults[0]] for one in basis.hypotheses.causes[1:]]
    possible = sum(are_apart(*pair) for pair in combinations(firsts, 2))

    assert 0 < weighed.tried <= MOST_PAIRS
    assert weighed.tried + weighed.left_out == possible
    assert len(weighed.pairs) + len(weighed.unsolved) >= weighed.tried


def test_a_consequence_is_what_an_overloaded_part_ends_as(
    weighed: PairsWeighed, basis: Basis, circuit: Circuit
) -> None:
    causal = [one for one in weighed.pairs if one.kind == "causes"]
    rows = {fault.id: row for row, fault in enumerate(basis.dictionary.faults, start=1)}
    on_file = [one for one in causal if one.first.id in rows]

    assert all(one.link in one.second.parts for one in causal)
    assert all(word_of(one.second).gives_up for one in causal)
    assert on_file
    for one in on_file:
        words = basis.heat.words(rows[one.first.id])
        assert any(each.split()[0] == one.link for each in words), (one.first.id, one.link)


def test_a_consequence_is_likelier_than_chance(weighed: PairsWeighed, basis: Basis) -> None:
    prior = {one.id.partition("@")[0]: one.prior for one in basis.hypotheses.causes}

    for one in weighed.pairs:
        words = [each.id.partition("@")[0] for each in (one.first, one.second)]
        if all(word in prior and "wrong_type" not in word for word in words):
            by_chance = prior[words[0]] * prior[words[1]]
            times = CAUSED if one.kind == "causes" else 1.0
            assert one.prior == pytest.approx(times * by_chance)


def test_ripple_and_evidence_count_and_have_no_figure(
    basis: Basis, readings: tuple[Reading, ...], weighed: PairsWeighed
) -> None:
    """A leaky coupler reddens the plate; nothing in this pair makes the supply ripple."""
    investigation = Investigation(
        basis, (parse_reading("ripple(sg)=yes"), *readings), (parse_evidence("glow(X2)=yes"),)
    )
    best = weighed.pairs[0]
    with_both = next(
        one
        for one in weigh_pairs(investigation).pairs
        if {one.first.id, one.second.id} == {best.first.id, best.second.id}
    )
    known, glows = basis.hypotheses, investigation.evidence_by_node[0]
    leaky = [known.causes[at].id == "C3/leaky" for at in known.cause]
    ripples = HUM_LEAST

    glow = float(np.exp(with_both.log_density - best.log_density)) / ripples
    assert np.isnan(with_both.expected[0])
    assert with_both.expected[1:] == pytest.approx(best.expected)
    assert 2.0 * glows[0] < glow <= glows[leaky].max()


def test_without_readings_nothing_is_tried(basis: Basis) -> None:
    actual = weigh_pairs(Investigation(basis, (), (parse_evidence("glow(X2)=yes"),)))

    assert actual == PairsWeighed((), 0, 0, ())


def test_a_leak_past_a_lifted_capacitor_is_that_of_the_leak_alone(basis: Basis) -> None:
    # The cathode resistor of the next tube does not reach the capacitor's other end.
    dictionary, point = basis.dictionary, Point("leak", "C3", "", "tubes_out")
    rows = {one.id: row for row, one in enumerate(dictionary.faults, start=1)}
    leaky, drifted = "C3/leaky@10Mohm", "R8/drifted@540ohm"
    pair = (dictionary.faults[rows[leaky] - 1], dictionary.faults[rows[drifted] - 1])
    work = SimpleNamespace(dictionary=dictionary)

    actual = _leak_v(work, "C3", dictionary.page("tubes_out"), rows[drifted], pair, 10e6)

    expected = dictionary.foresee(point, 100.0).nominal[rows[leaky]]
    assert actual == pytest.approx(expected, rel=1e-3)
    assert 100.0 < actual < 150.0  # 275 V over 10 Mohm of leak and 10 Mohm of meter


def test_ohms_across_an_electrolytic_are_open_where_a_single_fault_says_so(basis: Basis) -> None:
    reading = parse_reading("R(ht)=open")
    dictionary = basis.dictionary
    work = SimpleNamespace(dictionary=dictionary, metered=(reading,))

    (actual,) = _read(work, (dictionary.faults[0], dictionary.faults[1]), {}, 1)

    point = Point("ohms", "ht", "0", "power_off")
    assert actual == pytest.approx(np.log10(dictionary.open_ohm(point)))
    assert dictionary.open_ohm(point) < 1e6  # 47 uF: 20 ohm-farad over it
