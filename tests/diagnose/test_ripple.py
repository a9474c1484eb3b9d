"""Ripple on a net: which capacitor filters it, and what else puts it there."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import pytest

from netcheck.circuit.build import build_circuit
from netcheck.circuit.changes import SetValue
from netcheck.circuit.model import Circuit
from netcheck.diagnose.evidence_rules import HUM_LEAST, log_ramp
from netcheck.diagnose.readings import Reading, parse_reading
from netcheck.diagnose.ripple import MOST, SEEN_V, TOO_MUCH, ripple_likelihood
from netcheck.faults import list_faults
from netcheck.faults.base import Defect, Fault, likelihood
from netcheck.netlist import read_netlist_text
from netcheck.pipeline import load_circuit
from netcheck.roles import recognise
from netcheck.roles.base import Roles
from netcheck.tubes.library import load_library

HERE = Path(__file__).parents[2]
Known = tuple[Circuit, Roles, dict[str, Fault]]
USUAL, LIKELY = 0.15, 0.8


def known_of(circuit: Circuit) -> Known:
    roles = recognise(circuit)
    return circuit, roles, {fault.id: fault for fault in list_faults(circuit, roles)}


@cache
def el34() -> Known:
    return known_of(load_circuit(HERE / "circuits/el34_pair_fixed_bias.cir"))


@cache
def radio() -> Known:
    return known_of(load_circuit(HERE / "tests/faults/cases/radio_output.cir"))


@cache
def small() -> Known:
    """One reservoir, one dropper of 10 kohm with 10 uF behind it, one triode."""
    library = load_library()
    text = (
        "t\nVHT s 0 300\nRS s ht 100\nC1 ht 0 47u\nR1 ht b 10k\nC2 b 0 10u\nR3 b p 100k\n"
        "X1 p g k 12AX7\nR4 k 0 1.5k\nC4 k 0 100u\nR5 g 0 1Meg\nVIN in 0 0 ;! input\n"
        "C5 in g 100n\n.end\n"
    )
    netlist = read_netlist_text(text, "t.cir", Path(), is_tube=library.is_tube)
    return known_of(build_circuit(netlist, library))


def yes(net: str, fault: str = "", known: Known | None = None) -> float:
    circuit, roles, faults = known or el34()
    return ripple_likelihood(
        parse_reading(f"ripple({net})=yes"), faults[fault] if fault else None, circuit, roles
    )


def drying(share: float, known: Known) -> tuple[Fault, Known]:
    circuit, roles, faults = known
    value = (circuit["C2"].value or 0.0) * share
    fault = Fault(
        "C2/dried", ("C2",), "dried", (SetValue("C2", value),), likelihood("common", "test"), "",
        defect=Defect(100.0 * share, "%"), family="supply_capacitor",
    )  # fmt: skip
    return fault, (circuit, roles, {**faults, fault.id: fault})


@pytest.mark.parametrize("net", ["sg", "inv", "drv", "bias", "k1", "p4"])
def test_a_sound_unit_rarely_ripples_too_much(net: str) -> None:
    assert yes(net) == HUM_LEAST


def test_a_reservoir_always_has_some_ripple() -> None:
    assert yes("sg") < yes("ht") < 0.5


@pytest.mark.parametrize(
    ("net", "capacitor", "kind", "others"),
    [
        ("ht", "C20", "dried@30%", "C21 C22 C23 C30 C31"),
        ("ht", "C20", "open", "C21 C22 C23 C30 C31"),
        ("sg", "C21", "dried@30%", "C22 C23 C30 C31"),
        ("sg", "C21", "open", "C22 C23 C30 C31"),
        ("inv", "C22", "open", "C23 C30 C31"),
        ("nb1", "C30", "dried@30%", "C20 C21 C22 C23 C31"),
        ("nb1", "C30", "open", "C20 C21 C22 C23 C31"),
    ],
)
def test_the_capacitor_of_a_net_ripples_on_it(
    net: str, capacitor: str, kind: str, others: str
) -> None:
    assert yes(net, f"{capacitor}/{kind}") > LIKELY
    assert max(yes(net, f"{one}/{kind}") for one in others.split()) < 0.3


def test_rails_feed_one_another() -> None:
    assert yes("sg", "C20/open") > LIKELY
    assert yes("inv", "C21/open") > LIKELY
    assert yes("ht", "C21/open") < 0.3
    assert yes("sg", "C22/open") < USUAL


def test_what_is_filtered_away_is_not_seen() -> None:
    """Three times the ripple of a reservoir is still microvolts behind three filters."""
    assert yes("drv", "C20/dried@30%") == pytest.approx(HUM_LEAST, abs=0.01)
    assert yes("inv", "C22/dried@30%") == pytest.approx(HUM_LEAST, abs=0.01)


def test_a_choke_without_inductance_filters_nothing() -> None:
    assert yes("sg", "L10/shorted") > LIKELY
    assert yes("sg", "R20/shorted") < USUAL
    assert yes("inv", "R20/shorted") > LIKELY


@pytest.mark.parametrize("fault", ["L10/winding_open", "C21/shorted", "C20/shorted"])
def test_where_there_is_no_supply_there_is_no_ripple(fault: str) -> None:
    assert yes("sg", fault) < HUM_LEAST


def test_a_dead_bias_supply_does_not_ripple_and_a_leaky_one_may() -> None:
    assert yes("bias", "C31/shorted") < HUM_LEAST
    assert HUM_LEAST < yes("bias", "C31/leaky@10kohm") < LIKELY
    assert yes("ht", "C31/leaky@10kohm") == yes("ht")


def test_half_waves_double_the_ripple_and_four_times_it_behind_a_filter() -> None:
    """Vpp = I/(2 f C) becomes I/(f C) at the reservoir; behind R and C once more twice."""
    known = radio()
    base = yes("bp", "", known)
    expected = base + (MOST - base) * log_ramp(2.0, 1.0, TOO_MUCH)

    assert yes("bp", "D1/open", known) == pytest.approx(expected, rel=0.01)
    assert yes("bp", "D1/shorted", known) > yes("bp", "D1/open", known)
    assert yes("bd", "D1/open", known) == pytest.approx(MOST, rel=0.01)
    assert yes("k1", "D1/open", known) == pytest.approx(HUM_LEAST)


def test_a_worn_rectifier_hardly_ripples() -> None:
    assert HUM_LEAST <= yes("sg", "RSRC/worn_rectifier") < 0.2


def test_a_heater_leak_hums_on_its_own_cathode_and_plate() -> None:
    leak = "X1/heater_cathode_leaky@10kohm"

    assert yes("k1", leak) > LIKELY
    assert yes("p1", leak) > LIKELY
    assert yes("k4", leak) == yes("k4")
    assert yes("bias", leak) == yes("bias")


def test_a_heater_leak_is_a_divider() -> None:
    """3.15 V over the leak and the cathode: its resistor, bypass and 1/gm side by side."""
    known = small()
    leak = "X1/heater_cathode_leaky@10kohm"
    siemens = 1 / 1500 + 1 / 500 + 2j * math.pi * 50 * 100e-6
    ohm = 1 / siemens
    expected = log_ramp(3.15 * abs(ohm / (ohm + 10e3)), *SEEN_V)

    actual = (yes("k", leak, known) - HUM_LEAST) / (MOST - HUM_LEAST)
    assert 0.01 < expected < 0.99
    assert actual == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("share", [0.3, 0.5, 0.8])
def test_ripple_behind_a_dropper_goes_as_one_over_the_capacitance(share: float) -> None:
    """Where the dropper is far above the capacitor's reactance, V = V0 / (w R C)."""
    fault, known = drying(share, small())
    before_v = 0.02 * 300
    omega_rc = 2 * math.pi * 100 * 10e3 * 10e-6 * share
    volts = before_v / math.hypot(1.0, omega_rc)
    expected = log_ramp(1 / share, 1.0, TOO_MUCH) * log_ramp(volts, *SEEN_V)

    actual = (yes("b", fault.id, known) - HUM_LEAST) / (MOST - HUM_LEAST)
    assert actual == pytest.approx(expected, rel=0.03)


def test_an_open_grid_picks_up_hum_and_its_feed_stays_quiet() -> None:
    assert yes("a4", "R14/open") == pytest.approx(0.6)
    assert yes("bias", "R14/open") < USUAL


def test_a_fault_that_is_not_there_with_the_tubes_out_ripples_as_health() -> None:
    circuit, roles, faults = el34()
    reading = parse_reading("ripple(k1)=yes@tubes_out")
    leak = faults["X1/heater_cathode_leaky@10kohm"]

    assert ripple_likelihood(reading, leak, circuit, roles) == HUM_LEAST


def test_no_is_the_rest_and_none_is_certain() -> None:
    circuit, roles, faults = el34()
    for net in ("ht", "sg", "g4", "k1", "unknown net"):
        for fault in (None, *faults.values()):
            both = [
                ripple_likelihood(Reading("ripple", net, "", answer, "idle"), fault, circuit, roles)
                for answer in (1.0, 0.0)
            ]
            assert sum(both) == pytest.approx(1.0)
            assert min(both) >= 0.03
            assert max(both) <= 0.95
