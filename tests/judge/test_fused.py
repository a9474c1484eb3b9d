"""Which overload a fuse ends, which goes on below it, and where a fault shows."""

from __future__ import annotations

import pytest

from netcheck.judge.base import Verdict
from netcheck.judge.fused import fused
from netcheck.judge.seen import Seen, seen_under
from netcheck.netlist.cards import PartNote
from netcheck.solve.results import NotSolved, Outcome
from tests.judge.builders import circuit_of, part_state, solved, stress, two_pin

CIRCUIT = circuit_of(two_pin("R1", 1.0, PartNote(fuse_a=0.5)), two_pin("R2", 1.0))
HOT = [stress("X1", 2.0)]


def at(amperes: float, condition: str = "idle") -> dict[str, Outcome]:
    loaded = part_state(rms_a=amperes)
    return {condition: solved(condition, parts={"R1": loaded, "R2": part_state(rms_a=99.0)})}


def test_a_short_opens_the_fuse_and_is_not_quiet() -> None:
    found = fused(CIRCUIT, at(2.0), {"idle": "over_limit"}, HOT)

    assert (found.word, found.quiet) == ("opens", False)
    assert found.hardest is not None
    assert found.hardest.times_rating == pytest.approx(4.0)


@pytest.mark.parametrize(("amperes", "word"), [(0.7, "holds"), (1.0, "may_open")])
def test_an_overload_below_the_fuse_cooks_quietly(amperes: float, word: str) -> None:
    found = fused(CIRCUIT, at(amperes), {"idle": "over_limit"}, HOT)

    assert (found.word, found.quiet) == (word, True)


def test_a_fuse_that_opens_under_drive_does_not_end_what_cooks_at_idle() -> None:
    conditions = at(0.7) | at(2.0, "full")
    found = fused(CIRCUIT, conditions, {"idle": "over_limit", "full": "over_limit"}, HOT)

    assert (found.word, found.quiet) == ("opens", True)


def test_volts_alone_do_not_cook() -> None:
    volts = [stress("C1", 2.0, quantity="voltage_v")]

    assert not fused(CIRCUIT, at(0.1), {"idle": "over_limit"}, volts).quiet


def test_without_a_fuse_nothing_ends_an_overload() -> None:
    bare = circuit_of(two_pin("R1", 1.0))
    found = fused(bare, at(2.0), {"idle": "over_limit"}, HOT)

    assert (found.word, found.quiet) == ("no_fuse", True)


def test_what_was_not_solved_says_nothing_of_the_fuse() -> None:
    found = fused(CIRCUIT, {"idle": NotSolved("idle", "x")}, {"idle": "not_solved"}, [])

    assert (found.word, found.hardest) == ("unknown", None)


@pytest.mark.parametrize(
    ("verdicts", "expected"),
    [
        ({"idle": "over_limit", "full": "within_limits"}, "idle"),
        ({"idle": "within_limits", "full": "at_limit"}, "driven"),
        ({"idle": "at_limit", "full": "over_limit"}, "both"),
        ({"idle": "at_limit", "overdrive": "over_limit"}, "idle"),
        ({"idle": "within_limits", "overdrive": "over_limit"}, "overdrive"),
        ({"idle": "within_limits", "cold_start": "over_limit"}, "cold_start"),
        ({"idle": "not_solved", "full": "not_judged"}, "nowhere"),
    ],
)
def test_where_a_fault_shows(verdicts: dict[str, Verdict], expected: Seen) -> None:
    assert seen_under(verdicts) == expected
