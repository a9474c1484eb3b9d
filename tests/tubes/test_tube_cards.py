"""The ngspice cards draw the currents of the law, and solve from nothing."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from netcheck.solve.device_cards import capacitance_cards, tube_cards
from netcheck.tubes.library import load_library
from netcheck.tubes.model import Law, TriodeLaw

NGSPICE = shutil.which("ngspice")
needs_ngspice = pytest.mark.skipif(NGSPICE is None, reason="the ngspice program is not installed")

OUTPUT_TUBES = [("EL34", 430, -38, 10), ("EL34", 430, 0, 470), ("EL84", 300, 0, 270)]


def _run(deck: list[str], folder: Path) -> str:
    path = folder / "deck.cir"
    path.write_text("\n".join(["* deck", *deck, ".end", ""]), encoding="utf-8")
    done = subprocess.run(
        [str(NGSPICE), "-b", path.name],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert "aborted" not in done.stderr, done.stderr[-2000:]
    return done.stdout


def _printed(output: str) -> dict[str, float]:
    shown = (line.split(" = ") for line in output.splitlines() if line.startswith("i("))
    return {name: float(value) for name, value in shown}


def _points(law: Law, count: int) -> np.ndarray:
    """Random plate, screen and grid volts, with a share of them near the corners."""
    rng = np.random.default_rng(7)
    reach = 6.0 if isinstance(law, TriodeLaw) and law.amplification > 30 else 70.0
    volts = np.column_stack(
        [
            rng.uniform(-50.0, 700.0, count),
            rng.uniform(-30.0, 500.0, count),
            rng.uniform(-reach, 0.3 * reach, count),
        ]
    )
    volts[: count // 5, 0] = rng.uniform(-1.0, 5.0, count // 5)
    volts[count // 5 : count // 4, 1] = rng.uniform(-1.0, 5.0, count // 4 - count // 5)
    volts[-3:] = [[3000.0, 400.0, 0.0], [0.0, 0.0, 0.0], [0.0, 300.0, 20.0]]
    return volts


@needs_ngspice
@pytest.mark.parametrize("name", ["12AX7", "2A3", "EL84", "KT88"])
def test_cards_agree_with_the_law(name: str, tmp_path: Path) -> None:
    law = load_library().find(name).law
    triode = isinstance(law, TriodeLaw)
    volts = _points(law, 250)
    deck: list[str] = []
    prints: list[str] = []
    for number, (plate, screen, grid) in enumerate(volts.tolist()):
        deck += [
            f"vp{number} p{number} 0 {plate!r}",
            f"vs{number} s{number} 0 {screen!r}",
            f"vg{number} g{number} 0 {grid!r}",
            *tube_cards(
                str(number), law, f"p{number}", None if triode else f"s{number}", f"g{number}", "0"
            ),
        ]
        prints.append("print " + " ".join(f"i(v{e}{number})" for e in "psg"))
    control = [".control", "set numdgt=12", "op", *prints, ".endc"]

    printed = _printed(_run([*deck, *control], tmp_path))

    columns = volts[:, [0, 2]].T if triode else volts.T
    expected = dict(zip("pg" if triode else "psg", law.currents(*columns), strict=True))
    for electrode, currents in expected.items():
        drawn = [-printed[f"i(v{electrode}{number})"] for number in range(len(volts))]
        np.testing.assert_allclose(drawn, currents, rtol=1e-6, atol=1e-13)


def _pair(name: str, supply_v: float, bias_v: float, cathode_ohm: float) -> list[str]:
    """Two output tubes behind a long-tailed pair, all couplings with a leak to alter."""
    library = load_library()
    tube, driver = library.find(name), library.find("12AX7")
    deck = [f"vb b 0 {supply_v}", f"vbias bias 0 {bias_v}", "rdk dk tail 1k", "rtail tail 0 47k"]
    for t in "ab":
        deck += tube_cards(f"q{t}", tube.law, f"p{t}", f"s{t}", f"g{t}", f"k{t}")
        deck += capacitance_cards(f"q{t}", tube, f"p{t}", f"g{t}", f"k{t}")
        deck += tube_cards(f"d{t}", driver.law, f"d{t}", None, f"dg{t}", "dk")
        deck += [
            f"rs{t} b s{t} 1k",
            f"rk{t} k{t} 0 {cathode_ohm}",
            f"rg{t} gg{t} g{t} 2.2k",
            f"rgl{t} gg{t} bias 220k",
            f"rcc{t} d{t} gg{t} 1e12",
            f"rp{t} b d{t} 100k",
            f"rpl{t} b p{t} 60",
            f"rdg{t} dg{t} tail 1meg",
        ]
    return deck


@needs_ngspice
@pytest.mark.parametrize(("name", "supply_v", "bias_v", "cathode_ohm"), OUTPUT_TUBES)
def test_every_fault_of_a_pair_solves(
    name: str, supply_v: float, bias_v: float, cathode_ohm: float, tmp_path: Path
) -> None:
    deck = _pair(name, supply_v, bias_v, cathode_ohm)
    healthy = {line.split()[0]: line.split()[3] for line in deck if line.startswith("r")}
    altered = ("rsa", "rka", "rgla", "rcca", "rpa", "rpla", "rdga", "rdk", "rtail")
    control = [".control", "optran 1 1 1 0 0 0", "op", "print v(ka)"]
    count = 1
    for part in altered:
        for ohm in ("1m", "1k", "1meg", "1g", "1t"):
            control += [f"alter {part}={ohm}", "op", "print v(ka)"]
            count += 1
        control.append(f"alter {part}={healthy[part]}")
    for volts in (0, 5, 50, -200):
        control += [f"alter vbias={volts}", "op", "print v(ka)"]
        count += 1
    control += [f"alter vbias={bias_v}", "alter vb=0", "op", "print v(ka)", ".endc"]

    output = _run([*deck, *control], tmp_path)

    assert output.count("v(ka) = ") == count + 1


@needs_ngspice
def test_an_open_grid_leak_lets_the_grid_drift_up(tmp_path: Path) -> None:
    """Reverse grid current through a gigohm takes the bias away."""
    deck = _pair("EL34", 430, -38, 10)
    control = [".control", "op", "print v(ka)", "alter rgla=1g", "op", "print v(ka)", ".endc"]

    output = _run([*deck, *control], tmp_path)

    healthy, faulted = (
        float(line.split(" = ")[1]) for line in output.splitlines() if line.startswith("v(ka)")
    )
    assert faulted > 3.0 * healthy


@needs_ngspice
def test_the_multiplier_of_a_current_can_be_altered(tmp_path: Path) -> None:
    law = load_library().find("EL34").law
    deck = ["vp p 0 250", "vs s 0 250", "vg g 0 -12.2", *tube_cards("x1", law, "p", "s", "g", "0")]
    control = [".control", "op", "print i(vp)", "alter @bx1p[m]=0.5", "op", "print i(vp)", ".endc"]

    output = _run([*deck, *control], tmp_path)

    full, half = (
        float(line.split(" = ")[1]) for line in output.splitlines() if line.startswith("i(vp)")
    )
    assert half == pytest.approx(0.5 * full, rel=1e-5)


def test_a_pentode_without_a_screen_net_is_our_bug() -> None:
    with pytest.raises(ValueError, match="needs a screen net"):
        tube_cards("x1", load_library().find("EL34").law, "p", None, "g", "0")


def test_capacitances_of_a_section() -> None:
    tube = load_library().find("12AX7")

    assert capacitance_cards("x1", tube, "p", "g", "k", section="2") == [
        "cx1gp g p 1.7e-12",
        "cx1gk g k 1.6e-12",
        "cx1pk p k 3.4e-13",
    ]
