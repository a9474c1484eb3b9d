"""Rectifiers into a reservoir: closed forms, published operation, and ngspice by brute force."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from netcheck.mains.curve import Charging, Rectifier, SiliconLaw, curve_of
from netcheck.solve.device_cards import rectifier_card
from netcheck.solve.ngspice import Engine
from netcheck.tubes.library import load_library
from netcheck.tubes.model import RectifierLaw, rectifier_law_of
from tests.solve.worker import Worker

IDEAL = SiliconLaw(saturation_a=1e-3, emission=1e-4)
SILICON = SiliconLaw(saturation_a=7e-9, emission=1.8, ohm=0.035)
"""Invented silicon of 1 A."""


def tube_law(name: str) -> RectifierLaw:
    tube = load_library().find(name)
    assert tube is not None
    return rectifier_law_of(tube)


@pytest.mark.parametrize("pulses", [1, 2])
@pytest.mark.parametrize("share", [0.01, 0.05, 0.1, 0.3])
def test_a_large_reservoir_gives_the_closed_form(share: float, pulses: int) -> None:
    """Pulses are the crest of a sine above a line: tan(x) - x = pi Rs / (n RL), V = E cos(x).

    From the mean of E cos(wt) - V over conduction, x its half angle; derived.
    """
    load_ohm, peak_v = 1000.0, 100.0
    half = brentq(lambda x: math.tan(x) - x - math.pi * share / pulses, 1e-3, 1.55)
    charging = Charging(peak_v, share * load_ohm, IDEAL, 0.05, 50.0, pulses)
    expected_v = peak_v * math.cos(half)
    curve = curve_of(charging, expected_v / load_ohm)
    expected_peak_a = (peak_v - expected_v) / charging.source_ohm

    assert curve.mean_v[0] == pytest.approx(expected_v, rel=2e-4)
    assert curve.peak_a[0] == pytest.approx(expected_peak_a, rel=2e-3)


@pytest.mark.parametrize("pulses", [1, 2])
def test_at_light_load_the_ripple_is_a_sawtooth(pulses: int) -> None:
    load_a, farad, hz = 1e-3, 100e-6, 50.0
    curve = curve_of(Charging(100.0, 1.0, IDEAL, farad, hz, pulses), load_a)
    sawtooth_v = load_a / (pulses * hz * farad)

    assert curve.ripple_v[0] == pytest.approx(sawtooth_v, rel=0.06)


@pytest.mark.parametrize("pulses", [1, 2])
def test_the_charge_is_balanced(pulses: int) -> None:
    """What flows in and the load have one mean: the square of the rms says so."""
    loads = np.array([0.001, 0.05, 0.3])
    curve = curve_of(Charging(400.0, 60.0, tube_law("GZ34"), 47e-6, 50.0, pulses), loads)
    inflow_a = np.sqrt(curve.pulse_rms_a**2 - curve.reservoir_rms_a**2)

    assert inflow_a == pytest.approx(loads, rel=1e-3)


PUBLISHED = [
    ("GZ34", 300.0, 50.0, 60e-6, 0.25, 330.0),
    ("GZ34", 350.0, 75.0, 60e-6, 0.25, 380.0),
    ("GZ34", 400.0, 100.0, 60e-6, 0.25, 430.0),
    ("GZ34", 450.0, 125.0, 60e-6, 0.25, 480.0),
    ("GZ34", 500.0, 150.0, 60e-6, 0.20, 560.0),
    ("GZ34", 550.0, 175.0, 60e-6, 0.16, 640.0),
    ("EZ80", 250.0, 125.0, 50e-6, 0.09, 260.0),
    ("EZ80", 275.0, 175.0, 50e-6, 0.09, 285.0),
    ("EZ80", 300.0, 215.0, 50e-6, 0.09, 310.0),
    ("EZ80", 350.0, 300.0, 50e-6, 0.09, 360.0),
    ("5U4GB", 350.0, 36.0, 40e-6, 0.1, 410.0),
    ("5U4GB", 350.0, 36.0, 40e-6, 0.2, 360.0),
]
"""Volts rms and ohms a plate, reservoir, load and direct volts; full wave, 50 Hz.

GZ34: Philips/Mullard operating table (from memory).  EZ80: Philips EZ40 sheet, electrically the
same tube, as quoted in a public catalogue, which calls its figures approximate.  5U4GB: read by
an author of public code from the graph of JJ's sheet.
"""


@pytest.mark.parametrize(("tube", "rms_v", "ohm", "farad", "load_a", "direct_v"), PUBLISHED)
def test_published_operation_is_met_within_five_percent(
    tube: str, rms_v: float, ohm: float, farad: float, load_a: float, direct_v: float
) -> None:
    charging = Charging(rms_v * math.sqrt(2.0), ohm, tube_law(tube), farad, 50.0)
    curve = curve_of(charging, load_a)

    assert curve.mean_v[0] == pytest.approx(direct_v, rel=0.05)


def brute_force(engine: Engine, lines: list[str], cycle_s: float, cycles: int) -> dict[str, float]:
    """Run a supply until it is settled; read the last cycle (in a worker)."""
    engine.load(["* supply", *lines, ".end"])
    time, rows = engine.transient(
        cycle_s / 800, cycles * cycle_s, ["out", "vsense#branch"], given_start=True
    )
    even = np.linspace((cycles - 1) * cycle_s, cycles * cycle_s, 4001)[1:]
    volts, amps = (np.interp(even, time, row) for row in rows)
    return {
        "mean_v": float(volts.mean()),
        "ripple_v": float(np.ptp(volts)),
        "peak_a": float(amps.max()),
        "rms_a": float(np.sqrt(np.mean(amps**2))),
    }


PEAK_V, OHM, FARAD, LOAD_A = 335.0 * math.sqrt(2.0), 80.0, 47e-6, 0.2
DIODE = ".model dx d(is=7e-9 n=1.8 rs=0.035)"
SINE = f"sin(0 {PEAK_V:.9g} 50)"
REST = [
    f"c1 out 0 {FARAD} ic=400",
    f"i1 out 0 {LOAD_A}",
    "vsense in out 0",
    ".options method=gear reltol=1e-4 itl4=200 rshunt=1e8 cshunt=1e-10",
]


def supply(form: str, law: Rectifier) -> tuple[list[str], Charging]:
    """Return a supply as cards, and as it is charged."""

    def rectifier(name: str, anode: str, cathode: str) -> str:
        if isinstance(law, RectifierLaw):
            return rectifier_card(name, law, anode, cathode)
        return f"d{name} {anode} {cathode} dx"

    model = [DIODE] if isinstance(law, SiliconLaw) else []
    if form == "bridge":
        cards = [f"v1 a b {SINE}", f"r1 a c {OHM}"]
        cards += [rectifier("1", "c", "in"), rectifier("2", "b", "in")]
        cards += [rectifier("3", "0", "c"), rectifier("4", "0", "b")]
        return [*model, *cards, *REST], Charging(PEAK_V, OHM, law, FARAD, 50.0, 2, 2)
    cards = [f"v1 a 0 {SINE}", f"r1 a c {OHM}", rectifier("1", "c", "in")]
    if form == "half wave":
        return [*model, *cards, *REST], Charging(PEAK_V, OHM, law, FARAD, 50.0, 1)
    cards += [f"v2 0 b {SINE}", f"r2 b d {OHM}", rectifier("2", "d", "in")]
    return [*model, *cards, *REST], Charging(PEAK_V, OHM, law, FARAD, 50.0, 2)


@pytest.mark.parametrize("law", [SILICON, "GZ34", "5Y3GT"], ids=["silicon", "GZ34", "5Y3GT"])
@pytest.mark.parametrize("form", ["two plates", "bridge", "half wave"])
def test_ngspice_agrees(worker: Worker, form: str, law: SiliconLaw | str) -> None:
    cards, charging = supply(form, tube_law(law) if isinstance(law, str) else law)
    curve = curve_of(charging, LOAD_A)
    brute = worker.call(brute_force, cards, 0.02, 30)

    assert curve.mean_v[0] == pytest.approx(brute["mean_v"], rel=0.005)
    assert curve.ripple_v[0] == pytest.approx(brute["ripple_v"], rel=0.03)
    assert curve.pulse_rms_a[0] == pytest.approx(brute["rms_a"], rel=0.03)
    assert curve.peak_a[0] == pytest.approx(brute["peak_a"], rel=0.03)
