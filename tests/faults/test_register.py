"""What holds for every kind of fault and every fault it lists."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import netcheck.faults as register
from netcheck.circuit.changes import (
    AddCurrentSource,
    AddResistor,
    ScaleEmission,
    SetGas,
    SetGridEmission,
    SetValue,
    SetWire,
    ShortTurns,
    apply_changes,
)
from netcheck.circuit.model import Circuit
from netcheck.faults import FAULT_KINDS, list_continuous, list_faults
from netcheck.faults.base import (
    ContinuousFault,
    Fault,
    FaultKind,
    Found,
    size_text,
)
from netcheck.likelihoods import LIKELIHOOD_VALUE
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

from .fault_circuits import (
    el34_pair,
    fixed_bias_pair,
    kt88_pair,
    line_preamp,
    radio_output,
    ultralinear_pair,
)

SIZE = r"-?\d+(\.\d+)?(([kMG]?ohm)|%|[mun]?A)"
TYPE = r"[A-Z0-9]+"
ID = re.compile(rf"[^\s/@]+/[a-z_]+(@({SIZE}|{TYPE}))?")
CIRCUITS = [fixed_bias_pair, ultralinear_pair, el34_pair, kt88_pair, line_preamp, radio_output]
TUBES_OUT = re.compile(r"[VX]\d+(, [VX]\d+)*( and [VX]\d+)? out, power on: ")

SHOWS_NOTHING = {"grid_capacitor", "output_capacitor", "socket_leak", "cathode_interface", "mains"}
"""Kinds of which nothing is known beyond what is solved."""

Build = Callable[[], tuple[Circuit, Roles]]


def all_faults() -> list[Fault]:
    return [fault for build in CIRCUITS for fault in list_faults(*build())]


@pytest.mark.parametrize("kind", FAULT_KINDS, ids=lambda kind: kind.name)
def test_a_kind_says_all_it_must(kind: FaultKind) -> None:
    texts = {f.name: getattr(kind, f.name) for f in fields(kind)}
    empty = [name for name, text in texts.items() if isinstance(text, str) and not text.strip()]

    assert not empty
    assert kind.kinds


@pytest.mark.parametrize("kind", FAULT_KINDS, ids=lambda kind: kind.name)
def test_the_examples_of_a_kind_are_ids(kind: FaultKind) -> None:
    assert kind.examples
    assert all(ID.fullmatch(each) for each in kind.examples)
    assert {each.split("/")[1].split("@")[0] for each in kind.examples} <= set(kind.kinds)


@pytest.mark.parametrize("kind", FAULT_KINDS, ids=lambda kind: kind.name)
def test_what_a_kind_says_in_sentences_ends_as_one(kind: FaultKind) -> None:
    for text in (kind.does, kind.why, kind.model, kind.limits):
        assert text.endswith("."), text


def test_words_of_one_name_mean_the_same_where_the_same_is_at_fault() -> None:
    """So that a kind cannot forget what its words mean for pairs and at the bench."""
    meant: dict[tuple[str, str], set[tuple[bool, bool, bool]]] = {}
    for kind in FAULT_KINDS:
        for word in kind.words:
            said = (word.starves, word.gives_up, word.unsoldered)
            meant.setdefault((kind.body, word.name), set()).add(said)

    assert {key: said for key, said in meant.items() if len(said) > 1} == {}


@pytest.mark.parametrize("kind", FAULT_KINDS, ids=lambda kind: kind.name)
def test_what_is_at_fault_decides_who_asks_for_a_kind(kind: FaultKind) -> None:
    assert (kind.exchange != "stays") == (kind.body in ("tube", "rectifier"))
    assert kind.bass or kind.body not in ("transformer", "load")
    assert kind.signs or kind.name in SHOWS_NOTHING


def test_kinds_are_named_once() -> None:
    names = [kind.name for kind in FAULT_KINDS]

    assert len(set(names)) == len(names)


def test_every_kind_finds_something_in_the_test_circuits() -> None:
    assert {fault.family for fault in all_faults()} == {kind.name for kind in FAULT_KINDS}


@pytest.mark.parametrize("build", CIRCUITS)
def test_ids_are_unique_and_well_formed(build: Build) -> None:
    faults = list_faults(*build())
    sweeps = list_continuous(*build())

    assert len({fault.id for fault in faults}) == len(faults)
    assert len({sweep.id for sweep in sweeps}) == len(sweeps)
    assert [f.id for f in (*faults, *sweeps) if not ID.fullmatch(f.id)] == []


def test_a_fault_belongs_to_a_kind_that_declares_its_word() -> None:
    declared = {kind.name: kind.kinds for kind in FAULT_KINDS}

    assert [f.id for f in all_faults() if f.kind not in declared[f.family]] == []


def test_an_id_is_made_of_parts_kind_and_defect() -> None:
    for fault in all_faults():
        parts, rest = fault.id.split("/")
        kind, _, defect = rest.partition("@")

        assert (tuple(parts.split("+")), kind) == (fault.parts, fault.kind)
        if fault.kind == "wrong_type":
            assert defect in fault.summary
        elif defect:
            assert fault.defect is not None
            assert defect == size_text(fault.defect.value, fault.defect.unit)


def test_likelihoods_have_a_source_and_the_weight_of_their_class() -> None:
    for fault in all_faults():
        assert fault.likelihood.source.strip()
        assert fault.likelihood.value == LIKELIHOOD_VALUE[fault.likelihood.level]


def test_summary_and_next_measurement_are_one_sentence_each() -> None:
    for fault in all_faults():
        for text in (fault.summary, fault.next_measurement):
            assert text.endswith("."), fault.id
            assert ". " not in text, fault.id
            assert "  " not in text, fault.id


def test_the_next_measurement_is_safe_first_and_names_the_parts() -> None:
    for fault in all_faults():
        text = fault.next_measurement
        safe = text.startswith("Power off, plug out, capacitors discharged")
        tubes_out = TUBES_OUT.match(text) is not None
        closed = text.startswith("Chassis closed, power on: ")

        assert safe or tubes_out or closed, fault.id
        assert any(name in text for name in (*fault.parts, "VR1", "X2 and X3")), fault.id


@pytest.mark.parametrize("build", CIRCUITS)
def test_order_is_natural_and_does_not_depend_on_the_roles_order(build: Build) -> None:
    circuit, roles = build()
    turned = replace(roles, roles=tuple(reversed(roles.roles)))
    faults = list_faults(circuit, roles)

    assert [f.id for f in list_faults(circuit, turned)] == [f.id for f in faults]
    ids = [f.id for f in faults]
    if "R13/open" in ids:
        assert ids.index("R13/open") > ids.index("R12/open")
    leaks = [
        f.defect.value for f in faults if f.id.startswith(("C3/leaky", "C1/leaky")) and f.defect
    ]
    assert leaks == sorted(leaks)


@pytest.mark.parametrize("build", CIRCUITS)
def test_applying_a_fault_changes_only_what_it_names(build: Build) -> None:
    circuit, roles = build()
    before = dict(circuit.parts)
    for fault in list_faults(circuit, roles):
        named = {getattr(change, "part", "") for change in fault.changes}
        faulted = apply_changes(circuit, fault.changes)
        changed = {ref for ref, part in before.items() if faulted.parts.get(ref) != part}
        new = set(faulted.parts) - set(before)

        assert circuit.parts == before
        assert changed <= named, fault.id
        assert changed | new or fault.family == "oscillation", f"{fault.id} changes nothing"
        assert all(faulted[ref].added for ref in new)
        assert set(fault.parts) <= set(before)


@pytest.mark.parametrize("build", CIRCUITS)
def test_every_fault_keeps_the_couplings_physically_possible(build: Build) -> None:
    circuit, roles = build()
    for fault in list_faults(circuit, roles):
        faulted = apply_changes(circuit, fault.changes)
        coils = [part.ref for part in faulted.of_kind("inductor")]
        matrix = np.eye(len(coils))
        for pair in faulted.couplings:
            one, two = coils.index(pair.first), coils.index(pair.second)
            matrix[one, two] = matrix[two, one] = pair.factor
        assert not coils or np.linalg.eigvalsh(matrix).min() >= 0.0, fault.id


def test_values_put_in_are_finite_and_positive_but_for_a_dead_source() -> None:
    for fault in all_faults():
        for change in fault.changes:
            match change:
                case SetValue(value=value):
                    assert np.isfinite(value)
                    assert value > 0.0 or fault.family in ("bias_supply", "mains")
                case AddResistor(ohm=ohm) | SetWire(ohm=ohm):
                    assert 0.0 < ohm < 1e12
                case AddCurrentSource(ampere=ampere) | SetGridEmission(ampere=ampere):
                    assert 0.0 < ampere < 1e6
                case SetGas(ratio=ratio):
                    assert 0.0 < ratio < 1e-2
                case ShortTurns(share=share, dcr_ohm=dcr):
                    assert 0.0 < share < 1.0
                    assert dcr > 0.0
                case ScaleEmission(scale=scale):
                    assert scale >= 0.0


@given(position=st.floats(0.0, 1.0), build=st.sampled_from(CIRCUITS))
def test_a_sweep_makes_sound_faults_anywhere_between_its_ends(
    position: float, build: Build
) -> None:
    circuit, roles = build()
    for sweep in list_continuous(circuit, roles):
        first, last = sweep.from_value, sweep.to_value
        if sweep.logarithmic:
            size = first * (last / first) ** position
        else:
            size = first + (last - first) * position
        fault = sweep.make(size)

        assert fault.id.startswith(f"{sweep.id}@")
        assert (fault.parts, fault.kind, fault.family) == (sweep.parts, sweep.kind, sweep.family)
        assert fault.defect is not None
        assert (fault.defect.value, fault.defect.unit) == (size, sweep.unit)
        apply_changes(circuit, fault.changes)


def test_one_change_found_by_two_kinds_is_listed_once() -> None:
    circuit, roles = fixed_bias_pair()
    odd = replace(roles, roles=(*roles.roles, replace(roles.named("grid_leak")[0], part="R3")))
    ids = [fault.id for fault in list_faults(circuit, odd)]

    assert ids.count("R3/open") == 1


def test_two_different_faults_under_one_id_are_both_listed() -> None:
    """A load that feeds back too: open is no speaker for one, an open resistor for the other."""
    circuit, roles = el34_pair()
    load = roles.named("speaker_load")[0]
    both = replace(roles, roles=(*roles.roles, replace(load, name=RoleName.FEEDBACK_RESISTOR)))
    listed = {fault.id: fault for fault in list_faults(circuit, both)}
    first = listed[f"{load.part}/open"]
    second = listed[f"{load.part}/open@speaker"]

    assert (first.family, second.family) == ("feedback_resistor", "speaker")
    assert (first.kind, second.kind) == ("open", "open")
    assert first.changes != second.changes
    assert f"{load.part}/shorted@speaker" not in listed
    assert {one.stem for one in (first, second)} == {first.id, second.id}


def test_sizes_and_sweeps_under_one_id_are_both_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    circuit, roles = fixed_bias_pair()
    kind = FAULT_KINDS[0]

    def elsewhere(fault: Fault) -> Fault:
        return replace(fault, changes=(SetValue("R1", 1.0),))

    def find(circuit: Circuit, roles: Roles) -> list[Fault]:
        return [elsewhere(fault) for fault in kind.faults(circuit, roles)]

    def moved(sweep: ContinuousFault) -> ContinuousFault:
        return replace(sweep, make=lambda size: elsewhere(sweep.make(size)))

    def sweeps(circuit: Circuit, roles: Roles) -> list[ContinuousFault]:
        return [moved(sweep) for sweep in kind.sweeps(circuit, roles)]

    other = replace(kind, name="other", search=Found(find, sweeps))
    monkeypatch.setattr(register, "FAULT_KINDS", (kind, other, other))
    ids = [fault.id for fault in list_faults(circuit, roles)]
    swept = {sweep.id: sweep for sweep in list_continuous(circuit, roles)}

    assert ids.count("C3/leaky@2Mohm") == ids.count("C3/leaky@other@2Mohm") == 1
    assert len(set(ids)) == len(ids)
    assert swept["C3/leaky"].make(3e6).id == "C3/leaky@3Mohm"
    made = swept["C3/leaky@other"].make(3e6)
    assert (made.id, made.stem) == ("C3/leaky@other@3Mohm", "C3/leaky@other")
    assert made.changes == (SetValue("R1", 1.0),)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (2e6, "ohm", "2Mohm"),
        (47.0, "ohm", "47ohm"),
        (470 * 0.7, "ohm", "329ohm"),
        (4700.0, "ohm", "4.7kohm"),
        (999999.9999, "ohm", "1Mohm"),
        (1e9, "ohm", "1Gohm"),
        (0.1, "ohm", "0.1ohm"),
        (0.5, "%", "0.5%"),
        (100.0, "%", "100%"),
        (0.0, "%", "0%"),
        (5e-6, "A", "5uA"),
        (1e-3, "A", "1mA"),
        (2.5e-7, "A", "250nA"),
    ],
)
def test_sizes_in_ids(value: float, unit: str, text: str) -> None:
    assert size_text(value, unit) == text
