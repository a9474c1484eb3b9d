"""Peaks as loads: plate volts at cut-off, heater to cathode, and what a floor stands for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from judge.builders import EL34, circuit_of, limit, roles_of, solved, tube, tube_state, tube_type
from netcheck.judge import limits_of
from netcheck.judge.stress import judge_state
from netcheck.netlist.cards import PartNote
from netcheck.tubes.library import load_library


@pytest.mark.parametrize(
    ("name", "volts", "word"),
    [
        ("EL34", 2000.0, "zero current"),
        ("6V6GT", 1200.0, "estimated floor"),
        ("EL84", 1000.0, "estimated floor"),
        ("KT88", 1920.0, "estimated floor"),
    ],
)
def test_peaks_meet_the_rating_at_zero_current_or_a_floor_that_is_called_one(
    name: str, volts: float, word: str
) -> None:
    """EL34: 2 kV at zero current, Philips; KT88: 2.4 times its rated 800 V."""
    kind = load_library().find(name)
    assert kind is not None
    table = limits_of(circuit_of(tube("X1", kind)), roles_of())
    (found,) = (one for one in table.limits if one.quantity == "plate_peak_v")

    assert found.limit == pytest.approx(volts)
    assert word in found.comparison
    said = any("flash over (estimate)" in text for text in table.assumptions)
    assert said is ("floor" in found.comparison)


def test_the_peak_of_an_open_speaker_has_a_victim() -> None:
    """A 6V6GT without its speaker in overdrive: 1.3 kV where health has 450 V."""
    kind = load_library().find("6V6GT")
    assert kind is not None
    circuit = circuit_of(tube("X2", kind))
    health = solved("overdrive", {"X2": replace(tube_state(), plate_peak_v=450.0)})
    fault = solved("overdrive", {"X2": replace(tube_state(), plate_peak_v=1324.6)})
    loads = judge_state(circuit, limits_of(circuit, roles_of()), fault, {"overdrive": health})
    (found,) = (one for one in loads if one.quantity == "plate_peak_v")

    assert found.is_charged
    assert found.level == "over_limit"


def test_small_signal_tubes_have_no_floor_for_peaks() -> None:
    kind = load_library().find("12AX7")
    assert kind is not None
    table = limits_of(circuit_of(tube("X1", kind)), roles_of())

    assert all(one.quantity != "plate_peak_v" for one in table.limits)


def test_heater_and_cathode_are_compared_at_the_peak_of_the_cathode() -> None:
    kind = tube_type("follower", limit("heater_cathode_voltage_v", 100.0))
    circuit = circuit_of(tube("X1", kind, PartNote(heater_v=20.0)))
    table = limits_of(circuit, roles_of())
    state = replace(tube_state(), cathode_v=60.0, cathode_low_v=-90.0, cathode_high_v=115.0)
    loads = judge_state(circuit, table, solved("full", {"X1": state}), {})
    (found,) = (one for one in loads if one.quantity == "heater_cathode_voltage_v")

    assert found.value == pytest.approx(110.0)


def test_the_rating_at_zero_current_of_a_hand_built_type_counts_for_peaks() -> None:
    table = limits_of(circuit_of(tube("X1", EL34)), roles_of())

    assert [one.limit for one in table.limits if one.quantity == "plate_peak_v"] == [2000.0]
