"""Single structures that look like something else, one test each."""

from __future__ import annotations

import time

import pytest

from netcheck.roles import Roles, Stage, recognise
from netcheck.roles.table import RoleName

from .circuits import CASES, case_text, circuit_of, circuit_of_lines

SUPPLY = ("VHT bp 0 300", "VIN in 0 0 ;! input")
TRIODE = ("X1 p1 in k1 12AX7", "RP b p1 100k", "RK k1 0 1.5k")
OUTPUT = ("L1 bp p1 10", "L2 s 0 20m", "K1 L1 L2 0.998", "RL s 0 8")


def roles_of(*lines: str) -> Roles:
    roles = recognise(circuit_of_lines(*lines))
    assert roles.unrecognised == ()
    return roles


def names(roles: Roles, part: str) -> set[str]:
    return {role.name for role in roles.of_part(part)}


def stage_with(roles: Roles, tube: str) -> Stage:
    return next(stage for stage in roles.stages if tube in stage.tubes)


def test_wire_resistance_and_leakage_inductance_belong_to_the_winding() -> None:
    roles = roles_of(
        *SUPPLY,
        "X1 p1 bp in k1 EL84",
        "RK k1 0 150",
        "RW1 bp a 100",
        "L1 a b 10",
        "LLK b c 20m",
        "RW2 c p1 120",
        "L2 d e 20m",
        "RW3 d s 0.4",
        "RW4 e 0 0.1",
        "K1 L1 L2 0.999",
        "RL s 0 8",
    )

    assert dict(roles.transformers[0].primaries) == {"X1": ("L1",)}
    assert roles.transformers[0].speaker == "RL"
    for ref in ("RW1", "RW2", "RW3", "RW4"):
        assert names(roles, ref) == {"wire_resistance"}
    assert names(roles, "LLK") == {"leakage_inductance"}


def test_a_diode_that_holds_a_screen_is_no_capacitor() -> None:
    roles = roles_of(
        *SUPPLY, "X1 p1 g2 in k1 EL84", "RG in 0 470k", "RK k1 0 150", "RS bp g2 4.7k",
        "DZ1 0 g2 DZ", ".model DZ D(bv=150)", *OUTPUT,
    )  # fmt: skip

    assert names(roles, "DZ1") == {"regulator_diode"}
    assert names(roles, "RS") == {"screen_resistor"}


def test_center_tap_behind_a_resistor_without_capacitor_is_a_rail() -> None:
    roles = roles_of(
        "VHT raw 0 400",
        "RP raw ct 50",
        "VIN in 0 0",
        "L1 ct p1 10",
        "L2 ct p2 10",
        "L3 s 0 20m",
        "K1 L1 L2 L3 .99",
        "RL s 0 8",
        "X1 p1 ct in k EL84",
        "X2 p2 ct 0 k EL84",
        "RK k 0 150",
    )

    assert roles.rails == ("raw", "ct")
    assert roles.stages[0].kind == "push_pull"


def test_feedback_to_the_second_grid_of_a_pair_is_no_interstage_transformer() -> None:
    roles = roles_of(
        "VB b 0 350",
        "VN n 0 -100",
        "VIN in 0 0 AC 1",
        "R1 in 0 100k",
        "X1 p1 in k 12AT7",
        "X2 p2 g2 k 12AT7",
        "RT k n 47k",
        "RP1 b p1 47k",
        "RP2 b p2 47k",
        "RG g2 0 10k",
        "RF g2 s 100k",
        "C1 p1 g3 100n",
        "C2 p2 g4 100n",
        "RG3 g3 m 220k",
        "RG4 g4 m 220k",
        "RB n m 10k",
        "RB2 m 0 5k",
        "CB m 0 10u",
        "X3 p3 b g3 0 EL34",
        "X4 p4 b g4 0 EL34",
        "L1 p3 b 10",
        "L2 b p4 10",
        "L3 s 0 20m",
        "K1 L1 L2 L3 .99",
        "RL s 0 8",
    )

    assert stage_with(roles, "X1").form == "long_tailed_pair"
    assert stage_with(roles, "X1").bias == "cathode"
    assert stage_with(roles, "X3").bias == "fixed"
    assert names(roles, "RF") == {"feedback_resistor"}
    assert names(roles, "RT") == {"tail_resistor"}
    assert names(roles, "VN") == {"supply_source", "bias_source"}


def test_two_driven_grids_on_one_tail_are_a_driver_not_an_inverter() -> None:
    roles = roles_of(
        "VB b 0 400",
        "VIN in 0 0",
        *TRIODE,
        "X2 p2 p1 k2 6SN7GT",
        "RP2 b p2 22k",
        "RK2 k2 0 22k",
        "C1 p2 g3 47n",
        "C2 k2 g4 47n",
        "RG3 g3 0 470k",
        "RG4 g4 0 470k",
        "X3 p3 g3 k3 6SN7GT",
        "X4 p4 g4 k3 6SN7GT",
        "RK3 k3 0 390",
        "RP3 b p3 47k",
        "RP4 b p4 47k",
    )

    assert stage_with(roles, "X2").form == "cathodyne"
    assert stage_with(roles, "X3").id == "voltage_amplifier(X3,X4)"
    assert stage_with(roles, "X3").form == "balanced_pair"


def test_two_stages_that_share_a_bypassed_resistor_are_no_pair() -> None:
    roles = roles_of(
        "VB b 0 300",
        "VIN in 0 0",
        *TRIODE,
        "CK k1 0 100u",
        "C1 p1 g2 22n",
        "RG g2 0 1meg",
        "X2 p2 g2 k1 12AX7",
        "RP2 b p2 100k",
    )

    assert [stage.kind for stage in roles.stages] == ["voltage_amplifier"] * 2
    assert {role.of for role in roles.of_part("RK")} == {"X1", "X2"}


def test_stacked_tubes_with_two_signals_are_left_unknown_with_the_reason() -> None:
    roles = roles_of(
        "VB b 0 300",
        "VIN in 0 0",
        *TRIODE,
        "C2 p1 g2 1u",
        "RG2 g2 m 470k",
        "X0 p0 in k0 12AX7",
        "RP0 b p0 100k",
        "RK0 k0 0 1k",
        "C3 p0 g3 1u",
        "RG3 g3 0 470k",
        "X2 b g2 m 6SN7GT",
        "X3 m g3 k3 6SN7GT",
        "RK3 k3 0 1k",
        "CO m out 10u",
        "RO out 0 10k",
    )

    assert [stage.kind for stage in roles.stages if set(stage.tubes) & {"X2", "X3"}] == [
        "unknown",
        "unknown",
    ]
    assert "X2" in stage_with(roles, "X3").evidence[0]


def test_local_feedback_from_plate_to_grid_and_from_plate_to_plate() -> None:
    roles = roles_of(
        *SUPPLY,
        "RI in g0 100k",
        "RF p0 g0 1meg",
        "X0 p0 g0 k0 12AX7",
        "RK0 k0 0 1k",
        "RP0 bp p0 100k",
        "C0 p0 g1 100n",
        "RG g1 0 470k",
        "X1 p1 bp g1 k1 EL84",
        "RK1 k1 0 150",
        "RPP p1 p0 470k",
        *OUTPUT,
    )

    assert names(roles, "RF") == {"feedback_resistor"}
    assert names(roles, "RPP") == {"feedback_resistor"}
    assert names(roles, "RP0") == {"plate_load"}


def test_speaker_network_zobel_and_floating_winding() -> None:
    roles = roles_of(
        *SUPPLY,
        "X1 p1 bp in kk EL84",
        "L3 kk k1 0.1",
        "RK k1 0 150",
        "CK k1 0 100u",
        "L1 bp p1 10",
        "L2 s1 s2 20m",
        "K1 L1 L2 L3 .99",
        "RE s1 x 6 ;! speaker",
        "LE x y 0.5m",
        "RES y s2 30",
        "CES y s2 200u",
        "RZ s1 z 10",
        "CZ z s2 100n",
        "RREF s2 0 100",
    )

    assert roles.transformers[0].speaker == "RE"
    assert names(roles, "CES") == {"speaker_load"}
    assert names(roles, "RZ") == names(roles, "CZ") == {"zobel"}
    assert names(roles, "RREF") == {"ground_reference"}
    assert names(roles, "L3") == {"feedback_winding"}


@pytest.mark.parametrize(
    ("grid", "bias", "source"),
    [
        (("VG g 0 DC -7.3 AC 1",), "fixed", "VG"),
        (("VG n 0 -7.3", "RG n g 100k"), "fixed", None),
        (("VG g 0 -7.3",), "fixed", None),
        (("RG g 0 470k", "CI in g 100n", "VIN in 0 0"), "grid_leak", "VIN"),
    ],
)
def test_bare_test_circuits(grid: tuple[str, ...], bias: str, source: str | None) -> None:
    roles = roles_of("VHT bp 0 250", *grid, "X1 p1 bp g 0 EL84", *OUTPUT)

    assert roles.stages[0].bias == bias
    assert roles.input_source == source


def test_ammeters_change_nothing() -> None:
    roles = roles_of(
        "VHT b0 0 300",
        "VMB b0 bp 0",
        "VIN in 0 0",
        "X1 pp bp in k1 EL84",
        "RK k1 ks 150",
        "VK ks 0 0",
        "VP p1 pp 0",
        *OUTPUT,
    )

    assert roles.input_source == "VIN"
    assert stage_with(roles, "X1").bias == "cathode"
    assert names(roles, "VK") == names(roles, "VP") == names(roles, "VMB") == {"current_sensor"}


def test_divider_from_the_supply_that_only_lifts_a_grid_is_bias_not_rail() -> None:
    roles = roles_of(
        "VB b 0 300",
        "VIN in 0 0",
        "R1 b e 220k",
        "R2 e 0 100k",
        "CE e 0 10u",
        "CI in g 100n",
        "RG g e 1meg",
        "X1 b g k 12AU7",
        "RK k 0 22k",
        "CO k out 1u",
        "RO out 0 100k",
    )

    assert roles.rails == ("b",)
    assert names(roles, "R1") == names(roles, "R2") == {"bias_divider"}
    assert stage_with(roles, "X1").kind == "cathode_follower"
    assert names(roles, "RK") == {"cathode_load"}


def test_rectified_supply_is_recognised_as_such() -> None:
    roles = roles_of(
        "VAC ac 0 SIN(0 300 50)",
        "D1 ac raw DX",
        ".model DX D",
        "C1 raw 0 47u",
        "R1 raw bp 1k",
        "C2 bp 0 47u",
        "VIN in 0 0 AC 1",
        "X1 p1 bp in k1 EL84",
        "RK1 k1 0 150",
        *OUTPUT,
    )

    assert roles.input_source == "VIN"
    assert roles.rails == ("raw", "bp")
    assert names(roles, "D1") == {"rectifier_diode"}
    assert names(roles, "VAC") == {"supply_source"}


def test_series_resistor_after_the_plate_keeps_the_coupling_capacitor() -> None:
    roles = roles_of(
        "VB b 0 300",
        "VIN in 0 0",
        *TRIODE,
        "RS p1 x 10k",
        "C1 x g2 22n",
        "RG g2 0 470k",
        "X2 p2 g2 k2 12AX7",
        "RP2 b p2 100k",
        "RK2 k2 0 1k",
    )

    coupler = roles.named("coupling_capacitor")[0]
    assert (coupler.part, coupler.of, coupler.source_net, coupler.feeds) == ("C1", "X1", "x", "g2")


def test_capacitor_and_resistor_from_plate_to_ground_is_a_shunt_where_a_grid_follows() -> None:
    roles = roles_of(
        "VB b 0 300",
        "VIN in 0 0",
        *TRIODE,
        "C2 p1 y 1n",
        "R2 y 0 10k",
        "C1 p1 g2 22n",
        "RG g2 0 470k",
        "X2 p2 g2 k2 12AX7",
        "RP2 b p2 100k",
        "RK2 k2 0 1k",
    )

    assert names(roles, "C2") == names(roles, "R2") == {"plate_shunt"}


def test_an_unrelated_part_is_listed_not_ignored() -> None:
    roles = recognise(
        circuit_of_lines(
            "VB b 0 300", "VIN in 0 0", *TRIODE, "R8 q1 q2 1k", "R9 q2 q1 1k", "E1 q3 0 q1 q2 5"
        )
    )

    assert roles.unrecognised == ("E1", "R8", "R9")


def test_an_endless_chain_of_resistors_is_survived() -> None:
    chain = [f"R{n} n{n} n{n + 1} 100" for n in range(1, 1500)]
    for first, last in (("k1", "0"), ("p1", "bp"), ("in", "0"), ("bp", "0")):
        lines = [
            line.replace(" n1 ", f" {first} ").replace(" n1500 ", f" {last} ") for line in chain
        ]

        roles = recognise(circuit_of_lines(*SUPPLY, *TRIODE, *lines))

        assert names(roles, "RK") == {"cathode_resistor"}


def test_roles_are_from_the_closed_list_and_say_why() -> None:
    for path in CASES.glob("*.cir"):
        for role in recognise(circuit_of(case_text(path.stem))):
            assert role.name in list(RoleName)
            assert len(role.why.split()) > 2
            assert 0.0 < role.confidence <= 1.0


def test_two_hundred_parts_in_a_fifth_of_a_second() -> None:
    cards = [line for line in case_text("fixed_bias_pair").splitlines()[1:] if line != ".end"]
    lines: list[str] = []
    for channel in "abcd":
        for card in cards:
            body, mark, note = card.partition(";")
            words = body.split()
            letter = words[0][0]
            count = {"K": len(words) - 2, "X": len(words) - 2}.get(letter, 2)
            inner = words[1 : count + 1]
            renamed = [w if w == "0" else f"{w}{channel}" for w in inner]
            note = note.replace("VR1", f"VR{channel}").replace("=V", f"={channel}V")
            line = [words[0] + channel, *renamed, *words[count + 1 :], mark + note]
            lines.append(" ".join(line))
    circuit = circuit_of_lines(*lines)
    assert len(circuit.parts) > 200

    start = time.process_time()
    roles = recognise(circuit)
    elapsed = time.process_time() - start

    assert roles.unrecognised == ()
    assert len(roles.output_stages) == 4
    assert elapsed <= 0.2
