"""Drawn units and corners against closed forms, and against the solver's other way."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from netcheck.circuit.changes import ScaleEmission, SetValue, SetWire, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.judge.drawn import measure_draws
from netcheck.judge.limits import limits_of
from netcheck.judge.measure import measure
from netcheck.judge.toleranced import LimitSpread, Toleranced
from netcheck.pipeline import load_circuit
from netcheck.ratings.mains import find_band
from netcheck.report.progress import SilentProgress
from netcheck.roles import recognise
from netcheck.solve.draws import Drawn, Knob, solve_draws
from netcheck.solve.ngspice import Engine, EngineFailure
from netcheck.solve.pool import Pool
from netcheck.workbench.settings import ToleranceOptions
from netcheck.workbench.tolerance import draw_factors, tolerance_of, variables_of
from tests.solve.worker import CIRCUITS, DEMOS, Worker, circuit_of

DIVIDER = (
    "V1 top 0 100 ;! follows_mains",
    "R1 top mid 10k ;! tol=1% power=2W",
    "R2 mid 0 10k ;! tol=2% power=2W",
    "C1 mid 0 1u ;! volts=54V",
)


@pytest.fixture(scope="module")
def pools() -> Iterator[dict[int, Pool]]:
    with Pool(1) as one, Pool(2) as two:
        yield {1: one, 2: two}


@pytest.fixture(scope="module")
def worker(pools: dict[int, Pool]) -> Worker:
    return Worker(pools[1])


def toleranced(pool: Pool, circuit: Circuit, draws: int = 1000, **options: object) -> Toleranced:
    roles = recognise(circuit)
    shared = pool.share("drawn circuit", circuit)
    asked = ToleranceOptions(draws, **options)  # type: ignore[arg-type]
    table = limits_of(circuit, roles)
    return tolerance_of(pool, shared, circuit, roles, table, asked, SilentProgress())


def of(found: Toleranced, part: str, quantity: str) -> LimitSpread:
    return next(one for one in found.limits if (one.part, one.quantity) == (part, quantity))


def test_corner_of_a_divider_is_its_closed_form(pools: dict[int, Pool]) -> None:
    found = of(toleranced(pools[1], circuit_of(*DIVIDER)), "C1", "voltage_v")

    upper, lower = 0.99 * 10e3, 1.02 * 10e3
    expected = 110.0 * lower / (upper + lower)
    assert found.nominal == pytest.approx(50.0)
    assert found.toleranced == pytest.approx(expected, rel=1e-6)
    assert found.worst_case == pytest.approx(expected, rel=1e-6)
    assert not found.drawn_worse


def test_share_of_units_over_a_limit_is_that_of_the_mains(pools: dict[int, Pool]) -> None:
    exact = [line.replace("tol=1%", "tol=0.01%").replace("tol=2%", "tol=0.01%") for line in DIVIDER]
    found = of(toleranced(pools[1], circuit_of(*exact), 2000), "C1", "voltage_v")

    expected = (1.10 - 1.08) / 0.20  # 54 V of 50: mains even between 0.9 and 1.1
    assert found.exceeding.low <= expected <= found.exceeding.high
    assert found.exceeding.high - found.exceeding.low < 0.03


def test_mains_bring_most_of_the_variance_and_by_the_right_share(pools: dict[int, Pool]) -> None:
    found = of(toleranced(pools[1], circuit_of(*DIVIDER), 4000), "C1", "voltage_v")

    swing = {"mains": 5.0, "R1": 0.25, "R2": 0.5}  # volts of one end, to first order
    total = sum(one**2 for one in swing.values())
    shares = {one.variable: one.variance_share for one in found.influences}
    expected = {name: one**2 / total for name, one in swing.items()}
    assert shares == pytest.approx(expected, abs=0.02)
    assert found.influences[0].variable == "mains"
    assert found.influences[0].high_ratio == pytest.approx(55.0 / 54.0)


def test_nominal_mains_and_a_narrower_band(pools: dict[int, Pool]) -> None:
    circuit = circuit_of(*DIVIDER)
    still = toleranced(pools[1], circuit, 100, mains="")
    american = toleranced(pools[1], circuit, 100, mains="120V")

    assert "mains" not in {one.name for one in still.variables}
    assert of(still, "C1", "voltage_v").worst_case == pytest.approx(100 * 10.2 / 20.1, rel=1e-6)
    assert of(american, "C1", "voltage_v").worst_case == pytest.approx(105 * 10.2 / 20.1, rel=1e-6)


def test_units_do_not_depend_on_the_number_of_workers_but_on_the_seed(
    pools: dict[int, Pool],
) -> None:
    circuit = load_circuit(CIRCUITS / "6v6_single_ended.cir")
    alone, together = (toleranced(pools[jobs], circuit, 600) for jobs in (1, 2))

    assert alone == together
    assert toleranced(pools[2], circuit, 600, seed=2).limits != alone.limits


def test_tube_spread_is_in_the_worst_case_only(pools: dict[int, Pool]) -> None:
    circuit = load_circuit(CIRCUITS / "el34_pair_fixed_bias.cir")
    found = of(toleranced(pools[2], circuit, 300), "X4", "plate_dissipation_w")

    assert found.toleranced is not None
    assert found.worst_case is not None
    assert found.nominal < found.toleranced < found.worst_case
    assert found.low < found.mean < found.high < found.worst_case
    assert {"mains", "X4 current"} == {one.variable for one in found.influences[:2]}


def drawn_point(
    engine: object, circuit: Circuit, knobs: tuple[Knob, ...], row: list[float]
) -> Drawn:
    return solve_draws(engine, circuit, knobs, np.array([row, row]))  # type: ignore[arg-type]


@pytest.mark.parametrize("demo", DEMOS)
def test_a_draw_is_judged_as_the_same_circuit_is_solved_and_measured(
    worker: Worker, demo: str
) -> None:
    circuit = load_circuit(CIRCUITS / f"{demo}.cir")
    tube = circuit.tubes[-1].ref
    resistor = next(part for part in circuit.of_kind("resistor") if (part.value or 0.0) > 100.0)
    source = next(part for part in circuit.of_kind("voltage_source") if part.value)
    ohm, volts = 1.07 * (resistor.value or 0.0), 0.96 * (source.value or 0.0)
    changes: list[object] = [
        SetValue(resistor.ref, ohm),
        SetValue(source.ref, volts),
        ScaleEmission(tube, 1.2),
    ]
    knobs = [Knob(resistor.ref, "value"), Knob(source.ref, "value"), Knob(tube, "emission")]
    row = [ohm, volts, 1.2]
    for winding in [part for part in circuit.of_kind("inductor") if part.note.dcr_ohm][:1]:
        changes.append(SetWire(winding.ref, 2.0 * (winding.note.dcr_ohm or 0.0)))
        knobs.append(Knob(winding.ref, "wire"))
        row.append(2.0 * (winding.note.dcr_ohm or 0.0))
    changed = apply_changes(circuit, tuple(changes))  # type: ignore[arg-type]
    known = worker.idle(changed)

    drawn: Drawn = worker.call(drawn_point, circuit, tuple(knobs), row)

    compared = 0
    for limit in limits_of(circuit, recognise(circuit), {"idle": known}).limits:
        expected, actual = measure(limit, known), measure_draws(limit, drawn)
        if expected is None or not limit.applies_in("idle"):
            continue
        assert actual is not None
        assert actual == pytest.approx([expected, expected], rel=1e-6, abs=1e-9)
        compared += 1
    assert compared > 20


class Stumbling:
    """An engine that cannot solve the second of its points, in a sweep or by itself."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine

    def __getattr__(self, name: str) -> object:
        return getattr(self.engine, name)

    def dc_sweep(self, source: str, first: int, last: int, names: list[str]) -> np.ndarray:
        rows = self.engine.dc_sweep(source, first, last, names)
        return rows[:, :1] if first == 0 else rows

    def operating_point(self, names: list[str]) -> list[float]:
        raise EngineFailure("it stumbled")


def stumbling_draws(engine: Engine, circuit: Circuit) -> Drawn:
    settings = np.array([[10.0], [12.0], [14.0]])
    return solve_draws(Stumbling(engine), circuit, (Knob("V1", "value"),), settings)  # type: ignore[arg-type]


def test_a_draw_that_cannot_be_solved_is_counted_and_told(worker: Worker) -> None:
    circuit = circuit_of("V1 a 0 5", "R1 a b 1k", "R2 b 0 1k")
    drawn: Drawn = worker.call(stumbling_draws, circuit)

    assert drawn.solved.tolist() == [True, False, True]
    assert drawn.net("b")[[0, 2]] == pytest.approx([5.0, 7.0])
    assert drawn.reasons == ("it stumbled",)


def test_draws_keep_within_their_ends_and_their_sigma() -> None:
    circuit = load_circuit(CIRCUITS / "el34_pair_fixed_bias.cir")
    variables, _ = variables_of(circuit, recognise(circuit), find_band("230V"))
    factors = draw_factors(variables, 20_000, 3)

    for column, one in zip(factors.T, variables, strict=True):
        assert one.low <= column.min()
        assert column.max() <= one.high
    tube = next(place for place, one in enumerate(variables) if one.name == "X4 current")
    # a normal of 15 % cut off at 35 %: sd = 0.15 sqrt(1 - 2 z phi(z) / (2 Phi(z) - 1)), z = 7/3
    assert factors[:, tube].std() == pytest.approx(0.1424, rel=0.02)
    correlated = np.corrcoef(factors.T) - np.eye(len(variables))
    assert np.abs(correlated).max() < 0.04


def test_halves_of_a_pot_move_together_and_marks_are_kept() -> None:
    circuit = circuit_of(
        "V1 a 0 -50 ;! follows_mains",
        "R1 a w 10k ;! pot=VR1 side=upper",
        "R2 w 0 20k ;! pot=VR1 side=lower",
        "R3 w b 1k ;! tol=5%",
        "R4 b 0 1k",
    )
    variables, assumed = variables_of(circuit, recognise(circuit), find_band("230V"))
    by_name = {one.name: one for one in variables}

    assert by_name["VR1"].parts == ("R1", "R2")
    assert (by_name["R3"].low, by_name["R3"].high) == pytest.approx((0.95, 1.05))
    assert (by_name["R4"].low, by_name["R4"].high) == pytest.approx((0.90, 1.10))
    assert any("VR1: stays where it is drawn" in sentence for sentence in assumed)


def test_sources_that_nobody_marked_are_taken_to_follow_the_mains() -> None:
    circuit = circuit_of("VIN in 0 0 ;! input", "V1 a 0 250", "R1 a in 1k")
    variables, assumed = variables_of(circuit, recognise(circuit), find_band("230V"))

    assert variables[0].parts == ("V1",)
    assert "V1 taken to move with the mains" in assumed[0]
