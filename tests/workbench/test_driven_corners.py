"""Plates of output tubes under drive in their worst corner, against circuits made by hand."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import jsonschema
import pytest
from rich.console import Console
from sample_audit import build

from netcheck.circuit.changes import ScaleEmission, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.judge.limits import limits_of
from netcheck.judge.toleranced import DrivenCorner, LimitSpread, Toleranced
from netcheck.report import to_json
from netcheck.report.progress import SilentProgress
from netcheck.report.terminal.tolerance_driven import write_driven_corners
from netcheck.roles import recognise
from netcheck.solve.pool import INTERRUPTED, Pool, Shared
from netcheck.solve.results import Solved
from netcheck.workbench.driven_corners import EXCEPTION, changes_of, corner_of, with_driven_corners
from netcheck.workbench.hookup import hookup_of
from netcheck.workbench.settings import Settings, ToleranceOptions
from netcheck.workbench.tolerance import tolerance_of
from tests.solve.worker import Worker, circuit_of

LEVEL_V = 12.0


def single(
    supply_v: float = 330.0,
    cathode_ohm: float = 300.0,
    screen_ohm: float = 1e3,
    wire_ohm: float = 100.0,
) -> Circuit:
    """Return a single-ended stage with cathode bias and a transformer of 2.5 kohm."""
    return circuit_of(
        f"VHT ht 0 {supply_v} ;! follows_mains",
        "VIN g 0 0 ;! input",
        "RG g 0 470k ;! tol=10%",
        "X1 p s g k KT88",
        f"RS ht s {screen_ohm} ;! tol=10% power=5W",
        f"RK k 0 {cathode_ohm} ;! tol=10% power=20W",
        "CK k 0 220u ;! volts=100V",
        f"L1 ht p 15 ;! dcr={wire_ohm}ohm",
        "L2 sp 0 48m ;! dcr=0.3ohm",
        "K1 L1 L2 0.999",
        "RL sp 0 8 ;! speaker power=20W",
    )


@dataclass(frozen=True)
class Bench:
    """What is driven, as the pipeline gives it."""

    circuit: Circuit
    options: Settings
    pool: Pool
    shared: Mapping[str, Shared]


@dataclass(frozen=True)
class Known:
    """A circuit at idle over its tolerances, and driven as it is drawn."""

    bench: Bench
    at_idle: Toleranced
    healthy: Mapping[str, Solved]

    def driven(self, pool: Pool | None = None, *names: str) -> Toleranced:
        """Drive the corners under the conditions named."""
        bench = replace(self.bench, pool=pool or self.bench.pool)
        roles = recognise(bench.circuit)
        states = {"idle": self.healthy["idle"]} | dict.fromkeys(names, self.healthy["full"])
        table = limits_of(bench.circuit, roles, self.healthy)
        hookup = hookup_of(bench.circuit, roles)[0]
        rest = (roles, hookup, table, states, SilentProgress())
        return with_driven_corners(self.at_idle, bench, *rest)


@pytest.fixture(scope="module")
def worker() -> Iterator[Worker]:
    with Pool(1) as pool:
        yield Worker(pool)


def at_level(worker: Worker, circuit: Circuit) -> Solved:
    return worker.at_level(circuit, hookup_of(circuit, recognise(circuit))[0], LEVEL_V)


@pytest.fixture(scope="module")
def known(worker: Worker) -> Known:
    circuit = single()
    roles, pool = recognise(circuit), worker.pool
    bench = Bench(circuit, Settings(), pool, {"idle": pool.share("corners", circuit)})
    idle = worker.idle(circuit)
    table = limits_of(circuit, roles, {"idle": idle})
    asked = ToleranceOptions(50)
    shared = bench.shared["idle"]
    found = tolerance_of(pool, shared, circuit, roles, table, asked, SilentProgress())
    full = replace(at_level(worker, circuit), condition="full")
    return Known(bench, found, {"idle": idle, "full": full})


@pytest.fixture(scope="module")
def found(known: Known) -> Toleranced:
    return known.driven(None, "full")


def spread_of(found: Toleranced) -> LimitSpread:
    return next(one for one in found.limits if one.quantity == "plate_dissipation_w")


def only(corners: Sequence[DrivenCorner]) -> DrivenCorner:
    (corner,) = corners
    return corner


def test_a_plate_is_hottest_at_idle_with_high_mains_and_little_resistance(known: Known) -> None:
    spread = spread_of(known.at_idle)

    corner = corner_of(spread, known.at_idle.variables, tubes=False)
    assert corner == pytest.approx({"mains": 1.1, "RK": 0.9, "RS": 0.9, "wire of L1": 0.9})
    assert dict(spread.corner)["X1 current"] == pytest.approx(1.35)
    assert "RG" not in dict(spread.corner)  # no current flows there


def test_the_corner_with_bogey_tubes_is_the_circuit_drawn_with_those_values(
    worker: Worker, found: Toleranced
) -> None:
    corner = only(found.driven)

    by_hand = at_level(worker, single(363.0, 270.0, 900.0, 90.0)).tubes["X1"].plate_dissipation_w
    assert corner.toleranced == pytest.approx(by_hand, rel=0.003)
    assert corner.nominal is not None
    assert by_hand > 1.2 * corner.nominal  # volts and amperes of a hot class-A stage both rise


def test_the_worst_corner_has_a_strong_tube_too(worker: Worker, found: Toleranced) -> None:
    corner = only(found.driven)

    strong = apply_changes(single(363.0, 270.0, 900.0, 90.0), (ScaleEmission("X1", 1.35),))
    by_hand = at_level(worker, strong).tubes["X1"].plate_dissipation_w
    assert corner.toleranced is not None
    assert corner.worst_case == pytest.approx(by_hand, rel=0.003)
    assert by_hand > corner.toleranced


def test_a_design_maximum_limit_is_compared_with_the_corner_of_bogey_tubes(
    found: Toleranced,
) -> None:
    corner = only(found.driven)

    assert (corner.rating_system, corner.case, corner.limit) == (
        "design_maximum",
        "toleranced",
        35.0,
    )
    assert corner.toleranced is not None
    assert corner.judged == pytest.approx(corner.toleranced / 35.0)
    assert corner.input_v == LEVEL_V
    assert found.assumptions[-1] == EXCEPTION


def test_a_worst_case_is_at_least_as_hot_as_the_cases_within_it(known: Known) -> None:
    cold = tuple((name, 2.0 - factor) for name, factor in spread_of(known.at_idle).corner)
    turned = replace(spread_of(known.at_idle), corner=cold)
    wrong = replace(known, at_idle=replace(known.at_idle, limits=(turned,)))

    corner = only(wrong.driven(None, "full").driven)

    assert corner.nominal is not None
    assert corner.nominal == corner.toleranced == corner.worst_case


def test_each_condition_of_use_has_its_corner_and_overdrive_has_none(known: Known) -> None:
    assert [one.condition for one in known.driven(None, "hottest_drive", "full").driven] == [
        "hottest_drive",
        "full",
    ]
    assert known.driven(None, "overdrive") == known.at_idle
    assert known.driven(None) == known.at_idle


def test_a_corner_that_was_not_solved_says_why_and_is_not_judged(known: Known) -> None:
    with Pool(1) as stopped:
        stopped.stopped = INTERRUPTED
        corner = only(known.driven(stopped, "full").driven)

    assert (corner.toleranced, corner.worst_case, corner.judged) == (None, None, None)
    assert corner.reasons == (INTERRUPTED, INTERRUPTED)


def test_halves_of_a_pot_turn_together_and_screens_stay(known: Known) -> None:
    variables = known.at_idle.variables
    every = {one.name: one.high for one in variables}

    changed = changes_of(known.bench.circuit, variables, every)

    assert "X1 screen current" in every
    assert len(changed) == len(every) - 1


def test_json_keeps_to_the_schema_and_holds_the_corners(found: Toleranced) -> None:
    document = json.loads(to_json.render(build(tolerance=found)))

    jsonschema.validate(document, to_json.schema_of("audit"), cls=jsonschema.Draft202012Validator)
    (corner,) = document["tolerance"]["driven"]
    assert corner["condition"] == "full"
    assert corner["judged_ratio"] == pytest.approx(corner["toleranced"] / corner["limit"], rel=1e-5)
    limit = document["tolerance"]["limits"]
    assert any(one["worst_corner"].get("mains") == 1.1 for one in limit)
    corner["case"] = "hoped for"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(
            document, to_json.schema_of("audit"), cls=jsonschema.Draft202012Validator
        )


@pytest.mark.parametrize("width", [60, 80, 140])
def test_text_has_a_row_a_corner_and_says_what_was_not_solved(
    found: Toleranced, width: int
) -> None:
    lost = replace(
        only(found.driven),
        condition="hottest_drive",
        judged=None,
        worst_case=None,
        reasons=("why",),
    )
    console = Console(width=width, file=io.StringIO(), color_system=None)

    write_driven_corners(console, replace(found, driven=(*found.driven, lost)))

    text = console.file.getvalue()
    assert max(map(len, text.splitlines())) <= width
    flat = " ".join(text.split())
    assert "X1, hottest drive: not solved in a corner: why" in flat
    assert only(found.driven).judged is not None
    if width == 140:
        assert f"tolerance {only(found.driven).judged:.2f}: " in flat
        assert "tolerance ?: not solved" in flat


def test_text_says_nothing_where_nothing_was_driven(known: Known) -> None:
    console = Console(width=80, file=io.StringIO(), color_system=None)

    write_driven_corners(console, known.at_idle)

    assert console.file.getvalue() == ""
