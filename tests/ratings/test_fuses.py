"""Fuse gates: what the standard promises, and that nothing in between is promised."""

from __future__ import annotations

import pytest

from netcheck.ratings.fuses import FuseTime, fuse_gates, fuse_time


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        (0.3, FuseTime("holds", 3600.0, None)),
        (1.0, FuseTime("holds", 3600.0, None)),
        (1.5, FuseTime("holds", 3600.0, None)),
        (2.1, FuseTime("may_open", 0.01, 1800.0)),
        (2.75, FuseTime("opens", 0.01, 10.0)),
        (4.0, FuseTime("opens", 0.003, 3.0)),
        (10.0, FuseTime("opens", 0.0, 0.3)),
        (100.0, FuseTime("opens", 0.0, 0.3)),
    ],
)
def test_a_gate_gives_its_times_over_fast_and_slow(times: float, expected: FuseTime) -> None:
    assert fuse_time(times) == expected


def test_between_holding_an_hour_and_opening_in_minutes_nothing_is_promised() -> None:
    between = fuse_time(1.8)

    assert (between.opening, between.most_s) == ("may_open", None)


def test_more_current_never_takes_longer() -> None:
    steps = [0.1 * step for step in range(1, 150)]
    most = [fuse_time(times).most_s for times in steps]
    finite = [each for each in most if each is not None]

    assert most[: len(most) - len(finite)] == [None] * (len(most) - len(finite))
    assert finite == sorted(finite, reverse=True)


def test_gates_from_memory_say_so() -> None:
    slow = [gate for gate in fuse_gates() if gate.characteristic == "T"]

    assert slow
    assert all("from memory" in gate.source for gate in slow)
