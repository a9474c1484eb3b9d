"""Shorted turns against ideal-transformer algebra and against measured impedances.

With a half's wire D, a load RL reflected to that half and a share s shorted through its
own wire, one winding alone shows `D(1-s) + (1-s)^2 (RL || D/s)`; a pair of halves,
one of them with the short, shows `D(2-s) + (2-s)^2 (RL || D/s)` plate to plate.
"""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcheck.circuit.changes import SetValue, ShortTurns, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.faults import list_faults
from netcheck.faults.windings import KINDS, halves
from netcheck.netlist.cards import PartNote
from netcheck.roles.base import OutputTransformer

from .fault_circuits import (
    circuit_of,
    coil,
    fixed_bias_pair,
    r,
    role,
    roles_of,
    ultralinear_pair,
    v,
)
from .linear_network import impedance

SHORTED_TURNS = KINDS[0]
TEST_HZ = 40.0
"""Where magnetizing reactance (1 Mohm) and leakage (1 ohm) of the 4000 H windings matter least."""
AUDIO_HZ = 400.0
NEARLY_IDEAL = 0.999999
SPEAKER_OHM = 8.0


def parallel(first: float, second: float) -> float:
    return first * second / (first + second)


def single_ended(load_ohm: float, dcr_ohm: float, factor: float = NEARLY_IDEAL) -> Circuit:
    """One primary of a very high inductance, so that only load and wire count."""
    secondary_h = 4000.0 * SPEAKER_OHM / load_ohm
    return circuit_of(
        [
            v("V0", "bp", "0", 300.0),
            coil("L1", "p", "bp", 4000.0, PartNote(dcr_ohm=dcr_ohm)),
            coil("L2", "s", "0", secondary_h),
            r("R1", "s", "0", SPEAKER_OHM),
        ],
        factor,
    )


def pair(load_ohm: float, dcr_ohm: float) -> Circuit:
    """Two halves, `load_ohm` reflected to each half alone."""
    return circuit_of(
        [
            v("V0", "bp", "0", 300.0),
            coil("L1", "pa", "bp", 4000.0, PartNote(dcr_ohm=dcr_ohm)),
            coil("L2", "bp", "pb", 4000.0, PartNote(dcr_ohm=dcr_ohm)),
            coil("L3", "s", "0", 4000.0 * SPEAKER_OHM / load_ohm),
            r("R1", "s", "0", SPEAKER_OHM),
        ],
        NEARLY_IDEAL,
    )


@pytest.mark.parametrize("share", [0.005, 0.01, 0.05, 0.2, 0.5])
def test_one_winding_follows_the_closed_form(share: float) -> None:
    load, dcr = 5237.0, 120.0
    short = ShortTurns("L1", share, dcr)
    faulted = apply_changes(single_ended(load, dcr), (short,))

    seen = impedance(faulted, "p", "bp", TEST_HZ)

    expected = dcr * (1 - share) + (1 - share) ** 2 * parallel(load, dcr / share)
    assert abs(seen) == pytest.approx(expected, rel=0.01)


# Impedances measured with ngspice 39.3 on two circuits of our own; their wire (120 ohm
# of the single primary, 40 ohm a half of the pair) follows from these same rows.
SINGLE_ROWS = [(0.0, 5357.0), (0.01, 3696.0), (0.05, 1601.0), (0.20, 441.0)]
PAIR_ROWS = [(0.0, 3654.0), (0.01, 2974.0), (0.05, 1684.0), (0.20, 605.0)]


@pytest.mark.parametrize(("share", "measured"), SINGLE_ROWS)
def test_single_ended_impedance_falls_as_measured(share: float, measured: float) -> None:
    circuit = single_ended(5357.0 - 120.0, 120.0)
    changes = (ShortTurns("L1", share, 120.0),) if share else ()

    seen = impedance(apply_changes(circuit, changes), "p", "bp", TEST_HZ)

    assert abs(seen) == pytest.approx(measured, rel=0.01)


@pytest.mark.parametrize(("share", "measured"), PAIR_ROWS)
def test_plate_to_plate_impedance_falls_as_measured(share: float, measured: float) -> None:
    circuit = pair((3654.0 - 80.0) / 4.0, 40.0)
    changes = (ShortTurns("L1", share, 40.0),) if share else ()

    seen = impedance(apply_changes(circuit, changes), "pa", "pb", TEST_HZ)

    assert abs(seen) == pytest.approx(measured, rel=0.01)


@given(share=st.floats(0.001, 0.999), factor=st.floats(0.0, 0.99999))
def test_without_the_short_the_two_parts_in_series_are_the_whole(
    share: float, factor: float
) -> None:
    whole = circuit_of([coil("L1", "a", "0", 10.0), coil("L2", "s", "0", 0.02)], factor)
    split = apply_changes(whole, (ShortTurns("L1", share, 100.0),))
    between = split.coupled_with("L1")["L1.turns1"]
    outer, inner = split["L1"].value or 0.0, split["L1.turns1"].value or 0.0

    series = outer + inner + 2.0 * between * sqrt(outer * inner)

    assert series == pytest.approx(10.0, rel=1e-3)
    assert series <= 10.0 * (1 + 1e-12)


def test_shorting_turns_is_far_worse_than_taking_them_away() -> None:
    dcr, share = 120.0, 0.05
    circuit = single_ended(5237.0, dcr)
    shorted = apply_changes(circuit, (ShortTurns("L1", share, dcr),))
    fewer = apply_changes(circuit, (SetValue("L1", 4000.0 * (1 - share) ** 2),))

    assert abs(impedance(shorted, "p", "bp", TEST_HZ)) < 0.4 * abs(
        impedance(fewer, "p", "bp", TEST_HZ)
    )


@pytest.mark.parametrize("tap", [0.2, 0.4, 0.5, 0.7])
@pytest.mark.parametrize("percent", [1.0, 20.0, 50.0])
def test_a_half_in_two_segments_behaves_like_one_winding(tap: float, percent: float) -> None:
    """The stated share is of the half, wherever its screen tap lies and however it is put in."""
    circuit, roles = ultralinear_pair(tap)
    plain, plain_roles = ultralinear_pair(0.4)
    wanted = f"L1+L2/shorted_turns@{percent:g}%"

    def faulted_impedance(base: Circuit, faults: dict[str, tuple[object, ...]]) -> float:
        changed = apply_changes(base, faults[wanted])  # type: ignore[arg-type]
        return abs(impedance(changed, "p3", "p4", AUDIO_HZ))

    seen = faulted_impedance(circuit, {f.id: f.changes for f in list_faults(circuit, roles)})
    same = faulted_impedance(plain, {f.id: f.changes for f in list_faults(plain, plain_roles)})

    # The loop leaks a little differently in one piece or two.
    assert seen == pytest.approx(same, rel=0.05)
    assert seen < abs(impedance(circuit, "p3", "p4", AUDIO_HZ))


def test_the_short_lies_in_the_segment_nearest_the_plate() -> None:
    circuit, roles = ultralinear_pair(0.4)
    faults = {fault.id: fault for fault in SHORTED_TURNS.faults(circuit, roles)}

    (short,) = faults["L1+L2/shorted_turns@5%"].changes
    (other,) = faults["L4+L3/shorted_turns@5%"].changes

    assert isinstance(short, ShortTurns)
    assert isinstance(other, ShortTurns)
    assert (short.part, other.part) == ("L1", "L4")
    assert short.share * 0.6 == pytest.approx(0.05)


def test_a_short_too_large_for_that_segment_is_spread() -> None:
    circuit, roles = ultralinear_pair(0.6)
    faults = {fault.id: fault for fault in SHORTED_TURNS.faults(circuit, roles)}

    changes = faults["L1+L2/shorted_turns@50%"].changes

    assert [(c.part, c.share) for c in changes if isinstance(c, ShortTurns)] == [
        ("L1", 0.5),
        ("L2", 0.5),
    ]


def test_wire_resistance_from_the_note() -> None:
    first, second = halves(*fixed_bias_pair())

    assert (first.dcr_ohm, first.estimated) == (80.0, False)
    assert (second.dcr_ohm, second.estimated) == (90.0, False)


def test_wire_resistance_is_estimated_from_the_reflected_load() -> None:
    first, _ = halves(*ultralinear_pair())

    # Turns ratio of the whole primary: 2 sqrt(8) to sqrt(0.04), so 6400 ohm plate to plate.
    assert first.dcr_ohm == pytest.approx(0.02 * 6400.0 / 2.0)
    assert first.estimated


def test_a_series_wire_resistor_loses_the_shorted_turns_wire() -> None:
    circuit = circuit_of(
        [
            coil("L1", "p", "x", 10.0),
            r("R7", "x", "bp", 200.0),
            coil("L2", "s", "0", 0.02),
            r("R8", "s", "t", 0.3),
            r("R1", "t", "0", 8.0),
        ]
    )
    transformer = OutputTransformer({"V1": ("L1",)}, "bp", ("L2",), "R1", {})
    listed = [role("R7", "wire_resistance", "V1"), role("R8", "wire_resistance", "L2")]
    roles = roles_of(listed, (transformer,))
    fault = next(f for f in SHORTED_TURNS.faults(circuit, roles) if f.id == "L1/shorted_turns@10%")

    assert fault.changes == (ShortTurns("L1", 0.1, 200.0), SetValue("R7", 180.0))


def test_tubes_in_parallel_share_one_winding() -> None:
    circuit, roles = fixed_bias_pair()
    (transformer,) = roles.transformers
    both = replace(transformer, primaries={"V3": ("L1",), "V6": ("L1",), "V4": ("L2",)})
    listed = halves(circuit, replace(roles, transformers=(both,)))

    assert [half.tubes for half in listed] == [("V3", "V6"), ("V4",)]
