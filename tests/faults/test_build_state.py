"""How likely a fault is, by build state and age."""

from __future__ import annotations

from dataclasses import replace

import pytest

from netcheck.circuit.model import Circuit
from netcheck.cli.choices import Build
from netcheck.faults import BUILD_STATES, FAULT_KINDS, list_faults
from netcheck.faults.base import BuildState, Fault
from netcheck.faults.build_state import CLASSES, REASONS, STEPS, level_in
from netcheck.likelihoods import LIKELIHOOD_VALUE, LikelihoodClass
from netcheck.netlist.cards import PartNote
from netcheck.roles.base import Roles

from .fault_circuits import c, el34_pair, fixed_bias_pair, kt88_pair


def listed(
    circuit: Circuit, roles: Roles, build: BuildState = "unknown", age_years: float | None = None
) -> dict[str, Fault]:
    faults = list_faults(circuit, roles, build=build, age_years=age_years)
    return {fault.id: fault for fault in faults}


@pytest.mark.parametrize(
    ("fault_id", "levels"),
    [  # nothing known, new build, restored, untouched and old
        ("C20/leaky@10kohm", ("common", "rare", "occasional", "very_common")),
        ("R3/wrong_value@10kohm", ("common", "very_common", "common", "rare")),
        ("R31+R32/misadjusted@50%", ("very_common", "very_common", "very_common", "common")),
        ("L1/winding_open", ("occasional", "occasional", "occasional", "occasional")),
        ("X4/wrong_type@6L6GC", ("common", "common", "very_common", "common")),
        ("R40/open", ("common", "common", "common", "common")),
    ],
)
def test_a_fault_is_as_likely_as_the_state_of_the_set(
    fault_id: str, levels: tuple[LikelihoodClass, ...]
) -> None:
    circuit, roles = el34_pair()

    for state, level in zip(BUILD_STATES, levels, strict=True):
        fault = listed(circuit, roles, state)[fault_id]
        assert fault.likelihood.level == level, state
        assert fault.likelihood.value == LIKELIHOOD_VALUE[level]


def test_the_state_changes_nothing_but_how_likely_a_fault_is() -> None:
    circuit, roles = kt88_pair()
    known = listed(circuit, roles)
    new = listed(circuit, roles, "new_build")

    assert new.keys() == known.keys()
    for fault_id, fault in known.items():
        assert replace(new[fault_id], likelihood=fault.likelihood) == fault


@pytest.mark.parametrize(
    ("age_years", "level"),
    [(None, "common"), (2.0, "rare"), (20.0, "common"), (60.0, "very_common")],
)
def test_wear_goes_by_the_age_of_the_set(age_years: float | None, level: str) -> None:
    assert listed(*el34_pair(), age_years=age_years)["C20/shorted"].likelihood.level == level


def test_slips_of_assembly_do_not_age() -> None:
    faults = listed(*el34_pair(), age_years=60.0)

    assert faults["R3/wrong_value@10kohm"].likelihood.level == "common"


def test_the_age_of_a_part_goes_before_the_state_of_the_set() -> None:
    circuit, roles = el34_pair()
    part = circuit["C20"]
    renewed = circuit.with_parts(replace(part, note=replace(part.note, age_years=1.0)))
    faults = listed(renewed, roles, "untouched_and_old")

    assert faults["C20/shorted"].likelihood.level == "rare"
    assert faults["C21/shorted"].likelihood.level == "very_common"


@pytest.mark.parametrize("state", BUILD_STATES)
def test_a_stated_dielectric_goes_before_the_state_of_the_set(state: BuildState) -> None:
    note = PartNote(dielectric="polypropylene")
    circuit, roles = fixed_bias_pair(C3=c("C3", "p1", "g3a", 1e-7, note))

    assert listed(circuit, roles, state)["C3/leaky@10Mohm"].likelihood.level == "rare"


def test_a_shift_says_why() -> None:
    likelihood = listed(*el34_pair(), "new_build")["C20/shorted"].likelihood

    assert likelihood.source.endswith("; new build: parts wear with age")


def test_what_a_kind_expects_is_a_level_its_faults_have() -> None:
    found: dict[tuple[str, str], set[str]] = {}
    for build in (el34_pair, kt88_pair):
        for fault in list_faults(*build()):
            found.setdefault((fault.family, fault.kind), set()).add(fault.likelihood.level)
    table = {(kind.name, word.name): word.level for kind in FAULT_KINDS for word in kind.words}
    wrong = {key: (table[key], levels) for key, levels in found.items() if table[key] not in levels}

    assert wrong == {}


def test_the_command_line_offers_every_state() -> None:
    assert tuple(each.value for each in Build) == BUILD_STATES


def test_every_cause_has_its_reason_and_its_steps() -> None:
    assert STEPS.keys() == REASONS.keys()


def test_classes_end_where_the_scale_ends() -> None:
    assert level_in("rare", "wear", "new_build") == "rare"
    assert level_in("very_common", "wear", "untouched_and_old") == "very_common"
    assert [LIKELIHOOD_VALUE[each] for each in CLASSES] == sorted(LIKELIHOOD_VALUE.values())
