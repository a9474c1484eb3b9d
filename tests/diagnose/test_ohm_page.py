"""Ohms with the power off: by hand, against the network solved anew, and in exact fractions.

How far the first order may be off is not a matter of taste.  Ohms between two nets are a
concave function of the resistances, homogeneous of degree one (Cohn), so that the first
order is never too low, and by the inequality of Kantorovich never above
`(m + M)^2 / (4 m M)` of the truth, where all factors lie between m and M.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcheck.circuit.changes import SetValue, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.diagnose.dictionary import Dictionary
from netcheck.diagnose.ohms import OPEN_FROM_OHM, OhmPage, branch_ohm, network_of, solve_ohm_page
from netcheck.diagnose.situations import POWER_OFF, Spread
from netcheck.judge.toleranced import Variable
from netcheck.pipeline import load_circuit

DIVIDER = "Two resistors, a source and a capacitor\nV1 s 0 100\nR1 s a 1k\nR2 a 0 3k\nR3 a 0 6k\n" \
    "C1 a b 1u\nR4 b 0 10k\nR5 c d 5\nC2 c 0 1u\nC3 d 0 1u\n.end\n"  # fmt: skip


@pytest.fixture(scope="module")
def divider(tmp_path_factory: pytest.TempPathFactory) -> Circuit:
    file = Path(tmp_path_factory.mktemp("ohms")) / "divider.cir"
    file.write_text(DIVIDER, "utf-8")
    return load_circuit(file)


def page_of(circuit: Circuit, *variants: tuple[SetValue, ...] | None) -> OhmPage:
    """Return a page of a circuit whose resistors spread one by one, in their order."""
    refs = [part.ref for part in circuit.of_kind("resistor")]
    spread = Spread(
        tuple(Variable(ref, "value", (ref,), 0.5, 2.0, 0.0, "a test") for ref in refs),
        np.ones((1, len(refs))),
    )
    return solve_ohm_page(circuit, variants, spread)


def unit(**factors: float) -> np.ndarray:
    return np.array([[factors.get(ref, 1.0) for ref in ("R1", "R2", "R3", "R4", "R5")]])


def test_parallel_resistors_follow_cohns_rule(divider: Circuit) -> None:
    # 3k and 6k are 2k; of a test current 2/3 and 1/3 pass, so dR/dR2 = 4/9, dR/dR3 = 1/9.
    page = page_of(divider)

    nominal, units = page.log_ohms("a", "0", unit(R2=1.1, R3=0.9))

    assert 10.0 ** nominal[0] == pytest.approx(2000.0)
    assert 10.0 ** units[0, 0] == pytest.approx(2000.0 + 300.0 * 4.0 / 9.0 - 600.0 / 9.0)


def test_resistors_in_series_add_up_exactly(divider: Circuit) -> None:
    page = page_of(divider)

    nominal, units = page.log_ohms("s", "0", unit(R1=1.25))

    assert 10.0 ** nominal[0] == pytest.approx(3000.0)
    assert 10.0 ** units[0, 0] == pytest.approx(3250.0)


def test_a_part_elsewhere_does_not_matter(divider: Circuit) -> None:
    page = page_of(divider)

    nominal, units = page.log_ohms("a", "0", unit(R1=1.9, R4=1.9, R5=1.9))

    assert units[0, 0] == pytest.approx(nominal[0], abs=1e-12)


def test_which_probe_is_where_does_not_matter(divider: Circuit) -> None:
    page, factors = page_of(divider), unit(R1=1.1, R2=0.8)

    there, back = page.log_ohms("s", "0", factors), page.log_ohms("0", "s", factors)

    assert there[0] == pytest.approx(back[0])
    assert there[1] == pytest.approx(back[1])


@pytest.mark.parametrize(("first", "second"), [("a", "c"), ("0", "c"), ("d", "s")])
def test_what_only_capacitors_join_reads_as_open(divider: Circuit, first: str, second: str) -> None:
    nominal, units = page_of(divider).log_ohms(first, second, unit(R1=1.3, R5=0.7))

    assert nominal[0] == units[0, 0] == math.log10(OPEN_FROM_OHM)


def test_an_island_without_ground_is_read_within_itself(divider: Circuit) -> None:
    nominal, units = page_of(divider).log_ohms("c", "d", unit(R5=1.2))

    assert 10.0 ** nominal[0] == pytest.approx(5.0)
    assert 10.0 ** units[0, 0] == pytest.approx(6.0)


def test_an_open_part_reads_as_open_and_as_what_lies_across_it(divider: Circuit) -> None:
    page = page_of(divider, (SetValue("R1", 1e9),), (SetValue("R2", 1e9),))

    series, _ = page.log_ohms("s", "0", unit())
    across, _ = page.log_ohms("a", "0", unit())

    assert series[1] == math.log10(OPEN_FROM_OHM)
    assert 10.0 ** across[2] == pytest.approx(6000.0, rel=1e-4)


def test_a_fault_that_leaves_with_the_tubes_is_the_sound_row(divider: Circuit) -> None:
    page = page_of(divider, None, (SetValue("C1", 1e-9),), (SetValue("R2", 1e3),))

    nominal, _ = page.log_ohms("a", "0", unit())

    assert nominal[0] == nominal[1] == nominal[2]
    assert 10.0 ** nominal[3] == pytest.approx(1.0 / (1.0 / 1e3 + 1.0 / 6e3))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.8, 1.25), min_size=5, max_size=5))
def test_the_first_order_is_never_too_low_and_never_above_kantorovich(
    divider: Circuit, factors: list[float]
) -> None:
    page, known = page_of(divider), np.array([factors])
    network = network_of(divider, dict(zip(("R1", "R2", "R3", "R4", "R5"), factors, strict=True)))

    for first, second in (("s", "0"), ("a", "0"), ("s", "a"), ("b", "0"), ("c", "d")):
        ratio = 10.0 ** page.log_ohms(first, second, known)[1][0, 0] / network.ohm(first, second)
        low, high = min(factors), max(factors)
        assert 1.0 - 1e-9 <= ratio <= (low + high) ** 2 / (4.0 * low * high) + 1e-9


def test_every_fault_and_unit_agrees_with_the_network_solved_anew(dictionary: Dictionary) -> None:
    circuit, page, spread = dictionary.circuit, dictionary.ohms, dictionary.spread
    rng = np.random.default_rng(3)
    pairs = [tuple(pair) for pair in combinations(circuit.nets, 2)]
    shown = [one.changes if POWER_OFF.shows(one) else () for one in dictionary.faults]
    checked = 0
    for row in range(0, len(dictionary.faults) + 1, 3):
        draw = int(rng.integers(len(spread.factors)))
        factors = {
            ref: float(spread.factors[draw, at])
            for at, one in enumerate(spread.variables)
            if one.kind in ("value", "wire")
            for ref in one.parts
        }
        changes = shown[row - 1] if row else ()
        network = network_of(apply_changes(circuit, changes), factors)
        low, high = min(1.0, *factors.values()), max(1.0, *factors.values())
        most = math.log10((low + high) ** 2 / (4.0 * low * high))
        for first, second in (pairs[at] for at in rng.choice(len(pairs), 12, replace=False)):
            exact = min(network.ohm(first, second), OPEN_FROM_OHM)
            actual = page.log_ohms(first, second, spread.factors)[1][row, draw]
            assert -1e-5 <= actual - math.log10(max(exact, 1e-3)) <= most + 1e-5
            checked += 1
    assert checked > 800


def exact_ohm(circuit: Circuit, first: str, second: str) -> float:
    """Return ohms between two nets in fractions: nodal equations, eliminated exactly."""
    branches = [
        (*part.nets[:2], Fraction(ohm)) for part in circuit if (ohm := branch_ohm(part)) is not None
    ]
    reached = {second}
    while (
        more := {net for a, b, _ in branches if (a in reached) != (b in reached) for net in (a, b)}
        - reached
    ):
        reached |= more
    if first not in reached:
        return math.inf
    nets = sorted(reached - {second})
    place = {net: at for at, net in enumerate(nets)}
    rows = [[Fraction(0)] * (len(nets) + 1) for _ in nets]
    for a, b, ohm in branches:
        for one, other in ((a, b), (b, a)):
            if one in place and one != other:
                rows[place[one]][place[one]] += 1 / ohm
                if other in place:
                    rows[place[one]][place[other]] -= 1 / ohm
    rows[place[first]][-1] = Fraction(1)
    for at in range(len(rows)):
        pivot = next(row for row in range(at, len(rows)) if rows[row][at])
        rows[at], rows[pivot] = rows[pivot], rows[at]
        rows[at] = [value / rows[at][at] for value in rows[at]]
        for row in range(len(rows)):
            if row != at and rows[row][at]:
                scale = rows[row][at]
                rows[row] = [x - scale * y for x, y in zip(rows[row], rows[at], strict=True)]
    return float(rows[place[first]][-1])


@pytest.mark.parametrize(
    "fault_id", ["R1/open", "R5/open", "R8/open", "R10/open", "L1/winding_open", "C11/shorted"]
)
def test_behind_an_open_part_no_digits_are_lost(
    dictionary: Dictionary, row_of: Callable[[str], int], fault_id: str
) -> None:
    # Nodal equations with 1 Gohm beside 1 mohm: twelve decades in one matrix.
    row = row_of(fault_id)
    faulty = apply_changes(dictionary.circuit, dictionary.faults[row - 1].changes)
    pairs = [("a2", "g2"), ("p2", "z1"), ("k2", "0"), ("g1", "0"), ("ht", "sg"), ("ht", "0"),
             ("s2", "drv"), ("p1", "ht"), ("in", "g1"), ("sp", "0"), ("p2", "ht")]  # fmt: skip

    actual = [dictionary.ohms.log_ohms(*pair, dictionary.spread.factors)[0][row] for pair in pairs]

    exact = [min(exact_ohm(faulty, *pair), OPEN_FROM_OHM) for pair in pairs]
    assert actual == pytest.approx(list(np.log10(exact)), abs=1e-4)
