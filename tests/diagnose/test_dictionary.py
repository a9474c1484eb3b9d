"""The whole dictionary: what each point reads, and when nothing has to be solved."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from netcheck.circuit.model import Circuit
from netcheck.diagnose.dictionary import Dictionary, Point, Store, column_of
from netcheck.diagnose.meters import parse_meter
from netcheck.diagnose.ohms import OPEN_FROM_OHM
from netcheck.diagnose.situations import IDLE, POWER_OFF, TUBES_OUT

Row = Callable[[str], int]
Make = Callable[..., Dictionary]


def test_every_point_has_a_row_a_fault_and_one_of_a_sound_unit(dictionary: Dictionary) -> None:
    rows, draws = len(dictionary.faults) + 1, dictionary.options.draws
    for point in (
        Point("volts", "p1", "0", IDLE.key),
        Point("ohms", "g2", "0", POWER_OFF.key),
        Point("amperes", "R8", "", IDLE.key),
        Point("watts", "X2", "", IDLE.key),
        Point("volts", "drv", "sg", TUBES_OUT.key),
    ):
        found = dictionary.foresee(point, 100.0)

        assert found.nominal.shape == (rows,)
        assert found.units.shape == (rows, draws)


def test_a_current_is_the_volts_over_the_ohms_of_each_fault(
    dictionary: Dictionary, row_of: Row
) -> None:
    amperes = dictionary.foresee(Point("amperes", "R8", "", IDLE.key), 0.0).nominal
    volts = dictionary.page(IDLE.key).nominal_volts("k2", "0", 1e15)

    for row, ohm in ((0, 270.0), (row_of("R8/drifted@540ohm"), 540.0), (row_of("C10/open"), 270.0)):
        assert amperes[row] == pytest.approx(volts[row] / ohm, rel=1e-5)


def test_watts_are_the_plate_volts_to_the_cathode_times_the_plate_current(
    dictionary: Dictionary,
) -> None:
    page, place = dictionary.page(IDLE.key), dictionary.page(IDLE.key).place
    watts = dictionary.foresee(Point("watts", "X2", "", IDLE.key), 0.0)

    volts = page.volts("p2", "k2", 1e15)
    expected = volts * page.draws[place["ip:X2"]]
    assert watts.units == pytest.approx(expected, rel=1e-4, abs=1e-3, nan_ok=True)
    assert watts.nominal[0] == pytest.approx(10.8, rel=0.01)  # of 12 W: a class-A stage


def test_the_current_of_a_tube_is_that_of_its_cathode(dictionary: Dictionary) -> None:
    tube = dictionary.foresee(Point("amperes", "X2", "", IDLE.key), 0.0)
    resistor = dictionary.foresee(Point("amperes", "R8", "", IDLE.key), 0.0)

    assert tube.nominal[0] == pytest.approx(resistor.nominal[0], rel=1e-4)
    assert column_of(dictionary.circuit, Point("amperes", "X2", "", IDLE.key)) == "ik:X2"


def test_ohms_are_logarithms_and_open_is_their_most(dictionary: Dictionary, row_of: Row) -> None:
    grid = dictionary.foresee(Point("ohms", "g2", "0", POWER_OFF.key), 0.0)

    assert 10.0 ** grid.nominal[0] == pytest.approx(391.5e3)
    assert grid.nominal[row_of("R5/open")] == pytest.approx(np.log10(OPEN_FROM_OHM))
    assert 10.0 ** grid.nominal[row_of("R5/shorted")] == pytest.approx(1500.1)
    r5, r6 = (
        dictionary.spread.factors[:, at]
        for name in ("R5", "R6")
        for at, one in enumerate(dictionary.spread.variables)
        if one.name == name
    )
    assert 10.0 ** grid.units[0] == pytest.approx(390e3 * r5 + 1500.0 * r6)


def test_an_analog_meter_loads_by_its_range(circuit: Circuit, dictionary: Dictionary) -> None:
    # 20 kohm/V on 250 V is 5 Mohm; 10 Mohm otherwise.  Behind the plate stand 100 kohm
    # in parallel with the tube, less than that and more than a third of it.
    point = Point("volts", "p1", "0", IDLE.key)
    digital = dictionary.foresee(point, 159.0)
    analog = Dictionary.__new__(Dictionary)
    analog.__dict__.update(dictionary.__dict__)
    analog.options = replace(dictionary.options, meter=parse_meter("analog"))
    analog._foreseen = {}

    loaded = analog.foresee(point, 159.0)

    free = dictionary.page(IDLE.key).nominal_volts("p1", "0", 1e15)[0]
    ohm = 5e6 * (free / loaded.nominal[0] - 1.0)
    assert 33e3 < ohm < 123e3
    assert digital.nominal[0] == pytest.approx(free * 10e6 / (10e6 + ohm), rel=1e-6)
    low_range = analog.foresee(point, 1.0)
    assert low_range.nominal[0] == pytest.approx(free * 50e3 / (50e3 + ohm), rel=1e-6)


def test_what_was_foreseen_once_is_kept_by_load(dictionary: Dictionary) -> None:
    point = Point("volts", "k2", "0", IDLE.key)

    assert dictionary.foresee(point, 12.0) is dictionary.foresee(point, 13.0)


def test_all_faults_of_the_demo_are_solved(dictionary: Dictionary) -> None:
    reasons = dictionary.reasons((TUBES_OUT.key, IDLE.key))[1:]
    unsolved = {f.id: why for f, why in zip(dictionary.faults, reasons, strict=True) if why}

    assert unsolved == {
        "X2/oscillating": "it works the circuit by itself: no reading at rest tells of it"
    }


@pytest.mark.parametrize("ohm", [1e6, 5e6, 50e6])
def test_a_leak_past_a_lifted_capacitor_is_a_divider_with_the_meter(
    dictionary: Dictionary, row_of: Row, ohm: float
) -> None:
    # Tubes out, the grid end lifted: 275 V, 123.12 kohm to the plate, the leak, 10 Mohm.
    found = dictionary.foresee(Point("leak", "C3", "", TUBES_OUT.key), 100.0)

    actual = found.nominal[row_of(f"C3/leaky@{ohm / 1e6:g}Mohm")]

    assert actual == pytest.approx(275.0 * 10e6 / (10e6 + ohm + 123120.0), rel=1e-3)


def test_a_sound_capacitor_passes_nothing(dictionary: Dictionary, row_of: Row) -> None:
    found = dictionary.foresee(Point("leak", "C3", "", TUBES_OUT.key), 0.1)

    assert abs(found.nominal[0]) < 1e-4
    assert abs(found.nominal[row_of("R8/open")]) < 1e-4
    assert found.nominal[row_of("C3/leaky@500Mohm")] > 1.0


def test_limits_of_heat_are_those_of_the_audit(dictionary: Dictionary) -> None:
    limits = {(part, quantity): limit for part, quantity, limit in dictionary.page("idle").limits}

    assert limits["X2", "plate_dissipation_w"] == 12.0
    assert limits["R8", "power_w"] == 3.0
    assert limits["L1", "current_a"] == pytest.approx(0.08)
    assert dictionary.page(TUBES_OUT.key).limits == ()


def test_a_measured_supply_does_not_spread(unsolved_dictionary: Make) -> None:
    banded, measured = unsolved_dictionary(mains="120V"), unsolved_dictionary(mains="")

    assert banded.spread.variables[0].name == "mains"
    assert "mains" not in [one.name for one in measured.spread.variables]
    assert measured.spread.on_mains == banded.spread.on_mains == ("VHT",)


def test_resistances_need_no_solver(unsolved_dictionary: Make) -> None:
    made = unsolved_dictionary()

    assert made.has(POWER_OFF.key)
    assert made.foresee(Point("ohms", "k2", "0", POWER_OFF.key), 0.0).nominal[0] > 2.0


def test_a_page_is_at_hand_once_it_is_kept(
    tmp_path: Path, dictionary: Dictionary, unsolved_dictionary: Make
) -> None:
    store = Store(tmp_path)
    made = unsolved_dictionary(store, draws=dictionary.options.draws)

    before = made.has(IDLE.key)
    store.keep(made._digest(IDLE), dictionary.page(IDLE.key))

    assert not before
    assert made.has(IDLE.key)
    kept, solved = made.page(IDLE.key), dictionary.page(IDLE.key)
    assert np.array_equal(kept.draws, solved.draws, equal_nan=True)
    assert made.page(IDLE.key) is made.page(IDLE.key)


def test_a_page_is_kept_as_soon_as_it_is_solved(
    tmp_path: Path, dictionary: Dictionary, unsolved_dictionary: Make
) -> None:
    store = Store(tmp_path)
    solving = unsolved_dictionary(store)
    solving.faults, solving.pool = solving.faults[:4], dictionary.pool
    page = solving.page(TUBES_OUT.key)

    again = unsolved_dictionary(store)
    again.faults = again.faults[:4]

    assert np.array_equal(again.page(TUBES_OUT.key).draws, page.draws)
    assert again.page(TUBES_OUT.key).reasons == page.reasons
