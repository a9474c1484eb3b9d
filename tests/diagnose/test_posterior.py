"""From readings to probabilities: Bayes by hand on a toy, and what must not change anything."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from netcheck.diagnose.dictionary import Dictionary, Point
from netcheck.diagnose.hypotheses import NONE_SHARE, Hypotheses
from netcheck.diagnose.investigation import Basis, Investigation
from netcheck.diagnose.meters import DIGITAL, parse_meter
from netcheck.diagnose.ohms import OPEN_FROM_OHM
from netcheck.diagnose.posterior import (
    MISTAKE,
    MODEL_SHARE,
    OPEN_DECADES,
    SAME_FACTOR,
    Posterior,
    look,
    seen_value,
    sigma_of,
    weigh,
)
from netcheck.diagnose.readings import Reading, parse_reading
from netcheck.diagnose.situations import IDLE
from tests.diagnose.toy import Toy, toy_hypotheses, units_of

PLATE = Point("volts", "p", "0", "idle")
GRID = Point("volts", "g", "0", "idle")
SHAPE, OTHER = (-2.0, -1.0, 0.0, 1.0, 2.0), (1.0, -2.0, 2.0, -2.0, 1.0)
"""Two spreads of five units that have nothing in common."""


def read(point: Point, value: float) -> Reading:
    return Reading(point.kind, point.first, point.second, value, point.situation)


def weighed(
    toy: Toy, hypotheses: Hypotheses, *readings: Reading, evidence: Any = None, none: float = 1.0
) -> Posterior:
    known: Any = toy
    factor = np.ones(len(hypotheses.low)) if evidence is None else np.array(evidence)
    return weigh(known, hypotheses, readings, factor, none)


def test_one_reading_is_weighed_as_bayes_has_it() -> None:
    means, sigma, value = (100.0, 110.0, 160.0), 4.0, 107.0
    toy, hypotheses = Toy({PLATE: units_of(means, sigma, SHAPE)}), toy_hypotheses((0, 1, 2))

    actual = weighed(toy, hypotheses, read(PLATE, value))

    noise = np.hypot(DIGITAL.uncertainty_v(value) / np.sqrt(3.0), MODEL_SHARE * value)
    span = 160.0 - 100.0 + 10.0 * noise
    whole = np.hypot(sigma, noise)
    density = (1.0 - MISTAKE) * norm(means, whole).pdf(value) + MISTAKE / span
    moved = np.sqrt(np.mean(np.square([m - 100.0 for m in means[1:]])))
    unknown = norm(100.0, np.hypot(whole, max(moved, 10.0 * noise))).pdf(value)
    share = np.append(density * (1.0 - NONE_SHARE) / 3.0, unknown * NONE_SHARE)
    assert actual.every == pytest.approx(share / share.sum(), rel=1e-9)


def test_an_unknown_size_is_integrated_and_not_chosen() -> None:
    # Cause 1 has three sizes, one of which fits; cause 2 has one that fits as well.
    toy = Toy({PLATE: units_of((100.0, 120.0, 150.0, 180.0, 150.0), 1.0, SHAPE)})
    hypotheses = toy_hypotheses((0, 1, 1, 1, 2), (1.0, 0.25, 0.5, 0.25, 1.0))

    actual = weighed(toy, hypotheses, read(PLATE, 150.0))

    assert actual.cause[1] / actual.cause[2] == pytest.approx(0.5, rel=0.02)
    assert actual.node[1:4].sum() == pytest.approx(actual.cause[1])
    assert actual.log_best[1] == pytest.approx(actual.log_best[2])
    assert [1, 2] in [sorted(group) for group in actual.groups()]


def test_probabilities_sum_to_one(dictionary: Dictionary, hypotheses: Hypotheses) -> None:
    readings = [parse_reading(text) for text in ("V(k2)=19V", "V(p1)=150V", "R(a2)=391kohm")]

    actual = weigh(dictionary, hypotheses, readings, np.ones(len(hypotheses.low)))

    assert actual.every.sum() == pytest.approx(1.0)
    assert actual.node.sum() + actual.none == pytest.approx(1.0)
    sums = np.bincount(hypotheses.cause, actual.node)
    assert sums == pytest.approx(actual.cause)


def test_without_readings_the_priors_stand(dictionary: Dictionary, hypotheses: Hypotheses) -> None:
    actual = weigh(dictionary, hypotheses, [], np.ones(len(hypotheses.low)))

    assert actual.cause == pytest.approx(hypotheses.prior)
    assert actual.none == pytest.approx(NONE_SHARE)


def test_rails_that_move_together_with_the_mains_count_once() -> None:
    # Both nets are 2 sigma high in the same units: one piece of news, not two.
    toy = Toy(
        {
            PLATE: units_of((100.0, 120.0), 10.0, SHAPE),
            GRID: units_of((50.0, 60.0), 5.0, SHAPE),
        }
    )
    hypotheses = toy_hypotheses((0, 1))

    one = weighed(toy, hypotheses, read(PLATE, 120.0))
    both = weighed(toy, hypotheses, read(PLATE, 120.0), read(GRID, 60.0))
    toy.points = {**toy.points, GRID: units_of((50.0, 60.0), 5.0, OTHER)}
    apart = weighed(toy, hypotheses, read(PLATE, 120.0), read(GRID, 60.0))

    first, same, other = (one.cause[1] / one.cause[0] for one in (one, both, apart))
    assert first < same < 1.5 * first  # each reading may be a mistake, so a second one helps
    assert other > 3.0 * first


READINGS = (
    "V(k2)=19V", "V(p1)=150V", "V(g2)=4V", "R(a2)=391kohm", "V(drv)=240V@tubes_out", "V(s2)=261V",
    "I(R8)=70mA", "W(X2)=16W",
)  # fmt: skip


@settings(max_examples=12, deadline=None)
@given(st.permutations(READINGS).map(lambda order: order[:5]), st.randoms(use_true_random=False))
def test_the_order_of_readings_changes_nothing(
    dictionary: Dictionary, hypotheses: Hypotheses, order: list[str], shuffle: Any
) -> None:
    evidence, again = np.ones(len(hypotheses.low)), list(order)
    shuffle.shuffle(again)

    first, second = (
        weigh(dictionary, hypotheses, [parse_reading(text) for text in one], evidence)
        for one in (order, again)
    )

    assert second.every == pytest.approx(first.every, rel=1e-6, abs=1e-9)
    where = [order.index(text) for text in again]
    assert second.mistakes == pytest.approx(first.mistakes[where], rel=1e-6, abs=1e-9)


def test_evidence_with_one_factor_for_all_changes_nothing(
    dictionary: Dictionary, hypotheses: Hypotheses
) -> None:
    readings = [parse_reading("V(k2)=19V")]
    plain = weigh(dictionary, hypotheses, readings, np.ones(len(hypotheses.low)))

    same = weigh(dictionary, hypotheses, readings, np.ones(len(hypotheses.low)), 1.0)
    scaled = weigh(dictionary, hypotheses, readings, np.full(len(hypotheses.low), 0.2), 0.2)

    assert same.every == pytest.approx(plain.every)
    assert scaled.every == pytest.approx(plain.every)


def test_evidence_multiplies_the_odds() -> None:
    toy, hypotheses = Toy({PLATE: units_of((100.0, 104.0), 4.0, SHAPE)}), toy_hypotheses((0, 1))
    plain = weighed(toy, hypotheses, read(PLATE, 102.0))

    told = weighed(toy, hypotheses, read(PLATE, 102.0), evidence=(0.1, 0.7), none=0.3)

    odds = plain.cause[1] / plain.cause[0]
    assert told.cause[1] / told.cause[0] == pytest.approx(7.0 * odds)
    assert told.none / told.cause[0] == pytest.approx(3.0 * plain.none / plain.cause[0])


@pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning")
def test_a_cause_without_a_figure_leaves_the_others_theirs() -> None:
    # A fault that has no operating point on reduced mains, where something has been read.
    unknown, hypotheses = units_of((100.0, 104.0, 120.0), 4.0, SHAPE), toy_hypotheses((0, 1, 2))
    plain = weighed(Toy({PLATE: unknown.copy()}), hypotheses, read(PLATE, 102.0))
    unknown[2] = np.nan

    actual = weighed(Toy({PLATE: unknown}), hypotheses, read(PLATE, 102.0))

    expected = plain.cause[1] / plain.cause[0]
    assert np.isfinite(actual.every).all()
    assert actual.cause[1] / actual.cause[0] == pytest.approx(expected, rel=0.05)


def posterior_of(cause: np.ndarray, none: float, log_best: np.ndarray) -> Posterior:
    nothing: Any = None
    known = dict.fromkeys(Posterior.__dataclass_fields__, nothing)
    return Posterior(**{**known, "cause": cause, "none": none, "log_best": log_best})


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.0, 1.0), st.floats(-30.0, 5.0)), min_size=2, max_size=12),
)
def test_groups_partition_all_causes_and_none(known: list[tuple[float, float]]) -> None:
    share = np.array([one for one, _ in known]) + 1e-9
    share /= share.sum()
    best = np.array([one for _, one in known])
    posterior = posterior_of(share[:-1], float(share[-1]), best)

    groups = posterior.groups()

    none, every = len(known) - 1, posterior.every
    assert sorted(at for group in groups for at in group) == list(range(len(known)))
    assert [none] in groups
    assert groups[0][0] == int(np.argmax(every))
    for group in groups:
        away = np.abs(best[group] - best[group[0]])
        assert (away <= np.log(SAME_FACTOR)).all()
        assert every[group[0]] == every[group].max()
    leads = [every[group[0]] for group in groups]
    assert leads == sorted(leads, reverse=True)


def test_what_nothing_explains_is_a_fault_not_in_the_catalogue(
    dictionary: Dictionary, hypotheses: Hypotheses
) -> None:
    # The plate of X1 is as in health though its cathode is not; screen and rails contradict
    # each other and the plate current.  That is more than two misplaced probes.
    evidence = np.ones(len(hypotheses.low))
    sound = [parse_reading(text) for text in ("V(ht)=269.2V", "V(k2)=12.84V", "V(p1)=159V")]
    odd = [parse_reading(text) for text in ("V(k1)=3V", "V(s2)=220V", "V(sg)=264V", "V(drv)=285V")]

    plain, strange = (
        weigh(dictionary, hypotheses, one, evidence) for one in (sound, [*sound, *odd])
    )

    assert plain.none < NONE_SHARE
    assert strange.none > 0.9


def test_a_fault_is_found_from_what_it_reads(
    dictionary: Dictionary, hypotheses: Hypotheses, row_of: Callable[[str], int]
) -> None:
    page, row = dictionary.page(IDLE.key), row_of("C3/leaky@2Mohm")
    readings = [
        read(Point("volts", net, "0", "idle"), float(page.nominal_volts(net, "0", 10e6)[row]))
        for net in ("k2", "g2", "p1", "ht")
    ]

    actual = weigh(dictionary, hypotheses, readings, np.ones(len(hypotheses.low)))

    first = hypotheses.causes[int(np.argmax(actual.every))]
    assert first.id == "C3/leaky"
    node = int(np.argmax(np.where(hypotheses.cause == np.argmax(actual.cause), actual.node, 0.0)))
    assert hypotheses.sizes[node] == pytest.approx(2e6, rel=0.5)


def test_a_misread_point_is_named(dictionary: Dictionary, hypotheses: Hypotheses) -> None:
    page = dictionary.page(IDLE.key)
    nets = ("ht", "k2", "p1", "s2", "k1")
    readings = [
        read(Point("volts", net, "0", "idle"), float(page.nominal_volts(net, "0", 10e6)[0]))
        for net in nets
    ]
    readings[3] = read(Point("volts", "s2", "0", "idle"), 12.8)  # the probe was on the cathode

    actual = weigh(dictionary, hypotheses, readings, np.ones(len(hypotheses.low)))

    assert int(np.argmax(actual.mistakes)) == 3
    assert actual.mistakes[3] > 0.5


def test_sizes_between_read_between_unit_by_unit(
    dictionary: Dictionary, hypotheses: Hypotheses
) -> None:
    point = Point("volts", "k2", "0", "idle")
    looked = look(dictionary, hypotheses, [(point, 15.0)])
    node = next(at for at, share in enumerate(hypotheses.share) if 0.3 < share < 0.4)

    rows = looked.foreseen[0].units[[hypotheses.low[node], hypotheses.high[node]]]

    assert looked.units[0, node] == pytest.approx(rows[0] * 2.0 / 3.0 + rows[1] / 3.0)
    assert looked.units.shape == (1, len(hypotheses.low), rows.shape[1])


@pytest.mark.parametrize(
    ("kind", "value", "meter", "stated", "expected"),
    [
        # 0.5 % + 2 counts of 600 V in 6000, evenly spread, and 1 % of the model
        ("volts", 100.0, "digital", 0.0, np.hypot(0.7 / np.sqrt(3.0), 1.0)),
        # 2 % of the 250 V range
        ("volts", -200.0, "analog", 0.0, np.hypot(5.0 / np.sqrt(3.0), 2.0)),
        ("volts", 100.0, "digital", 3.0, np.hypot(3.0 / np.sqrt(3.0), 1.0)),
        ("ohms", 1000.0, "digital", 0.0, 10.3 / 1000.0 / np.log(10.0) / np.sqrt(3.0)),
        ("ohms", float("inf"), "digital", 0.0, OPEN_DECADES),
        ("watts", 10.0, "digital", 0.0, np.hypot(0.3 / np.sqrt(3.0), 0.1)),
    ],
)
def test_how_sharp_a_reading_is(
    kind: Any, value: float, meter: str, stated: float, expected: float
) -> None:
    actual = sigma_of(Point(kind, "a", "0", "idle"), value, parse_meter(meter), stated)

    assert actual == pytest.approx(expected)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("V(g4)=-31V", -31.0),
        ("I(R8)=-40mA", 0.04),
        ("R(g2)=open", np.log10(OPEN_FROM_OHM)),
        ("R(g2)=0ohm", -3.0),
        ("R(g2)=100kohm", 5.0),
    ],
)
def test_readings_are_compared_as_they_are_kept(text: str, expected: float) -> None:
    assert seen_value(parse_reading(text)) == pytest.approx(expected)


def test_each_reading_is_loaded_by_its_own_meter(basis: Basis) -> None:
    # 2 kohm/V on the 250 V range is 500 kohm, beside a plate of some 40 kohm.
    by_bench = Investigation(basis, (parse_reading("V(p1)=158V"),)).posterior
    by_other = Investigation(basis, (parse_reading("V(p1)=158V by 2kohm/V"),)).posterior

    ohm = 2e3 * 250.0
    source = basis.dictionary.page("idle").source_ohm("p1", "0")[0]
    share = ohm / (ohm + source) * (1.0 + source / 10e6)
    assert by_other.mean[0, 0] == pytest.approx(share * by_bench.mean[0, 0], rel=0.01)
    assert by_other.sight.noise[0] == pytest.approx(np.hypot(0.02 * 250.0 / np.sqrt(3.0), 1.58))
