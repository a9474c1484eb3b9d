"""Pairs of faults on a demo circuit: rules, bounds, and the same answer as one circuit."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from netcheck.judge.paired import Pairs
from netcheck.models.audit import Audit
from netcheck.pipeline import audit_circuit, load_circuit
from netcheck.report.progress import SilentProgress
from netcheck.solve.pool import Pool
from netcheck.workbench import pairs as module
from netcheck.workbench.settings import Settings
from tests.solve.worker import CIRCUITS, Worker

OPTIONS = Settings(idle_only=True, pairs=True)


@pytest.fixture(scope="module")
def pool() -> Iterator[Pool]:
    with Pool(2, 60.0) as made:
        yield made


@pytest.fixture(scope="module")
def audit(pool: Pool) -> Audit:
    circuit = load_circuit(CIRCUITS / "6v6_single_ended.cir")
    return audit_circuit(circuit, "demo.cir", OPTIONS, pool, SilentProgress())


@pytest.fixture(scope="module")
def found(audit: Audit) -> Pairs:
    assert audit.pairs is not None
    return audit.pairs


def test_every_pair_is_counted(audit: Audit, found: Pairs) -> None:
    count = len(audit.faults)
    shown = sum(1 + pair.others for pair in found.pairs)

    assert found.possible == count * (count - 1) // 2
    assert found.solved == min(found.plausible, module.MOST_PAIRS)
    assert shown + found.not_hidden == found.solved


def test_a_cause_overloads_the_part_that_then_gives_up(audit: Audit, found: Pairs) -> None:
    results = {result.fault.id: result for result in audit.faults}
    causes = [pair for pair in found.pairs if pair.kind == "causes"]
    assert causes
    for pair in causes:
        first, second = results[pair.first_id], results[pair.second_id]
        assert any(one.part == pair.link and one.ratio > 1.0 for one in first.victims)
        assert pair.link in second.fault.parts
        assert not set(first.fault.parts) & set(second.fault.parts)


def test_a_leaky_coupler_burns_the_cathode_resistor_or_the_tube(found: Pairs) -> None:
    ends = {pair.second_id for pair in found.pairs if pair.first_id.startswith("C3/leaky")}

    assert any(end.startswith(("R8/", "X2/")) for end in ends)


def test_a_worn_tube_hides_a_leaky_coupler(audit: Audit, found: Pairs) -> None:
    hidden = [
        pair
        for pair in found.pairs
        if pair.kind == "hides"
        and pair.first_id.startswith("C3/leaky")
        and pair.second_id.startswith("X2/weak")
    ]

    assert hidden
    for pair in hidden:
        assert pair.verdict == "within_limits"
        assert pair.first_alone is not None
        assert pair.first_alone.ratio > 1.05


def test_a_pair_is_one_circuit_with_the_changes_of_both(
    pool: Pool, audit: Audit, found: Pairs
) -> None:
    faults = {result.fault.id: result.fault for result in audit.faults}
    pair = next(pair for pair in found.pairs if pair.worst and pair.worst.part in ("X2", "R8"))
    assert pair.worst is not None
    changes = (*faults[pair.first_id].changes, *faults[pair.second_id].changes)
    state = Worker(pool).idle(audit.circuit, *changes)
    value = (
        getattr(state.tubes["X2"], pair.worst.quantity)
        if pair.worst.part == "X2"
        else state.parts["R8"].power_w
    )

    assert value == pytest.approx(pair.worst.value, rel=1e-3)


def test_no_more_than_the_bound_are_solved_and_the_rest_is_told(
    pool: Pool, audit: Audit, found: Pairs, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_PAIRS", 5)
    again = audit_circuit(audit.circuit, "demo.cir", OPTIONS, pool, SilentProgress()).pairs

    assert again is not None
    assert (again.solved, again.plausible) == (5, found.plausible)
