"""Transformers of controlled sources: the windings they stand for behave alike."""

from __future__ import annotations

import cmath
from math import pi

import pytest

from netcheck.circuit.checks import check_circuit
from netcheck.circuit.model import Circuit
from netcheck.roles import recognise
from tests.roles.circuits import circuit_of_lines

STAGE = (
    "VHT ht 0 250",
    "VIN in 0 0 ;! input",
    "RG in 0 470k",
    "X1 p s in k 6V6GT",
    "RS ht s 470",
    "RK k 0 270",
)
LOAD = ("RL sp 0 8",)
TURNS = 25.0
FREQUENCIES_HZ = (20.0, 1e3, 20e3)


def impedance(
    circuit: Circuit, primary: str, secondary: str, load_ohm: float, hz: float
) -> complex:
    """Impedance at a winding with another loaded: Z1 + w^2 M^2 / (R + j w L2)."""
    w = 2.0 * pi * hz
    first, second = (circuit[ref].value or 0.0 for ref in (primary, secondary))
    mutual = circuit.coupled_with(primary)[secondary] * (first * second) ** 0.5
    return 1j * w * first + (w * mutual) ** 2 / (load_ohm + 1j * w * second)


def ideal(henry: float, load_ohm: float, hz: float) -> complex:
    """Impedance of an inductance beside an ideal transformer's load."""
    loaded = TURNS**2 * load_ohm
    coil = 2j * pi * hz * henry
    return loaded * coil / (loaded + coil)


FORMS = {
    "volts forward, current back": (
        "LM p ht 12", "E1 e 0 p ht 0.04", "VS sp e 0", "F1 p ht VS -0.04",
    ),
    "the sensor behind the wire": (
        "LM p ht 12", "E1 e 0 p ht 0.04", "RW e w 1m", "VS sp w 0", "F1 ht p VS 0.04",
    ),
    "the sensor on the cold side": (
        "LM p ht 12", "E1 sp e p ht 0.04", "VS 0 e 0", "F1 p ht VS 0.04",
    ),
    "expressions": (
        "LM p ht 12", "E1 e 0 VALUE={V(p,ht)/25}", "VS sp e 0", "B1 p ht I=-I(VS)/25",
    ),
    "current read on a resistor": (
        "LM p ht 12", "E1 e 0 p ht 0.04", "RW sp e 0.1", "G1 p ht sp e -0.4",
    ),
    "the load's side forward": ("LM p ht 12", "E1 e ht sp 0 25", "VS p e 0", "F1 sp 0 VS -25"),
    "inductance on the load's side": (
        "LM sp 0 19.2m", "E1 e ht sp 0 25", "VS p e 0", "F1 sp 0 VS -25",
    ),
    "a core net": (
        "LM core 0 12", "EA a ht core 0 1", "VA p a 0", "FA core 0 VA -1",
        "EB sp b core 0 0.04", "VB b 0 0", "FB core 0 VB -0.04",
    ),
}  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_windings_behave_as_the_sources_do(form: str) -> None:
    circuit = circuit_of_lines(*STAGE, *FORMS[form], *LOAD)
    (transformer,) = recognise(circuit).transformers
    ((primary,),) = (tuple(path) for path in transformer.primaries.values())
    (secondary,) = transformer.secondaries
    for hz in FREQUENCIES_HZ:
        expected = ideal(12.0, 8.0, hz)

        actual = impedance(circuit, primary, secondary, 8.0, hz)

        # 1e-5 short of full coupling leaves a leakage of 2e-5 L: 30 ohm of 12 H at 20 kHz.
        leakage = 2e-5 * 2.0 * pi * hz * 12.0
        assert abs(actual - expected) < 0.001 * abs(expected) + 1.1 * leakage
        assert cmath.isfinite(actual)
    assert transformer.speaker == "RL"
    assert not [found for found in check_circuit(circuit) if found.level != "note"]


def test_a_transformer_that_passes_direct_current_is_said() -> None:
    circuit = circuit_of_lines(*STAGE, "E1 e 0 p ht 0.04", "VS sp e 0", "F1 p ht VS -0.04", *LOAD)

    rules = {found.rule for found in check_circuit(circuit)}
    roles = recognise(circuit)

    assert "ideal-transformer" in rules
    assert circuit["F1"].kind == "controlled_source"
    assert [stage.kind for stage in roles.output_stages] == ["single_ended"]
    assert {role.name for role in roles.of_part("E1")} == {"output_transformer_secondary"}


def test_sources_that_make_power_are_no_transformer() -> None:
    lines = ("LM p ht 12", "E1 e 0 p ht 0.04", "VS sp e 0")

    wrong_sign = circuit_of_lines(*STAGE, *lines, "F1 p ht VS 0.04", *LOAD)
    wrong_size = circuit_of_lines(*STAGE, *lines, "F1 p ht VS -0.06", *LOAD)

    assert not wrong_sign.couplings
    assert not wrong_size.couplings


def test_a_core_loss_goes_to_the_winding_with_the_square_of_its_turns() -> None:
    circuit = circuit_of_lines(*STAGE, *FORMS["a core net"], "RC core 0 50k", *LOAD)

    loss = circuit["RC"]

    assert set(loss.nets) == {"sp", "b"}
    assert loss.value == pytest.approx(50e3 / TURNS**2)
