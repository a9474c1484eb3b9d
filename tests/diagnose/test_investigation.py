"""One investigation: what is refused for the sake of a tube, and when nothing more is asked."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from netcheck.diagnose.dictionary import Dictionary, Point
from netcheck.diagnose.evidence import parse_evidence
from netcheck.diagnose.investigation import HOT_RATIO, HOT_RISK, SAFER, Basis, Investigation
from netcheck.diagnose.readings import Reading, parse_reading
from netcheck.diagnose.situations import IDLE, POWER_OFF, TUBES_OUT

SAFE = (POWER_OFF.key, TUBES_OUT.key)
Row = Callable[[str], int]


def reads(dictionary: Dictionary, row: int, nets: str) -> tuple[Reading, ...]:
    """Return what a unit with nominal parts reads at idle in a row of the dictionary."""
    page = dictionary.page(IDLE.key)
    return tuple(
        Reading("volts", net, "0", float(page.nominal_volts(net, "0", 10e6)[row]), IDLE.key)
        for net in nets.split()
    )


def first_cause(found: Investigation) -> str:
    return found.posterior.hypotheses.causes[int(np.argmax(found.posterior.cause))].id


def test_without_readings_full_mains_may_be_asked_for(basis: Basis) -> None:
    found = Investigation(basis)

    assert found.hot_risk < HOT_RISK
    assert found.situations == (*SAFE, IDLE.key)
    assert found.refused == ()
    assert found.settled == ""
    assert found.proposals


def test_the_risk_is_the_share_of_causes_that_overheat_a_plate(
    basis: Basis, dictionary: Dictionary
) -> None:
    found = Investigation(basis)
    known = basis.hypotheses

    page = dictionary.page(IDLE.key)
    limits = {part: most for part, what, most in page.limits if what == "plate_dissipation_w"}
    ratio = np.max(
        [page.nominal[:, page.place[f"w:{ref}"]] / most for ref, most in limits.items()], axis=0
    )
    hot = np.maximum(ratio[known.low], ratio[known.high]) > HOT_RATIO
    assert 0.0 < found.hot_risk == pytest.approx(float(found.posterior.node[hot].sum()))


@pytest.mark.parametrize("safer", [False, True])
def test_while_a_plate_glows_full_mains_are_refused(dictionary: Dictionary, safer: bool) -> None:
    found = Investigation(Basis(dictionary, safer), (), (parse_evidence("glow(X2)=yes"),))

    assert found.hot_risk == 1.0
    assert found.situations == ((*SAFE, SAFER.key) if safer else SAFE)
    assert len(found.refused) == 1
    assert "full mains" in found.refused[0]
    assert "100 %" in found.refused[0]
    assert all(one.point.situation != IDLE.key for one in found.proposals)


def test_a_plate_that_does_not_glow_refuses_nothing(basis: Basis) -> None:
    found = Investigation(basis, (), (parse_evidence("glow(X2)=no"),))

    assert found.hot_risk < Investigation(basis).hot_risk
    assert found.refused == ()


@pytest.mark.parametrize("fault_id", ["C3/shorted", "C3/leaky@2Mohm", "C4/shorted"])
def test_where_the_readings_mean_a_hot_plate_full_mains_are_refused(
    basis: Basis, dictionary: Dictionary, row_of: Row, fault_id: str
) -> None:
    found = Investigation(basis, reads(dictionary, row_of(fault_id), "ht k2 p1 s2"))

    assert found.hot_risk > 0.5
    assert found.situations == SAFE
    assert found.refused
    assert all(one.point.situation in SAFE for one in found.proposals)


@pytest.mark.parametrize("fault_id", ["R8/open", "R10/open", "R11/open"])
def test_a_fault_that_starves_the_tubes_refuses_nothing(
    basis: Basis, dictionary: Dictionary, row_of: Row, fault_id: str
) -> None:
    found = Investigation(basis, reads(dictionary, row_of(fault_id), "ht k2 p1 s2"))

    assert found.hot_risk < 0.01
    assert IDLE.key in found.situations


def test_reduced_mains_are_at_hand_where_they_were_solved_before(
    dictionary: Dictionary, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []

    def has(_: Dictionary, key: str) -> bool:
        asked.append(key)
        return True

    monkeypatch.setattr(Dictionary, "has", has)
    found = Investigation(Basis(dictionary, False), (), (parse_evidence("glow(X2)=yes"),))

    assert found.situations == (*SAFE, SAFER.key)
    assert asked == [SAFER.key]


@dataclass(frozen=True)
class Barren(Investigation):
    """An investigation where safe situations have nothing to tell."""

    def _proposed(self, situations: Sequence[str]) -> list[Any]:
        return [situations] if SAFER.key in situations else []


def test_reduced_mains_come_last(dictionary: Dictionary) -> None:
    glow = (parse_evidence("glow(X2)=yes"),)

    usual = Investigation(Basis(dictionary, True), (), glow)
    barren = Barren(Basis(dictionary, True), (), glow)
    no_way = Barren(Basis(dictionary, False), (), glow)

    assert {one.point.situation for one in usual.proposals} <= set(SAFE)
    assert barren.proposals == [(SAFER.key,)]
    assert no_way.proposals == []


def test_one_cause_stands_out(basis: Basis, dictionary: Dictionary, row_of: Row) -> None:
    readings = reads(dictionary, row_of("R8/open"), "ht k2 p1 s2")

    found = Investigation(basis, readings)

    assert found.settled == "one cause stands out"
    assert first_cause(found) == "R8/open"
    assert found.posterior.cause.max() > 0.9


def test_it_is_settled_where_no_reading_splits_what_is_left(
    basis: Basis, dictionary: Dictionary
) -> None:
    found = Investigation(basis)
    every = found.points((POWER_OFF.key, TUBES_OUT.key, IDLE.key))
    for point, _ in every:
        nominal = float(dictionary.foresee(point, 100.0).nominal[0])
        value = 10.0**nominal if point.kind == "ohms" else nominal
        found = found.with_reading(
            Reading(point.kind, point.first, point.second, value, point.situation)
        )

    assert len(found.readings) == len(every) > 15
    assert found.proposals == []
    assert found.settled == "no reading of the bench sheet splits what is left"
    assert found.posterior.every.max() < 0.9  # dried capacitors and the like read as sound
    assert found.posterior.none < 0.03


def test_points_that_cannot_be_read_are_passed_over(basis: Basis) -> None:
    first = Investigation(basis).proposals[0].point

    found = Investigation(basis, passed=frozenset({first.text}))

    assert first not in [one.point for one in found.proposals]
    assert first not in [point for point, _ in found.points((first.situation,))]


def test_a_reading_more_leaves_the_investigation_before_it_alone(basis: Basis) -> None:
    before = Investigation(basis, passed=frozenset({"V(k2)@idle"}))
    known = before.posterior.every.copy()

    later = before.with_reading(parse_reading("V(k1)=0V"))

    assert before.readings == ()
    assert np.array_equal(before.posterior.every, known)
    assert [one.text for one in later.readings] == ["V(k1)=0V@idle"]
    assert later.passed == before.passed
    assert not np.allclose(later.posterior.every, known)


def test_families_left_out_are_not_weighed(dictionary: Dictionary, row_of: Row) -> None:
    basis = Basis(dictionary, False, frozenset({"coupling_capacitor"}))
    full = Basis(dictionary, False)

    names = [one.id for one in basis.hypotheses.causes]
    others = [one.id for one in full.hypotheses.causes]

    assert {"C3/leaky", "C3/shorted"} <= set(others)
    assert set(names) == {one for one in others if not one.startswith("C3/")}
    assert basis.reasons[row_of("C3/shorted")] == "left out on purpose"


def test_the_investigation_finds_a_fault_by_asking_for_it(
    basis: Basis, dictionary: Dictionary, row_of: Row
) -> None:
    # The unit is nominal but for its fault, and every question is answered as it reads.
    row, found = row_of("R4/open"), Investigation(basis)
    while not found.settled:
        point: Point = found.proposals[0].point
        nominal = float(dictionary.foresee(point, 100.0).nominal[row])
        value = 10.0**nominal if point.kind == "ohms" else nominal
        found = found.with_reading(
            Reading(point.kind, point.first, point.second, value, point.situation)
        )

    assert len(found.readings) <= 6
    assert first_cause(found) == "R4/open"
    assert replace(found, readings=()).readings == ()


def test_a_tube_of_another_type_is_held_to_its_own_plate_limit(
    dictionary: Dictionary, basis: Basis
) -> None:
    # A 6L6GC in the socket of a 6V6GT: some 13 W, over 12 W and far from the 30 W of its sheet.
    row = 1 + next(
        at for at, one in enumerate(dictionary.faults) if one.id == "X2/wrong_type@6L6GC"
    )
    page = dictionary.page(IDLE.key)
    watts = float(page.nominal[row, page.place["w:X2"]])

    assert watts > 12.0
    assert basis.heat.plate["X2"][row] == pytest.approx(watts / 27.27, rel=0.01)  # 30 W / 1.1
    assert basis.heat.words(row) == ()
