"""The script that draws what an audit costs still runs, and its chains are what it says."""

from __future__ import annotations

from pathlib import Path

import pytest

from netcheck.faults import list_faults
from netcheck.roles import recognise
from tests.bench.plot_cost import Cost, chain, main, slope


def test_it_prints_ratios_and_draws(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "cost.png"

    main([str(target), "--faults", "8", "24", "--stages", "1", "2", "--runs", "1"])

    lines = capsys.readouterr().out.splitlines()
    assert target.read_bytes().startswith(b"\x89PNG")
    assert len([line for line in lines if line.endswith(" 1.00 times the smallest")]) >= 3
    assert any(line.startswith("     24 (  3.0 times)") for line in lines)


def test_a_chain_has_eight_parts_a_stage_and_equal_faults() -> None:
    circuits = [chain(count) for count in (1, 2, 3)]
    counts = [len(list_faults(each, recognise(each))) for each in circuits]

    assert [len(each.parts) for each in circuits] == [10, 18, 26]
    assert all(recognise(each).unrecognised == () for each in circuits)
    assert counts[2] - counts[1] == pytest.approx(counts[1] - counts[0], abs=8)


def test_the_slope_of_a_square_is_two() -> None:
    costs = [Cost(size, 0.1 * size**2, size) for size in (1, 2, 4, 8)]

    assert slope(costs, lambda cost: cost.seconds) == pytest.approx(2.0)
    assert slope(costs, lambda cost: cost.of_a_fault) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["cost.gif"], "the picture has to be a .png"),
        (["no_such_folder/cost.png"], "in a folder that is there"),
        (["c.png", "--stages", "1"], "two sizes and more of each"),
    ],
)
def test_what_cannot_be_drawn_is_said(
    words: list[str], complaint: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as caught:
        main(words)

    assert caught.value.code == 2
    assert complaint in capsys.readouterr().err
