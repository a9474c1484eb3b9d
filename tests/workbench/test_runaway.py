"""Gas and grid emission in solved circuits: gm Rg k, the deck's own gas, and runaway."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from netcheck.circuit.changes import Change, SetGas, SetGridEmission, SetValue
from netcheck.circuit.model import Circuit
from netcheck.conditions import IDLE
from netcheck.faults import list_faults
from netcheck.faults.base import Fault
from netcheck.report.progress import SilentProgress
from netcheck.roles import recognise
from netcheck.solve.pool import Pool
from netcheck.solve.results import Solved, TubeState
from netcheck.workbench.faulted import Bench
from netcheck.workbench.runaway import MILD, FedBack, with_feedback
from netcheck.workbench.settings import Settings
from netcheck.workbench.sweep import IdleTask, idle_outcomes
from tests.solve.worker import circuit_of, solved

STIFF = (
    "VB b 0 300",
    "VS s 0 250",
    "VN n 0 -20",
    "RG n g 220k",
    "X1 p s g k EL34",
    "RK k 0 0.001",
    "L1 b p 20 ;! dcr=0.1ohm",
    "L2 o 0 0.1",
    "K1 L1 L2 0.999",
    "RL o 0 8 ;! speaker",
)
"""Fixed bias, supplies that do not give: nothing but the grid resistor feeds back."""


@dataclass(frozen=True)
class Case:
    circuit: Circuit
    bench: Bench
    idle: Solved
    faults: tuple[Fault, ...]
    fed_back: FedBack

    def solve(self, *changes: Change) -> TubeState:
        task = IdleTask(self.bench.shared[IDLE], IDLE, (), None)
        outcome = idle_outcomes(self.bench.pool, task, [changes])[0]
        return solved(outcome).tubes["X1"]

    def row(self, fault_id: str) -> Solved:
        place = [fault.id for fault in self.faults].index(fault_id)
        return solved(self.fed_back.conditions[IDLE][place])


@pytest.fixture(scope="module")
def case() -> Iterator[Case]:
    circuit = circuit_of(*STIFF)
    roles = recognise(circuit)
    listed = list_faults(circuit, roles)
    faults = tuple(fault for fault in listed if fault.kind in ("gassy", "grid_emission"))
    assert faults
    with Pool(1, 60.0) as pool:
        bench = Bench(circuit, Settings(idle_only=True, jobs=1), pool)
        idle = solved(bench.healthy(IDLE))
        rows = bench.faulted(faults, idle, SilentProgress())
        fed_back = with_feedback(bench, roles, faults, rows, idle, SilentProgress())
        yield Case(circuit, bench, idle, faults, fed_back)


def space(state: TubeState) -> float:
    return state.plate_current_a + (state.screen_current_a or 0.0)


def load_w(state: TubeState) -> float:
    return state.plate_dissipation_w + (state.screen_dissipation_w or 0.0) + 6.3 * 1.5


def test_the_gain_of_the_loop_is_gm_times_rg(case: Case) -> None:
    step_v = 0.05
    without_gas = SetGas("X1", 0.0)
    more, less = (
        case.solve(without_gas, SetValue("VN", -20.0 + sign * step_v)) for sign in (1.0, -1.0)
    )
    transconductance_s = (space(more) - space(less)) / (2.0 * step_v)
    (found,) = case.fed_back.runaways

    assert found.grid_ohm == pytest.approx(220e3, rel=0.001)
    assert found.gain_per_share == pytest.approx(transconductance_s * 220e3, rel=0.02)
    small = next(one for one in found.cases if one.fault_id == "X1/gassy@0.005%")
    closed_form = transconductance_s * 220e3 * 5e-5
    assert small.loop_gain == pytest.approx(closed_form, rel=0.1)


def test_the_published_limit_stands_beside_it(case: Case) -> None:
    (found,) = case.fed_back.runaways

    assert (found.bias, found.limit_ohm) == ("fixed", 0.5e6)
    assert found.limit_source


def test_gas_settles_where_the_deck_with_its_own_gas_settles(case: Case) -> None:
    """The deck closes the loop inside the matrix; the curve closes it outside."""
    (found,) = case.fed_back.runaways
    for one in found.cases:
        if "gassy" in one.fault_id and one.ending == "settles":
            assert one.grid_current_a is not None
            apart = case.solve(SetGas("X1", 0.0), SetGridEmission("X1", one.grid_current_a))
            assert apart.plate_dissipation_w == pytest.approx(one.plate_w, rel=0.005)


def test_emission_settles_where_its_own_heat_keeps_it(case: Case) -> None:
    row = case.row("X1/grid_emission@1uA")
    (found,) = case.fed_back.runaways
    one = next(each for each in found.cases if each.fault_id == "X1/grid_emission@1uA")
    assert one.ending == "settles"
    rest, warm = case.idle.tubes["X1"], row.tubes["X1"]
    load = 1.0 + MILD.heat_share * (load_w(warm) / load_w(rest) - 1.0)
    warming = MILD.grid_k * (load**0.25 - 1.0)
    tube = case.circuit["X1"].tube
    assert tube is not None
    assert tube.model.grid is not None
    gas = tube.model.grid.gas_ratio * space(warm)

    assert one.grid_current_a is not None
    assert one.grid_current_a - gas > 1e-6
    assert one.grid_current_a - gas == pytest.approx(
        1e-6 * 2.0 ** (warming / MILD.doubling_c), rel=0.05
    )


@pytest.mark.parametrize(("share", "ends_hot"), [(0.8, False), (1.25, True)])
def test_below_the_tipping_size_repeated_heating_settles_and_above_it_does_not(
    case: Case, share: float, ends_hot: bool
) -> None:
    """Heat, emit, solve again, as the tube does it itself."""
    (found,) = case.fed_back.runaways
    tipping_a = found.emission_a[0]
    assert tipping_a is not None
    rest = load_w(case.idle.tubes["X1"])
    ampere = share * tipping_a
    for _ in range(60):
        state = case.solve(SetGridEmission("X1", min(ampere, 2e-3)))
        load = 1.0 + MILD.heat_share * (load_w(state) / rest - 1.0)
        warming = MILD.grid_k * (load**0.25 - 1.0)
        ampere = share * tipping_a * 2.0 ** (warming / MILD.doubling_c)

    assert (ampere > 20.0 * tipping_a) == ends_hot


def test_what_runs_away_says_so_in_its_row(case: Case) -> None:
    row = case.row("X1/grid_emission@100uA")
    (found,) = case.fed_back.runaways
    one = next(each for each in found.cases if each.fault_id == "X1/grid_emission@100uA")

    assert one.ending == "runs_away"
    assert any("runs away" in note for note in row.notes)
    assert row.tubes["X1"].plate_dissipation_w > 2.0 * case.idle.tubes["X1"].plate_dissipation_w


def test_a_cathode_resistor_divides_the_gain_by_one_plus_gm_rk(case: Case) -> None:
    """The same operating point, with 300 ohm in the cathode and every supply raised by its drop.

    The cathode moves against grid, screen and plate: gm there is that of all three.
    """
    moved_v = 0.05
    without_gas = SetGas("X1", 0.0)
    more, less = (
        case.solve(
            without_gas,
            *(
                SetValue(ref, volts + sign * moved_v)
                for ref, volts in {"VB": 300.0, "VS": 250.0, "VN": -20.0}.items()
            ),
        )
        for sign in (1.0, -1.0)
    )
    of_cathode_s = (space(more) - space(less)) / (2.0 * moved_v)
    rest = case.solve(SetGas("X1", 0.0))
    drop_v = 300.0 * space(rest)
    raised = {
        "VB": f"VB b 0 {300.0 + drop_v}",
        "VS": f"VS s 0 {250.0 + drop_v}",
        "VN": f"VN n 0 {-20.0 + drop_v}",
        "RK": "RK k 0 300",
    }
    circuit = circuit_of(*(raised.get(card.split()[0], card) for card in STIFF))
    roles = recognise(circuit)
    faults = tuple(one for one in list_faults(circuit, roles) if one.kind == "gassy")
    bench = Bench(circuit, Settings(idle_only=True, jobs=1), case.bench.pool)
    idle = solved(bench.healthy(IDLE))
    rows = bench.faulted(faults, idle, SilentProgress())
    (found,) = with_feedback(bench, roles, faults, rows, idle, SilentProgress()).runaways
    (fixed,) = case.fed_back.runaways
    assert fixed.gain_per_share is not None

    expected = fixed.gain_per_share / (1.0 + 300.0 * of_cathode_s)
    assert found.gain_per_share == pytest.approx(expected, rel=0.02)


def test_what_half_the_heat_would_undo_is_not_said_to_run_away(case: Case) -> None:
    """Between the emission that tips at the grave end and at the mild one it is undecided."""
    (found,) = case.fed_back.runaways
    mild, grave = found.emission_a
    assert mild is not None
    assert grave is not None
    assert grave < mild
    for one in found.cases:
        if "grid_emission" in one.fault_id and one.ending == "settles":
            assert one.grid_current_a is not None
            assert one.grid_current_most_a is not None
            assert one.grid_current_most_a >= one.grid_current_a
        if one.ending == "undecided":
            assert one.grid_current_most_a is None
