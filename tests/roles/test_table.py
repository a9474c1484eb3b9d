"""The roles that no other test of this folder plays, and that none is left without one."""

from __future__ import annotations

from pathlib import Path

import pytest

from netcheck.roles import recognise
from netcheck.roles.table import RoleName

from .circuits import circuit_of_lines

TRIODE = ("VHT b 0 300", "VIN in 0 0 ;! input", "X1 p1 in k1 12AX7", "RP b p1 100k", "RK k1 0 1.5k")
PLAYED = {
    "part_property": ("CK.Rser", (*TRIODE, "RG in 0 1meg", "CK k1 0 22u Rser=1")),
    "protection_diode": ("D1", (*TRIODE, "RG in 0 1meg", "D1 0 in DZ", ".model DZ D")),
    "grid_shunt_capacitor": (
        "CS",
        (*TRIODE, "RG in 0 1meg", "X2 p2 g2 k2 12AX7", "RP2 b p2 100k", "RK2 k2 0 1.5k",
         "C1 p1 g2 22n", "RG2 g2 0 470k", "CS g2 k2 47p"),
    ),
    "heater_load": ("RH", (*TRIODE, "RG in 0 1meg", "VH h1 h2 6.3", "RH h1 h2 21", "RB h1 0 100",
                           "RB2 h2 0 100")),
    "mains_transformer": (
        "L2",
        (*TRIODE[1:], "RG in 0 1meg", "VM m 0 SIN(0 325 50)", "L1 m 0 10", "L2 s1 0 10",
         "K1 L1 L2 0.999", "D1 s1 b DR", "C1 b 0 47u", ".model DR D"),
    ),
    "transformer_source": (
        "FA",
        (*TRIODE[:2], "X1 p b in k EL84", "RK k 0 150", "RG in 0 1meg",
         "EA a b core 0 1", "VA p a 0", "FA core 0 VA -1", "EB sp c core 0 0.04", "VB c 0 0",
         "FB core 0 VB -0.04", "RL sp 0 8"),
    ),
}  # fmt: skip


@pytest.mark.parametrize("role", PLAYED)
def test_a_part_plays_the_role(role: str) -> None:
    part, lines = PLAYED[role]
    roles = recognise(circuit_of_lines(*lines))

    assert role in {each.name for each in roles.of_part(part)}


def test_every_role_is_played_in_a_test() -> None:
    here = Path(__file__).parent
    texts = [
        path.read_text(encoding="utf-8")
        for path in (*here.glob("*.py"), *here.glob("cases/*.toml"))
    ]

    assert [role.value for role in RoleName if not any(f'"{role}' in text for text in texts)] == []
