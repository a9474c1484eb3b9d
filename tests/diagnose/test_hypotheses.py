"""Causes and sizes: weights that sum to one, sizes on a log grid, what is not interpolated."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from netcheck.diagnose.dictionary import Dictionary
from netcheck.diagnose.hypotheses import (
    NO_FAULT_SHARE,
    NONE_SHARE,
    STEPS,
    Hypotheses,
    hypotheses_of,
    size_words,
)
from netcheck.diagnose.situations import IDLE, TUBES_OUT
from netcheck.faults.base import Defect, Fault, likelihood
from netcheck.likelihoods import LIKELIHOOD_VALUE, LikelihoodClass
from netcheck.models.diagnosis import NO_FAULT


def fault(
    name: str, size: float | None = None, level: LikelihoodClass = "common", unit: str = "ohm"
) -> Fault:
    parts, kind = name.split("/")
    tail = "" if size is None else f"@{size:g}{unit}"
    defect = None if size is None else Defect(size, unit)
    return Fault(name + tail, tuple(parts.split("+")), kind, (), likelihood(level, "a test"), "",
                 defect)  # fmt: skip


def made(*faults: Fault, swept: tuple[str, ...] = (), unsolved: tuple[int, ...] = ()) -> Hypotheses:
    reasons = ["", *("not solved" if at in unsolved else "" for at in range(len(faults)))]
    known = {(one.parts, one.kind) for one in faults}
    return hypotheses_of(
        faults, reasons, {(parts, kind) for parts, kind in known if f"{parts[0]}/{kind}" in swept}
    )


def nodes_of(hypotheses: Hypotheses, cause_id: str) -> np.ndarray:
    cause = [one.id for one in hypotheses.causes].index(cause_id)
    return np.flatnonzero(hypotheses.cause == cause)


def test_weights_within_each_cause_sum_to_one(hypotheses: Hypotheses) -> None:
    sums = np.bincount(hypotheses.cause, hypotheses.weight)

    assert len(sums) == len(hypotheses.causes)
    assert sums == pytest.approx(np.ones(len(sums)))
    assert hypotheses.weight.min() > 0.0


def test_priors_and_the_share_of_none_sum_to_one(hypotheses: Hypotheses) -> None:
    assert hypotheses.prior.sum() + NONE_SHARE == pytest.approx(1.0)
    assert hypotheses.causes[0].id == NO_FAULT
    assert hypotheses.prior[0] == NO_FAULT_SHARE


def test_every_fault_of_the_dictionary_is_a_size_of_one_cause(
    dictionary: Dictionary, hypotheses: Hypotheses
) -> None:
    listed = sorted(at for one in hypotheses.causes for at in one.faults)

    reasons = dictionary.reasons((TUBES_OUT.key, IDLE.key))[1:]
    assert listed == [at for at, why in enumerate(reasons) if not why]
    assert len(listed) >= len(dictionary.faults) - 1
    for number, one in enumerate(hypotheses.causes):
        ends = hypotheses.low[hypotheses.cause == number]
        assert set(ends - 1) <= set(one.faults) or number == 0


def test_a_prior_goes_by_the_likeliest_size_and_not_by_how_many_sizes_there_are() -> None:
    many = [fault("C3/leaky", size) for size in (1e6, 2e6, 5e6)]
    one = made(*many, fault("R1/open"), fault("R2/open", level="rare"), swept=("C3/leaky",))

    _, leaky, common, rare = one.prior
    assert leaky == pytest.approx(common)
    expected = LIKELIHOOD_VALUE["common"] / LIKELIHOOD_VALUE["rare"]
    assert common / rare == pytest.approx(expected)


def test_sizes_between_neighbors_are_geometric_means(hypotheses: Hypotheses) -> None:
    nodes = nodes_of(hypotheses, "C3/leaky")
    on_file = {
        int(hypotheses.low[node]): hypotheses.sizes[node]
        for node in nodes
        if hypotheses.low[node] == hypotheses.high[node]
    }
    between = [node for node in nodes if hypotheses.low[node] != hypotheses.high[node]]

    assert len(on_file) == 9  # from 1 to 500 Mohm
    assert len(between) == (STEPS - 1) * 8
    for node in between:
        low, high = on_file[hypotheses.low[node]], on_file[hypotheses.high[node]]
        share = hypotheses.share[node]
        assert hypotheses.sizes[node] == pytest.approx(low ** (1.0 - share) * high**share)


def test_a_middle_step_is_the_geometric_mean_of_its_ends() -> None:
    one = made(fault("R1/drifted", 100.0), fault("R1/drifted", 800.0), swept=("R1/drifted",))

    actual = [one.sizes[at] for at in nodes_of(one, "R1/drifted")]

    expected = [100.0, 200.0, 400.0, 800.0]
    assert sorted(actual) == pytest.approx(expected)  # type: ignore[type-var]
    for low, high in pairwise(range(4)):
        assert sorted(actual)[high] / sorted(actual)[low] == pytest.approx(2.0)


def test_even_likelihood_over_a_log_grid_weighs_each_decade_alike() -> None:
    sizes = (1e3, 1e4, 10**4.6, 1e6)
    one = made(*(fault("C1/leaky", size) for size in sizes), swept=("C1/leaky",))
    nodes = nodes_of(one, "C1/leaky")

    logs = np.log10([one.sizes[at] for at in nodes])
    mean = float(one.weight[nodes] @ logs)

    assert mean == pytest.approx(4.5)  # the middle of an even spread from 3 to 6


def test_wrong_values_are_not_interpolated(dictionary: Dictionary, hypotheses: Hypotheses) -> None:
    wrong = [at for at, one in enumerate(hypotheses.causes) if one.id.endswith("/wrong_value")]

    assert wrong
    for cause in wrong:
        nodes = hypotheses.cause == cause
        assert not hypotheses.share[nodes].any()
        assert len(hypotheses.causes[cause].faults) == nodes.sum()


def test_sizes_far_apart_are_not_interpolated() -> None:
    near = made(fault("C1/leaky", 1e3), fault("C1/leaky", 29e3), swept=("C1/leaky",))
    far = made(fault("C1/leaky", 1e3), fault("C1/leaky", 31e3), swept=("C1/leaky",))

    assert len(nodes_of(near, "C1/leaky")) == STEPS + 1
    assert len(nodes_of(far, "C1/leaky")) == 2


def test_sizes_that_stand_alone_count_by_their_likelihood() -> None:
    levels: tuple[LikelihoodClass, ...] = ("common", "occasional", "occasional", "common")
    sizes = (10e3, 68e3, 150e3, 1e6)
    one = made(*(fault("R3/wrong_value", *each) for each in zip(sizes, levels, strict=True)))

    actual = one.weight[nodes_of(one, "R3/wrong_value")]

    likely = np.array([LIKELIHOOD_VALUE[level] for level in levels])
    assert actual == pytest.approx(likely / likely.sum())


def test_a_fault_that_was_not_solved_is_not_weighed() -> None:
    one = made(fault("R1/open"), fault("R2/open"), unsolved=(0,))

    assert [each.id for each in one.causes] == [NO_FAULT, "R2/open"]
    assert list(one.low) == [0, 2]
    assert one.prior.sum() + NONE_SHARE == pytest.approx(1.0)


def test_without_any_fault_solved_the_sound_unit_is_left() -> None:
    one = made(fault("R1/open"), unsolved=(0,))

    assert [each.id for each in one.causes] == [NO_FAULT]


def test_tubes_of_other_types_are_causes_of_their_own() -> None:
    types = [
        Fault(f"X2/wrong_type@{name}", ("X2",), "wrong_type", (), likelihood("rare", ""), "")
        for name in ("EL34", "5881")
    ]

    one = made(*types)

    assert [each.id for each in one.causes[1:]] == ["X2/wrong_type@EL34", "X2/wrong_type@5881"]


@pytest.mark.parametrize(
    ("fault_id", "expected"),
    [("C3/leaky@2Mohm", "2 Mohm"), ("X2/wrong_type@EL34", ""), ("C3/open", "0.1 %")],
)
def test_the_size_of_a_node_is_written_as_a_person_does(
    dictionary: Dictionary,
    hypotheses: Hypotheses,
    row_of: Callable[[str], int],
    fault_id: str,
    expected: str,
) -> None:
    row = row_of(fault_id)
    node = int(np.flatnonzero((hypotheses.low == row) & (hypotheses.high == row))[0])

    assert size_words(hypotheses, dictionary.faults, node) == expected
    assert size_words(hypotheses, dictionary.faults, 0) == ""


def test_a_size_between_is_rounded_to_two_digits() -> None:
    faults = [fault("C3/leaky", 1e6), fault("C3/leaky", 2e6)]
    one = made(*faults, swept=("C3/leaky",))
    node = next(at for at in nodes_of(one, "C3/leaky") if one.share[at] == pytest.approx(1 / 3))

    assert one.sizes[node] == pytest.approx(math.cbrt(2.0) * 1e6)
    assert size_words(one, faults, node) == "1.3 Mohm"
