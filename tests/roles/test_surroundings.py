"""What is around the tubes: adjusters, screen feeds, cells, heaters, regulators, fuses."""

from __future__ import annotations

import tomllib

import pytest

from netcheck.roles import Roles, recognise
from netcheck.roles.base import Adjuster

from .circuits import CASES, case_text, circuit_of, circuit_of_lines
from .test_cases import NAMES

OUTPUT = ("L1 ht p2 12", "L2 s 0 20m", "K1 L1 L2 0.998", "RL s 0 8")
DRIVER = (
    "VHT ht 0 300",
    "CR ht 0 47u",
    "VIN in 0 0 ;! input",
    "RG in 0 1meg",
    "X1 p1 in k1 12AX7",
    "RP ht p1 100k",
    "RK k1 0 1.5k",
    "CC p1 g2 22n",
)


def roles_of(*lines: str) -> Roles:
    roles = recognise(circuit_of_lines(*lines))
    assert roles.unrecognised == ()
    return roles


def names(roles: Roles, part: str) -> set[str]:
    return {role.name for role in roles.of_part(part)}


def bias(roles: Roles, tube: str) -> str:
    return next(stage.bias for stage in roles.stages if tube in stage.tubes)


@pytest.mark.parametrize("name", NAMES)
def test_adjusters_of_the_cases(name: str) -> None:
    wanted = tomllib.loads((CASES / f"{name}.toml").read_text(encoding="utf-8"))

    roles = recognise(circuit_of(case_text(name)))

    found = [
        {
            "pot": each.pot,
            "kind": each.kind,
            "parts": list(each.parts),
            "tubes": list(each.tubes),
        }
        for each in roles.adjusters
    ]
    if "adjusters" in wanted or found:
        assert wanted.get("adjusters", []) == found


def adjuster(roles: Roles, pot: str) -> Adjuster:
    return next(each for each in roles.adjusters if each.pot == pot)


def test_the_range_of_a_bias_pot_is_that_of_its_divider() -> None:
    roles = recognise(circuit_of(case_text("trim_each_tube_quad")))
    # -75 V through 2.2 k; four strings of 25 k track and 18 k in parallel.  With VR4's
    # wiper at the top its feed is at the common node, at the bottom 18/43 of that.
    common = -75.0 * (43e3 / 4) / (43e3 / 4 + 2.2e3)

    top, bottom = adjuster(roles, "VR4").range_v["b4"]

    assert top == pytest.approx(common, rel=2e-3)
    assert bottom == pytest.approx(common * 18 / 43, rel=2e-3)


def test_a_balance_pot_moves_two_feeds_apart() -> None:
    roles = recognise(circuit_of(case_text("range_and_balance_pair")))

    balance = adjuster(roles, "VR2")
    left, right = balance.range_v["nl"], balance.range_v["nr"]

    assert balance.kind == "balance"
    assert (left[1] - left[0]) * (right[1] - right[0]) < 0
    assert roles.bias_supplies[0].pot == adjuster(roles, "VR1").parts


def test_a_screen_feed_is_followed_back_to_the_source() -> None:
    roles = recognise(circuit_of(case_text("rectifier_and_standby_pair")))

    feeds = {feed.tube: feed for feed in roles.screen_feeds}

    assert feeds["X3"].parts == ("R24",)
    assert feeds["X3"].source == "sc"
    assert feeds["X3"].droppers == ("R23", "R3", "L10", "R2", "X5", "R1")


def test_a_screen_stopper_behind_a_common_dropper_is_shared() -> None:
    roles = roles_of(
        *DRIVER,
        "RS ht m 2.2k",
        "RA m s2 100",
        "R2 g2 0 470k",
        "X2 p2 s2 g2 k2 6V6GT",
        "RK2 k2 0 270",
        *OUTPUT,
    )

    (feed,) = roles.screen_feeds

    assert (feed.source, feed.parts) == ("ht", ("RA", "RS"))


def test_a_cell_in_series_with_a_grid_is_fixed_bias() -> None:
    roles = roles_of(
        *DRIVER[:3], "RG a 0 470k", "CI in a 100n", "VC g1 a -1.5", "X1 p1 g1 0 12AX7",
        "RP ht p1 100k", "CO p1 o 100n", "RO o 0 1meg",
    )  # fmt: skip

    assert bias(roles, "X1") == "fixed"
    assert names(roles, "VC") == {"bias_source"}
    assert names(roles, "RG") == {"grid_leak"}


def test_a_cell_under_a_cathode_is_no_rail() -> None:
    roles = roles_of(
        *DRIVER[:4], "X1 p1 in k1 12AX7", "VC k1 0 1.5", "RP ht p1 100k", "CO p1 o 100n",
        "RO o 0 1meg",
    )  # fmt: skip

    assert bias(roles, "X1") == "fixed"
    assert roles.rails == ("ht",)
    assert names(roles, "VC") == {"bias_source"}


def test_a_triode_that_passes_a_rail_on_is_a_regulator() -> None:
    roles = roles_of(
        "VRAW raw 0 450", "CRAW raw 0 47u",
        "X9 raw gz sg 6SN7GT", "RZ raw gz 220k", "DZ 0 gz ZEN", "CZ gz 0 1u",
        ".model ZEN D(BV=300)", "CS sg 0 10u", "RB sg 0 100k",
        "VIN in 0 0 ;! input", "RG in 0 1meg", "X1 p1 in k1 12AX7", "RP sg p1 100k",
        "RK k1 0 1.5k", "CC p1 g2 22n", "R2 g2 0 470k", "X2 p2 s2 g2 k2 6V6GT",
        "RS2 sg s2 470", "RK2 k2 0 270", "L1 raw p2 12", *OUTPUT[1:],
    )  # fmt: skip

    assert names(roles, "X9") == {"regulator_tube"}
    assert names(roles, "DZ") == {"regulator_diode"}
    assert roles.rails == ("raw", "sg", "gz")
    assert "X9" not in {tube for stage in roles.stages for tube in stage.tubes if stage.is_output}


def test_a_fuse_and_a_lamp_say_so_and_the_rail_goes_on() -> None:
    roles = recognise(circuit_of(case_text("rectifier_and_standby_pair")))

    assert names(roles, "R2") == {"fuse"}
    assert names(roles, "R4") == names(roles, "R10") == {"lamp"}
    assert "drv" in roles.rails


def test_a_three_terminal_pot_in_a_bias_supply_sets_it() -> None:
    text = case_text("fixed_bias_pair")
    lines = [line for line in text.splitlines() if not line.startswith(("R21 ", "R22 ", ".end"))]
    lines += [
        "XV nf nb 0 track",
        ".subckt track a w b",
        "R1 a w 12k",
        "R2 w b 33k",
        ".ends",
        ".end",
        "",
    ]

    roles = recognise(circuit_of("\n".join(lines)))

    assert roles.bias_supplies[0].pot == ("XV.R1", "XV.R2")
    assert adjuster(roles, "XV").kind == "bias"
