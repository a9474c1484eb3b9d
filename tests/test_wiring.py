"""Wiring findings: for each one circuit that has it, and the same circuit put right."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from netcheck.circuit.build import build_circuit
from netcheck.circuit.changes import SetValue, apply_changes
from netcheck.circuit.checks import check_circuit
from netcheck.circuit.model import Circuit
from netcheck.findings import FINDING_KINDS, Finding
from netcheck.judge.wiring_grids import grid_ohms
from netcheck.netlist import read_netlist_text
from netcheck.pipeline import load_circuit
from netcheck.roles import recognise
from netcheck.solve.pool import Job, Pool
from netcheck.tubes.library import load_library
from netcheck.workbench.baseline import solve_at_rest
from netcheck.workbench.faulted import Bench
from netcheck.workbench.hookup import bare_windings, hookup_of
from netcheck.workbench.settings import Settings
from netcheck.workbench.wiring import (
    FeedbackPath,
    find_loops,
    loop_gains,
    roles_findings,
    wiring_findings,
)

CHECKOUT = Path(__file__).resolve().parents[1]
LIBRARY = load_library()
FIXED = """Pentode with fixed bias
VHT bp 0 300
VN n 0 -40
VIN in 0 0 ;! input
R1 in 0 100k
C1 in g 100n
R2 g w 220k
R3 n w 12k ;! pot=VR1 side=upper
R4 w m 12k ;! pot=VR1 side=lower
R5 m 0 10k
R6 w n 100k
X1 p bp g 0 EL34
L1 bp p 10 ;! dcr=100ohm
L2 s 0 20m
K1 L1 L2 0.998
RL s 0 8 ;! speaker
.end
"""
LOOP = """Two stages and an output tube with loop feedback
VHT bp 0 300 ;! follows_mains
RS bp b 100
C10 b 0 47u ;! volts=400V
R10 b 0 220k ;! power=1W
VIN in 0 0 ;! input
R1 in 0 1Meg
X1 p1 in k1 12AX7
R2 b p1 100k
R3 k1 0 1.5k
C1 p1 g2 22n ;! volts=400V
R4 g2 0 470k
X2 p2 b g2 k2 6V6GT
R5 k2 0 470 ;! power=5W
C2 k2 0 100u ;! volts=50V
L1 b p2 10 ;! dcr=200ohm
L2 0 s 20m
K1 L1 L2 0.998
RL s 0 8 ;! speaker
R6 s k1 22k
.end
"""


@pytest.fixture(scope="module")
def pool() -> Iterator[Pool]:
    with Pool(1, 60.0) as made:
        yield made


def circuit_of(text: str) -> Circuit:
    netlist = read_netlist_text(text, "test.cir", None, is_tube=LIBRARY.is_tube)
    return build_circuit(netlist, LIBRARY)


def changed(text: str, *edits: tuple[str, str]) -> str:
    for old, new in edits:
        assert old in text
        text = text.replace(old, new)
    return text


def findings_of(circuit: Circuit, pool: Pool) -> tuple[Finding, ...]:
    """Return all findings but those of the text."""
    roles = recognise(circuit)
    bench = Bench(circuit, Settings(idle_only=True, jobs=1), pool, bare_windings(circuit, roles))
    found = wiring_findings(bench, solve_at_rest(bench, roles, cold=False))
    return (*check_circuit(circuit), *found)


def rules(text: str, pool: Pool) -> set[tuple[str, str]]:
    return {(each.rule, each.part) for each in findings_of(circuit_of(text), pool)}


def test_sound_circuits_have_no_finding(pool: Pool) -> None:
    assert rules(FIXED, pool) == set()
    assert rules(LOOP, pool) == set()


@pytest.mark.parametrize(
    ("text", "edits", "expected"),
    [
        pytest.param(FIXED, [("R2 g w 220k", "R2 g w 680k")], ("grid-resistance", "R2"),
                     id="grid leak above the limit for fixed bias"),
        pytest.param(LOOP, [("R10 b 0 220k ;! power=1W\n", "")], ("no-bleeder", "C10"),
                     id="no bleeder"),
        pytest.param(LOOP, [("X1 p1 in", "X1 b in"), ("R2 b p1 100k\n", ""), ("R6 s k1 22k\n", ""),
                            ("R3 k1 0 1.5k", "R3 k1 n 100k\nVN n 0 -100\nVG r 0 2.4"),
                            ("C1 p1 g2", "C1 k1 g2"), ("R4 g2 0", "R4 g2 r")],
                     ("coupling-without-dc", "C1"), id="nothing to block"),
        pytest.param(LOOP, [("C2 k2 0 100u ;!", "C2 0 k2 100u ;! polarized")],
                     ("electrolytic-backwards", "C2"), id="electrolytic backwards"),
        pytest.param(LOOP, [("R5 k2 0 470 ;! power=5W", "R5 k2 0 470 ;! power=0.1W")],
                     ("resistor-overload", "R5"), id="resistor over its power"),
        pytest.param(LOOP, [("C10 b 0 47u ;! volts=400V", "C10 b 0 47u ;! volts=250V")],
                     ("capacitor-overvoltage", "C10"), id="capacitor over its volts"),
        pytest.param(LOOP, [("12AX7", "12AX7 ;! heater=elevated:-300V")],
                     ("heater-cathode-voltage", "X1"), id="heater too far from cathode"),
        pytest.param(LOOP, [("L2 0 s", "L2 s 0")], ("feedback-polarity", "R6"),
                     id="load winding turned round"),
        pytest.param(FIXED, [("VN n 0 -40", "VN n 0 -14")],
                     ("bias-range-strong", "R3"), id="bias too small for a strong tube"),
        pytest.param(FIXED, [("R5 m 0 10k", "R5 m 0 100k"), ("VN n 0 -40", "VN n 0 -70"),
                             ("R3 n w 12k", "R3 n w 120k"), ("R4 w m 12k", "R4 w m 1")],
                     ("bias-range-weak", "R3"), id="bias too large for a weak tube"),
        pytest.param(FIXED, [("R6 w n 100k\n", "")], ("wiper-not-fail-safe", "R3"),
                     id="nothing holds the grid when the wiper lifts"),
    ],
)  # fmt: skip
def test_circuit_with_the_defect_has_the_finding(
    text: str, edits: list[tuple[str, str]], expected: tuple[str, str], pool: Pool
) -> None:
    found = findings_of(circuit_of(changed(text, *edits)), pool)

    named = [each for each in found if (each.rule, each.part) == expected]
    assert len(named) == 1
    assert named[0].span is not None
    assert named[0].hint
    assert named[0].level == FINDING_KINDS[named[0].rule].level


def test_an_idle_that_does_not_last_is_an_error_in_the_band_and_a_warning_above_it(
    pool: Pool,
) -> None:
    """Strong feedback that adds howls; what too much of the right sign does far above the
    band rests on capacitances that no netlist has."""
    adds = changed(LOOP, ("L2 0 s", "L2 s 0"), ("R6 s k1 22k", "R6 s k1 1k"))
    (error,) = (each for each in findings_of(circuit_of(adds), pool) if "unstable" in each.rule)
    pair = load_circuit(CHECKOUT / "circuits" / "el34_pair_fixed_bias.cir")
    much = apply_changes(pair, (SetValue("R6", 8.2e3),))
    (warning,) = (each for each in findings_of(much, pool) if "unstable" in each.rule)

    assert error.level == "error"
    assert error.hint
    assert warning.level == "warning"
    assert "above the audio band" in warning.message


def test_grid_resistance_is_that_of_a_network_worked_out_by_hand() -> None:
    circuit = circuit_of(
        "Two grids on one leak\nVHT bp 0 300\nV2 n 0 -20\nRC n c 100k\nR1 a c 220k\n"
        "R2 b c 150k\nR3 c 0 100k\nX1 bp a 0 6SN7GT\nX2 bp b 0 6SN7GT\n.end\n"
    )

    both = grid_ohms(circuit, ("X1", "X2"))

    # 100 kohm to each side of the shared net make 50 kohm, which carry both currents.
    assert both == pytest.approx({"X1": 220e3 + 2 * 50e3, "X2": 150e3 + 2 * 50e3})
    assert grid_ohms(circuit, ("X1",)) == pytest.approx({"X1": 270e3})


def test_loop_gain_changes_sign_with_the_winding(pool: Pool) -> None:
    """The signal goes over one inversion a stage: with the winding's start at ground the
    speaker follows the cathode it is fed back to."""
    circuit = circuit_of(LOOP)
    roles = recognise(circuit)
    hookup, _ = hookup_of(circuit, roles)
    loops = find_loops(circuit, roles)
    turned = circuit_of(changed(LOOP, ("L2 0 s", "L2 s 0")))

    right = pool.run([Job(loop_gains, (circuit, hookup, 1000.0, loops))])[0][0]
    wrong = pool.run([Job(loop_gains, (turned, hookup, 1000.0, loops))])[0][0]

    assert loops == (FeedbackPath(("R6",), ("R6",), "s", "k1"),)
    assert right.real < -0.5
    assert wrong.real == pytest.approx(-right.real, rel=0.02)


def test_positive_loop_gain_above_one_is_still_positive(pool: Pool) -> None:
    text = changed(LOOP, ("L2 0 s", "L2 s 0"), ("R6 s k1 22k", "R6 s k1 470"))
    found = [each for each in findings_of(circuit_of(text), pool) if "feedback" in each.rule]

    assert len(found) == 1
    assert "oscillates" in found[0].message


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("12ax7_preamp", {("no-bleeder", "C20")}),
        ("2a3_single_ended", {("no-bleeder", "C20")}),
        ("6v6_single_ended", {("no-bleeder", "C10")}),
        ("el34_pair_fixed_bias", {("wiper-not-fail-safe", "R31")}),
        ("kt88_ultralinear_cathode_bias", set()),
    ],
)
def test_worked_examples(name: str, expected: set[tuple[str, str]], pool: Pool) -> None:
    circuit = load_circuit(CHECKOUT / "circuits" / f"{name}.cir")

    assert {(each.rule, each.part) for each in findings_of(circuit, pool)} == expected


KNOWN_IN_CORPUS = {
    # 6L6GC with fixed bias: 100 kohm are published, 220 kohm are what is built.
    ("cathode_feedback_pair", "grid-resistance"),
    ("trim_each_tube_quad", "grid-resistance"),
    # The leak that a floating paraphase shares carries the grid current of both.
    ("floating_paraphase_pair", "grid-resistance"),
}


def test_wiring_alone_raises_no_false_alarm_over_the_corpus() -> None:
    found = set()
    for path in (CHECKOUT / "tests" / "roles" / "cases").glob("*.cir"):
        circuit = load_circuit(path)
        all_found = (*check_circuit(circuit), *roles_findings(circuit, recognise(circuit)))
        found |= {(path.stem, each.rule) for each in all_found if each.level != "note"}

    assert found == KNOWN_IN_CORPUS
