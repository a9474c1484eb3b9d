"""The bench's parts against closed forms: ohms, meters, lamps, situations, causes."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from netcheck.circuit.build import build_circuit
from netcheck.circuit.changes import SetValue
from netcheck.circuit.model import Circuit
from netcheck.diagnose.lamp import Lamp, heater_watts, parse_lamp, settle
from netcheck.diagnose.meters import parse_meter
from netcheck.diagnose.ohms import network_of
from netcheck.diagnose.plan import pin_words
from netcheck.diagnose.sheet_lines import FAR, moves, pointed
from netcheck.diagnose.situations import IDLE, POWER_OFF, TUBES_OUT, reduced
from netcheck.errors import NetcheckError
from netcheck.faults.base import Fault, likelihood
from netcheck.netlist import read_netlist_text
from netcheck.pipeline import load_circuit
from netcheck.tubes.library import load_library

CIRCUITS = Path(__file__).parents[2] / "circuits"


def circuit_of(text: str) -> Circuit:
    library = load_library()
    netlist = read_netlist_text(f"title\n{text}\n.end\n", "t.cir", Path(), is_tube=library.is_tube)
    return build_circuit(netlist, library)


def fault(part: str, kind: str, family: str = "", level: str = "common") -> Fault:
    how_likely = likelihood(level, "test")  # type: ignore[arg-type]
    changes = (SetValue(part, 1.0),)
    return Fault(f"{part}/{kind}", (part,), kind, changes, how_likely, "", family=family)


def test_a_bridge_reads_as_its_closed_form_says() -> None:
    bridge = circuit_of("R1 a b 100\nR2 b 0 200\nR3 a c 300\nR4 c 0 400\nR5 b c 1e12\nC1 a 0 1u")

    network = network_of(bridge)

    assert network.ohm("a", "0") == pytest.approx(1 / (1 / 300 + 1 / 700))
    assert network.ohm("b", "c") == pytest.approx(1 / (1 / 400 + 1 / 600))
    assert network.ohm("a", "a") == 0.0


def test_an_ohmmeter_sees_wire_but_no_capacitor_diode_tube_or_supply() -> None:
    circuit = circuit_of(
        "V1 ht 0 300\nL1 ht p 10 ;! dcr=120ohm\nC1 p 0 1u\nD1 p 0 DX\n.model DX D\n"
        "X1 p g k 12AX7\nR1 g 0 1Meg\nVA k m 0\nR2 m 0 1.5k"
    )

    network = network_of(circuit)

    assert network.ohm("ht", "p") == pytest.approx(120.0)
    assert math.isinf(network.ohm("ht", "0"))
    assert math.isinf(network.ohm("p", "k"))
    assert network.ohm("k", "0") == pytest.approx(1500.0, rel=1e-5)
    assert network_of(circuit, sources_conduct=True).ohm("p", "0") == pytest.approx(120, rel=1e-4)
    assert network_of(circuit, {"L1": 1.1}).ohm("ht", "p") == pytest.approx(132.0)


def test_the_input_source_is_unplugged() -> None:
    circuit = circuit_of("VIN in 0 0 ;! input\nR1 in 0 470k")

    assert network_of(circuit).ohm("in", "0") == pytest.approx(470e3)


def test_an_analog_meter_loads_by_its_range_and_a_digital_one_does_not() -> None:
    analog, digital = parse_meter("20kohm/V"), parse_meter("10Mohm")

    assert analog.load_ohm(-38.0) == pytest.approx(20e3 * 50.0)
    assert analog.load_ohm(60.0) == pytest.approx(20e3 * 250.0)
    assert digital.load_ohm(0.1) == digital.load_ohm(430.0) == pytest.approx(10e6)
    assert analog.uncertainty_v(38.0) == pytest.approx(1.0)
    assert digital.uncertainty_v(15.0) == pytest.approx(0.095)  # as published, 60 V range
    assert parse_meter("digital") == digital
    assert parse_meter("analog") == analog
    assert parse_meter("none").uncertainty_v(100.0) == 0.0


@pytest.mark.parametrize("text", ["", "ten", "20kohm/A", "-1Mohm", "0ohm", "10V"])
def test_what_is_no_meter_is_one_clear_error(text: str) -> None:
    with pytest.raises(NetcheckError, match="--meter"):
        parse_meter(text)


@pytest.mark.parametrize("text", ["60W", "60@", "bright", "0W@230V", "60W@0V", "60V@230V"])
def test_what_is_no_lamp_is_one_clear_error(text: str) -> None:
    with pytest.raises(NetcheckError, match="--lamp"):
        parse_lamp(text)


def test_a_lamp_takes_its_rating_at_its_volts_and_is_cold_at_little_current() -> None:
    lamp = parse_lamp("60W@230V")

    assert lamp.volts(60.0 / 230.0) == pytest.approx(230.0)
    assert lamp.volts(0.5**0.55 * 60.0 / 230.0) == pytest.approx(115.0)
    assert lamp.volts(1e-3) == pytest.approx(1e-3 * lamp.hot_ohm / 12.0)


def test_lamp_and_load_share_the_mains_so_that_the_current_is_one() -> None:
    lamp = Lamp(100.0, 230.0)

    settled = settle(lamp, 230.0, lambda share: 80.0 * share**2)

    assert settled.share * 230.0 + settled.lamp_v == pytest.approx(230.0)
    assert settled.lamp_v == pytest.approx(lamp.volts(settled.ampere), rel=1e-6)
    assert settled.ampere == pytest.approx(80.0 * settled.share / 230.0)
    assert settle(lamp, 230.0, lambda share: 1e6 * share**2).lamp_v > 0.99 * 230.0
    assert settle(lamp, 230.0, lambda share: 0.0).lamp_v == pytest.approx(0.0, abs=1e-6)


def test_each_bulb_is_heated_once() -> None:
    circuit = load_circuit(CIRCUITS / "el34_pair_fixed_bias.cir")

    watts, unknown = heater_watts(circuit)

    assert watts == pytest.approx(2 * 6.3 * 1.5 + 2 * 12.6 * 0.15, rel=0.01)
    assert unknown == ()


def test_a_situation_scales_the_mains_and_takes_the_tubes_out() -> None:
    circuit = circuit_of("V1 p 0 300\nX1 p g k 12AX7\nR1 g 0 1Meg\nR2 k 0 1.5k")

    low = reduced(0.4).circuit(circuit, ("V1",), True)
    out = TUBES_OUT.circuit(circuit, ("V1",), False)

    assert low["V1"].value == pytest.approx(120.0)
    assert low["X1"].current_scale == 1.0
    assert (out["V1"].value, out["X1"].current_scale) == (300, 0.0)


def test_what_is_wrong_in_a_tube_leaves_with_it() -> None:
    gassy, leaky = fault("X1", "gassy", "tube_gas"), fault("C5", "leaky", "coupling_capacitor")
    mains = fault("V1", "high", "mains")

    assert [one.shows(gassy) for one in (POWER_OFF, TUBES_OUT, IDLE)] == [False, False, True]
    assert [one.shows(leaky) for one in (POWER_OFF, TUBES_OUT, IDLE)] == [True, True, True]
    assert [one.shows(mains) for one in (POWER_OFF, TUBES_OUT)] == [False, True]


def test_a_fault_is_named_where_it_shows_best_and_never_inside_the_band() -> None:
    bands = [(10.0, 9.0, 11.0, 0.1), (-38.0, -41.0, -35.0, 0.1), (math.inf, math.inf, math.inf, 0)]
    faults = [fault("R1", "open"), fault("C5", "leaky"), fault("C5", "leaky"), fault("C9", "short")]
    readings = [[15.0, -38.0, math.inf], [10.5, -20.0, math.inf], [15.0, -10.0, 1e3], None]

    first, second, third = pointed(bands, faults, readings)

    assert first.above == ("R1 open", "C5 leaky")
    assert first.below == second.below == ()
    assert second.above == ("C5 leaky",)
    assert (third.above, third.below) == ((), ("C5 leaky",))


def test_moves_are_in_half_bands_and_bounded() -> None:
    assert moves(10.0, 9.0, 11.0, 13.0, 0.1) == pytest.approx(3.0)
    assert moves(10.0, 9.0, 11.0, 11.05, 0.1) == 0.0
    assert moves(10.0, 9.0, 11.0, -1e6, 0.1) == -FAR
    assert moves(10.0, 9.0, 11.0, math.inf, 0.1) == FAR
    assert moves(math.inf, math.inf, math.inf, math.inf, 0.0) == 0.0


def test_socket_pins_come_from_the_tube_file() -> None:
    circuit = load_circuit(CIRCUITS / "el34_pair_fixed_bias.cir")
    triode = circuit["X1"]

    assert pin_words(circuit["X4"], "grid") == "X4 EL34 pin 5 (grid)"
    assert pin_words(triode, "grid") == "V1 12AX7 pin 7 or 2 (grid of X1)"
    assert pin_words(replace(triode, section="2"), "grid") == "V1 12AX7 pin 2 (grid of X1)"
