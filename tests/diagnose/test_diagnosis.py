"""A diagnosis written down: nothing lost, nothing twice, the same bytes for the same input."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from xml.etree import ElementTree

import jsonschema
import numpy as np
import pytest

from netcheck.diagnose.diagnosis import LEAST_EXPLAINED, diagnosis_of
from netcheck.diagnose.dictionary import Dictionary
from netcheck.diagnose.evidence import parse_evidence
from netcheck.diagnose.hypotheses import NO_FAULT_SHARE, NONE_SHARE
from netcheck.diagnose.investigation import Basis, Investigation
from netcheck.diagnose.plan import Plan
from netcheck.diagnose.readings import parse_reading
from netcheck.models.diagnosis import NO_FAULT, NONE_OF_THESE, CauseLine, Diagnosis
from netcheck.report import diagnosis_html, diagnosis_text, to_json
from netcheck.report.diagnosis_drawing import drawing_of

READINGS = ("V(g2)=2.5V", "ripple(ht)=no", "R(ht)=open", "I(R8)=50mA", "leak(C3)=70V")
EVIDENCE = ("glow(X2)=no", "fuse=whole")


def made(basis: Basis, *texts: str, evidence: tuple[str, ...] = ()) -> Diagnosis:
    readings = tuple(parse_reading(text) for text in texts)
    known = tuple(parse_evidence(text) for text in evidence)
    return diagnosis_of(Investigation(basis, readings, known), "amp.cir")


@pytest.fixture(scope="module")
def full(basis: Basis) -> Diagnosis:
    return made(basis, *READINGS, evidence=EVIDENCE)


@pytest.fixture(scope="module")
def blank(basis: Basis) -> Diagnosis:
    return made(basis)


@pytest.fixture(scope="module")
def of_two(basis: Basis) -> Diagnosis:
    """Readings that take two faults: no volts at one cathode, a leak at the other grid."""
    return made(basis, "V(ht)=266V", "V(k2)=17V", "V(g2)=9V", "V(k1)=0V")


def cause(diagnosis: Diagnosis, name: str) -> CauseLine:
    return next(one for one in diagnosis.causes if one.id == name)


def read_as_with(dictionary: Dictionary, row: int, *points: str) -> list[str]:
    """Return readings of a nominal unit with a fault."""
    found = []
    for text in points:
        reading = parse_reading(f"{text}=0V")
        page = dictionary.page(reading.situation)
        volts = page.nominal_volts(reading.first, reading.second, 10e6)[row]
        found.append(f"{text}={volts:.6g}V")
    return found


def test_probabilities_sum_to_one_before_and_after(
    full: Diagnosis, blank: Diagnosis, of_two: Diagnosis
) -> None:
    for diagnosis in (full, blank, of_two):
        single = [one for one in diagnosis.causes if one.kind != "pair"]
        assert math.fsum(one.probability for one in diagnosis.causes) == pytest.approx(1.0)
        assert math.fsum(one.prior for one in single) == pytest.approx(1.0)
        assert all(0.0 <= one.probability <= 1.0 for one in diagnosis.causes)


def test_without_readings_causes_stand_as_likely_as_before(blank: Diagnosis) -> None:
    for one in blank.causes:
        assert one.probability == pytest.approx(one.prior)
    assert cause(blank, NO_FAULT).prior == NO_FAULT_SHARE
    assert cause(blank, NONE_OF_THESE).prior == NONE_SHARE
    assert (blank.readings, blank.evidence) == ((), ())


def test_causes_come_likeliest_first(full: Diagnosis) -> None:
    shares = [one.probability for one in full.causes]

    assert shares == sorted(shares, reverse=True)
    assert len({one.id for one in full.causes}) == len(full.causes)
    assert {NO_FAULT, NONE_OF_THESE} <= {one.id for one in full.causes}


def test_groups_partition_the_causes(full: Diagnosis, blank: Diagnosis, of_two: Diagnosis) -> None:
    for diagnosis in (full, blank, of_two):
        members = [one for group in diagnosis.groups for one in group.causes]
        assert sorted(members) == sorted(one.id for one in diagnosis.causes)
        for number, group in enumerate(diagnosis.groups, 1):
            inside = [one for one in diagnosis.causes if one.group == number]
            assert group.number == number
            assert set(group.causes) == {one.id for one in inside}
            assert group.probability == pytest.approx(math.fsum(x.probability for x in inside))


def test_a_group_of_one_has_nothing_to_split(full: Diagnosis) -> None:
    assert not [group for group in full.groups if len(group.causes) == 1 and group.splits]


def test_whatever_splits_a_group_is_on_the_bench_sheet(full: Diagnosis, basis: Basis) -> None:
    plan = Plan(basis.dictionary.circuit, basis.dictionary.roles)
    steps = {
        "power_off": plan.power_off(), "tubes_out": plan.tubes_out(), "idle": plan.idle(),
    }  # fmt: skip
    known = {f"{step}/{one.name}" for step, lines in steps.items() for one in lines}
    splits = [group.splits for group in full.groups if group.splits]

    assert splits
    assert set(splits) <= known
    assert {one.id for one in full.probes} <= known


def test_every_fault_of_the_catalogue_is_accounted_for(basis: Basis) -> None:
    faults = basis.dictionary.faults
    lost = faults[3]
    without = replace(basis, left_out=frozenset({lost.family}))
    diagnosis = made(without, "V(g2)=2.5V")

    unsolved = [line.partition(": ")[0] for line in diagnosis.unsolved]
    weighed = [
        faults[at].id for one in without.hypotheses.causes for at in one.faults
    ]  # fmt: skip
    assert Counter(unsolved + weighed) == Counter(one.id for one in faults)
    assert f"{lost.id}: left out on purpose" in diagnosis.unsolved
    ids = {one.id for one in without.hypotheses.causes} | {NONE_OF_THESE}
    assert {one.id for one in diagnosis.causes} == ids


def test_ids_are_those_of_faults_without_their_size(full: Diagnosis, basis: Basis) -> None:
    faults = {one.id for one in basis.dictionary.faults}
    known = faults | {one.partition("@")[0] for one in faults} | {NO_FAULT, NONE_OF_THESE}

    assert {one.id for one in full.causes} <= known
    assert "C3/leaky" in {one.id for one in full.causes}


def test_every_account_has_an_entry_a_reading_and_a_piece_of_evidence(full: Diagnosis) -> None:
    told = [one for one in full.causes if one.explained]

    assert {one.id for one in full.causes if one.probability >= LEAST_EXPLAINED} <= {
        *(one.id for one in told), NONE_OF_THESE,
    }  # fmt: skip
    assert cause(full, NO_FAULT).explained
    for one in told:
        assert len(one.explained) == len(READINGS)
        assert len(one.evidence) == len(EVIDENCE)
        assert math.isnan(one.explained[0].likelihood)
        assert 0.0 < one.explained[1].likelihood < 1.0
        assert all(0.0 < share < 1.0 for share in one.evidence)


def test_readings_stay_in_the_order_in_which_they_came(full: Diagnosis) -> None:
    assert [one.text for one in full.readings] == [
        "V(g2)=2.5V@idle", "ripple(ht)=no@idle", "R(ht)=open@power_off", "I(R8)=50mA@idle",
        "leak(C3)=70V@tubes_out",
    ]  # fmt: skip
    grid, ripple, supply, current, leak = full.readings
    assert (grid.net_a, grid.net_b, grid.part, grid.unit) == ("g2", "0", "", "V")
    assert (ripple.unit, ripple.value) == (None, 0.0)
    assert math.isnan(ripple.nominal)
    assert (supply.value, supply.unit) == (math.inf, "ohm")
    assert (current.net_a, current.part, current.unit) == ("", "R8", "A")
    assert (leak.part, leak.situation) == ("C3", "tubes_out")


def test_a_sound_reading_is_beside_that_of_the_solver(
    full: Diagnosis, dictionary: Dictionary
) -> None:
    grid = full.readings[0]
    solved = dictionary.page("idle").nominal_volts("g2", "0", 10e6)[0]

    assert grid.nominal == pytest.approx(solved)
    assert grid.low < grid.nominal < grid.high < grid.value
    assert grid.away > 10.0


def test_a_sound_unit_is_called_sound(basis: Basis, dictionary: Dictionary) -> None:
    points = ("V(g2)", "V(k2)", "V(p2)", "V(p1)", "V(k1)", "V(s2)")
    diagnosis = made(basis, *read_as_with(dictionary, 0, *points))

    found = cause(diagnosis, NO_FAULT)
    assert found.probability > found.prior
    assert found.group == 1
    assert all(abs(one.away) < 0.5 for one in found.explained)


@pytest.mark.parametrize("fault", ["R4/open", "R8/open", "C10/shorted", "C3/shorted", "R7/open"])
def test_a_fault_is_the_first_cause_of_its_own_readings(
    basis: Basis, dictionary: Dictionary, row_of: Callable[[str], int], fault: str
) -> None:
    points = ("V(g2)", "V(k2)", "V(p2)", "V(p1)", "V(k1)", "V(s2)", "V(ht)")
    diagnosis = made(basis, *read_as_with(dictionary, row_of(fault), *points))

    assert fault in diagnosis.groups[0].causes
    assert cause(diagnosis, fault).parts == (fault.partition("/")[0],)


def test_the_size_of_a_leak_is_found_between_sizes_on_file(
    basis: Basis, dictionary: Dictionary
) -> None:
    """2.5 V past 391.5 kohm from the plate at 157 V: 24.2 Mohm by Ohm's law."""
    leak_ohm = (157.0 - 2.5) / (2.5 / 391.5e3)
    leak = cause(made(basis, "V(g2)=2.5V"), "C3/leaky")
    on_file = {one.defect.value for one in dictionary.faults if one.id.startswith("C3/leaky@")
               and one.defect}  # fmt: skip

    size, unit = leak.defect.split()
    assert unit == "Mohm"
    assert float(size) * 1e6 == pytest.approx(leak_ohm, rel=0.3)
    assert float(size) * 1e6 not in on_file
    assert leak.defect in leak.words


def test_a_size_on_file_is_not_rounded_away_from_its_words(blank: Diagnosis) -> None:
    strong = cause(blank, "X1/strong")

    assert strong.defect in strong.words, strong


def test_a_reading_that_fits_nothing_is_called_a_mistake(basis: Basis) -> None:
    diagnosis = made(basis, "V(ht)=268V", "V(k2)=12.8V", "V(k1)=95V")

    assert [one.partition(" ")[0] for one in diagnosis.doubtful] == ["V(k1)=95V@idle"]
    assert "measure it once more" in diagnosis.doubtful[0]


def test_two_faults_at_once_are_weighed_and_told_as_such(of_two: Diagnosis) -> None:
    pairs = [one for one in of_two.causes if one.kind == "pair"]

    assert pairs
    assert of_two.causes[0].kind == "pair"
    for one in pairs:
        assert " & " in one.id
        assert len(one.parts) == 2
        assert len(one.explained) == 4


def test_nothing_is_proposed_once_it_is_settled(
    basis: Basis, dictionary: Dictionary, row_of: Callable[[str], int]
) -> None:
    texts = read_as_with(dictionary, row_of("R4/open"), "V(k1)", "V(p1)", "V(g2)")
    diagnosis = made(basis, *texts, "R(k1)=open")

    assert diagnosis.causes[0].id == "R4/open"
    assert diagnosis.settled == "one cause stands out"
    assert diagnosis.probes == ()
    assert "Nothing more: one cause stands out." in diagnosis_text.render(diagnosis)


def test_what_fits_nothing_is_not_called_a_cause_that_stands_out(basis: Basis) -> None:
    diagnosis = made(basis, "V(ht)=60V", "V(sg)=20V", "V(drv)=245V", "V(p1)=-80V")

    assert diagnosis.causes[0].id == NONE_OF_THESE
    assert diagnosis.causes[0].probability > 0.9
    assert diagnosis.settled == ("of the causes that were weighed, none would explain the readings")


def test_probes_foretell_the_likeliest_causes(basis: Basis) -> None:
    diagnosis = made(basis, "V(g2)=2.5V")
    ids = {one.id for one in diagnosis.causes}

    assert not diagnosis.settled
    assert diagnosis.probes
    for probe in diagnosis.probes:
        assert probe.gain_bit > 0.0
        assert probe.reading.count("=?@") == 1
        assert {one.cause for one in probe.foretold} <= ids
        assert probe.foretold[0].low <= probe.foretold[0].value <= probe.foretold[0].high
    rates = [one.gain_bit / one.effort for one in diagnosis.probes]
    assert rates == sorted(rates, reverse=True)


def test_the_json_keeps_to_its_schema(full: Diagnosis, blank: Diagnosis) -> None:
    for diagnosis in (full, blank):
        text = to_json.render(diagnosis)
        jsonschema.validate(json.loads(text), to_json.schema_of("diagnosis"))
        assert "NaN" not in text
        assert "Infinity" not in text


def test_the_same_input_gives_the_same_bytes(basis: Basis, full: Diagnosis) -> None:
    again = made(basis, *READINGS, evidence=EVIDENCE)

    assert to_json.render(again) == to_json.render(full)
    assert diagnosis_text.render(again, 80) == diagnosis_text.render(full, 80)


def test_the_order_of_readings_does_not_matter_to_what_they_say(
    basis: Basis, full: Diagnosis
) -> None:
    other = made(basis, *reversed(READINGS), evidence=EVIDENCE[::-1])
    shares = {one.id: one.probability for one in other.causes}

    assert np.allclose([shares[one.id] for one in full.causes], [
        one.probability for one in full.causes
    ], atol=1e-9)  # fmt: skip


def test_page_and_drawing_are_whole(full: Diagnosis, dictionary: Dictionary) -> None:
    drawing = drawing_of(dictionary.circuit, dictionary.roles, full)
    page = diagnosis_html.render(full, drawing)

    assert ElementTree.fromstring(drawing).tag.endswith("svg")
    assert "<svg" in page
    assert page.rstrip().endswith("</html>")
    assert "V(g2)" in page


def test_the_text_holds_to_eighty_columns(full: Diagnosis, blank: Diagnosis) -> None:
    for diagnosis in (full, blank):
        lines = diagnosis_text.render(diagnosis, 80).split("\n")
        assert max(map(len, lines)) <= 80


def test_without_readings_the_text_says_so(blank: Diagnosis) -> None:
    assert "None yet: the order below is how common each fault is" in diagnosis_text.render(blank)
