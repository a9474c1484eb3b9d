"""Forms of stages in small circuits: what tells one from another, and what is in doubt."""

from __future__ import annotations

import pytest

from netcheck.roles import Roles, Stage, neighbors, recognise

from .circuits import circuit_of_lines

SUPPLY = ("VB b 0 300", "VIN in 0 0 ;! input")
OUT = ("CO out x 1u", "RO x 0 100k")


def roles_of(*lines: str) -> Roles:
    roles = recognise(circuit_of_lines(*lines))
    assert roles.unrecognised == ()
    return roles


def stage_with(roles: Roles, tube: str) -> Stage:
    return next(stage for stage in roles.stages if tube in stage.tubes)


def names(roles: Roles, part: str) -> set[str]:
    return {role.name for role in roles.of_part(part)}


LOWER = ("X1 p1 in k1 12AX7", "RK k1 0 1k")


@pytest.mark.parametrize(
    ("lines", "form", "second"),
    [
        (("X2 b p1 out 12AX7", "RU out p1 1k"), "shunt_regulated_push_pull", ()),
        (("X2 b p1 k2 12AX7", "RU k2 p1 1k", "RL p1 out 100"), "active_load",
         ("shunt_regulated_push_pull",)),
        (("X2 b p1 out 12AX7", "RU out p1 1k", "C9 p1 y 1u", "R9 y 0 1meg"),
         "shunt_regulated_push_pull", ("active_load",)),
        (("X2 b g2 out 12AX7", "RU out m 1k", "RM m p1 22k", "RG g2 m 1meg", "C2 p1 g2 100n"),
         "mu_follower", ()),
        (("X2 out g2 p1 12AX7", "RL b out 47k", "RA b g2 300k", "RB g2 0 100k",
          "CG g2 0 100n"), "cascode", ()),
    ],
)  # fmt: skip
def test_two_tubes_on_each_other(
    lines: tuple[str, ...], form: str, second: tuple[str, ...]
) -> None:
    roles = roles_of(*SUPPLY, *LOWER, *lines, *OUT)

    stage = stage_with(roles, "X1")
    assert stage.id == "voltage_amplifier(X1,X2)"
    assert stage.form == form
    assert tuple(other.form for other in stage.alternatives) == second
    assert all(other.confidence < stage.confidence and other.why for other in stage.alternatives)


def test_load_of_a_mu_follower_belongs_to_the_lower_tube() -> None:
    roles = roles_of(
        *SUPPLY,
        *LOWER,
        "X2 b g2 out 12AX7",
        "RU out m 1k",
        "RM m p1 22k",
        "RG g2 m 1meg",
        "C2 p1 g2 100n",
        *OUT,
    )

    assert [(role.name, role.of) for role in roles.of_part("RM")] == [("plate_load", "X1")]
    assert [(role.name, role.of) for role in roles.of_part("RU")] == [("cathode_resistor", "X2")]


PAIR = (
    "X1 p1 in k 6SN7GT",
    "X2 p2 0 k 6SN7GT",
    "RP1 b p1 47k",
    "RP2 b p2 47k",
    "C1 p1 o1 100n",
    "C2 p2 o2 100n",
    "R1 o1 0 470k",
    "R2 o2 0 470k",
    "VN n 0 -100",
)


@pytest.mark.parametrize(
    ("tail", "part", "role"),
    [
        (("RT k n 22k",), "RT", "tail_resistor"),
        (("I1 k n 4m",), "I1", "current_source"),
        (("B1 k n I=4m",), "B1", "current_source"),
        (("J1 k n s JF", "RS s n 1k", ".model JF NJF"), "J1", "current_source"),
        (("X3 k n c 12AU7", "RC c n 1k"), "X3", "current_source_tube"),
        (("X3 k 0 n c EL84", "RC c n 1k"), "X3", "current_source_tube"),
    ],
)
def test_long_tailed_pair_on_any_tail(tail: tuple[str, ...], part: str, role: str) -> None:
    roles = roles_of(*SUPPLY, *PAIR, *tail)

    stage = stage_with(roles, "X1")
    assert (stage.id, stage.form) == ("phase_inverter(X1,X2)", "long_tailed_pair")
    assert stage.confidence == 1.0
    assert names(roles, part) == {role}
    assert roles.bias_supplies == ()


def test_tube_that_only_sets_a_current_stands_before_the_stage_it_serves() -> None:
    roles = roles_of(
        *SUPPLY,
        "X1 b in k 12AU7",
        "X2 k g2 k2 12AU7",
        "RG g2 0 100k",
        "RK k2 0 1k",
        "CO k x 1u",
        "RO x 0 100k",
    )

    assert stage_with(roles, "X1").kind == "cathode_follower"
    assert stage_with(roles, "X2").id == "current_source(X2)"
    assert stage_with(roles, "X2").form == "cathode_load"
    assert roles.signal_order == ("current_source(X2)", "cathode_follower(X1)")


def test_pair_with_one_plate_on_the_rail_is_no_inverter() -> None:
    roles = roles_of(
        *SUPPLY,
        "X1 b in k 12AU7",
        "X2 out 0 k 12AU7",
        "RK k 0 1k",
        "RP b out 47k",
        *OUT,
    )

    stage = stage_with(roles, "X1")
    assert (stage.id, stage.form) == ("voltage_amplifier(X1,X2)", "cathode_coupled")


def test_pair_with_one_output_has_a_second_reading() -> None:
    roles = roles_of(
        *SUPPLY,
        "X1 p1 in k 12AU7",
        "RP1 b p1 47k",
        "X2 out 0 k 12AU7",
        "RK k 0 1k",
        "RP b out 47k",
        *OUT,
    )

    stage = stage_with(roles, "X1")
    assert stage.form == "long_tailed_pair"
    assert stage.confidence < 1.0
    assert [other.form for other in stage.alternatives] == ["cathode_coupled"]


@pytest.mark.parametrize(("plate", "confidence", "second"), [("22k", 1.0, 0), ("47k", 0.8, 1)])
def test_cathodyne_with_unequal_loads_is_in_doubt(
    plate: str, confidence: float, second: int
) -> None:
    roles = roles_of(
        *SUPPLY,
        "X1 p in k 12AU7",
        f"RP b p {plate}",
        "RK k 0 22k",
        "C1 p o1 100n",
        "C2 k o2 100n",
        "R1 o1 0 470k",
        "R2 o2 0 470k",
    )

    stage = stage_with(roles, "X1")
    assert (stage.form, stage.confidence) == ("cathodyne", confidence)
    assert len(stage.alternatives) == second


def test_grid_at_ground_and_input_at_the_cathode() -> None:
    roles = roles_of(*SUPPLY, "CI in k 10u", "X1 out 0 k 12AT7", "RK k 0 1k", "RP b out 47k", *OUT)

    assert stage_with(roles, "X1").form == "grounded_grid"
    assert names(roles, "CI") == {"input_capacitor"}
    assert [(path.source, path.how, path.pin) for path in roles.signal_paths] == [
        ("", "capacitor", "cathode")
    ]


def test_capacitor_from_a_later_plate_to_a_cathode_is_feedback_not_drive() -> None:
    roles = roles_of(
        *SUPPLY,
        "X1 p1 in k1 12AX7",
        "RK k1 0 1k",
        "RP b p1 100k",
        "C1 p1 g2 100n",
        "RG g2 0 1meg",
        "X2 p2 g2 k2 12AX7",
        "RK2 k2 0 1k",
        "RP2 b p2 100k",
        "CF p2 k1 1n",
        "CO p2 x 1u",
        "RO x 0 100k",
    )

    assert [stage.form for stage in roles.stages] == ["", ""]
    assert names(roles, "CF") == {"feedback_capacitor"}
    assert len(roles.signal_paths) == 2


def test_push_pull_driven_in_phase_has_a_second_reading() -> None:
    roles = roles_of(
        *SUPPLY,
        "X1 p1 b in k EL84",
        "X2 p2 b in k EL84",
        "RK k 0 130",
        "L1 b p1 10",
        "L2 p2 b 10",
        "L3 s 0 20m",
        "K1 L1 L2 L3 0.99",
        "RL s 0 8",
    )

    stage = roles.stages[0]
    assert (stage.kind, stage.confidence) == ("push_pull", 0.7)
    assert stage.alternatives[0].kind == "parallel_single_ended"


def test_neighbors_of_a_part() -> None:
    circuit = circuit_of_lines(*SUPPLY, "X1 p in k 12AX7", "RK k 0 1k", "RP b p 100k", "CK k 0 1u")

    found = neighbors(circuit, "RK")

    assert [(one.pin, one.net) for one in found] == [("a", "k"), ("b", "0")]
    assert found[0].parts == (("CK", "a"), ("X1", "cathode"))
    with pytest.raises(KeyError):
        neighbors(circuit, "R99")


def test_plate_on_ground_is_survived() -> None:
    roles = recognise(circuit_of_lines(*SUPPLY, "X1 0 in k 12AX7", "RK k 0 1k"))

    assert [stage.kind for stage in roles.stages] == ["unknown"]
    assert roles.stages[0].evidence[0] == "the plate of X1 is on ground"


def test_driver_of_a_grid_behind_a_capacitor_at_the_joint_of_a_floating_paraphase() -> None:
    roles = roles_of(
        *SUPPLY,
        "X1 p1 in k1 12AX7",
        "RK1 k1 0 1.5k",
        "RP1 b p1 100k",
        "X2 p2 g2 k2 12AX7",
        "RK2 k2 0 1.5k",
        "RP2 b p2 100k",
        "RG2 g2 0 1meg",
        "CJ j g2 100n",
        "C1 p1 g3 47n",
        "C2 p2 g4 47n",
        "R3 g3 j 220k",
        "R4 g4 j 220k",
        "R5 j 0 100k",
        "X3 a b g3 k EL84",
        "X4 c b g4 k EL84",
        "RK k 0 130",
        "L1 b a 10",
        "L2 c b 10",
        "L3 s 0 20m",
        "K1 L1 L2 L3 0.99",
        "RL s 0 8",
    )

    assert stage_with(roles, "X1").id == "phase_inverter(X1,X2)"
    assert stage_with(roles, "X1").form == "floating_paraphase"
    coupler = next(role for role in roles.of_part("CJ") if role.name == "coupling_capacitor")
    assert (coupler.of, coupler.source_net, coupler.feeds) == ("X1", "j", "g2")
