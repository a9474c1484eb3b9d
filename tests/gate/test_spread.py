"""Netlists side by side: on processes, on any executor, on a cluster; the same bytes."""

from __future__ import annotations

import datetime as dt
import json
import sys
from collections.abc import Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from netcheck import cli
from netcheck.errors import NetcheckError
from netcheck.gate import spread
from netcheck.gate.policy import find_policy
from netcheck.gate.run import Netlist
from netcheck.gate.spread import FileTask, cluster_executor, decide_all
from netcheck.workbench.settings import Settings

STAGE = """triode stage {number}
VHT ht 0 {volts}
VIN in 0 0 ;! input
R1 in 0 1meg
X1 p in k 12AX7
R2 ht p 100k ;! power=1W
R3 k 0 1.5k ;! power=0.5W
C1 p out 100n ;! volts=400V
R4 out 0 1meg
.end
"""
POLICY = 'conditions = ["idle"]\n'
TODAY = "2026-01-31"


@pytest.fixture
def kit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "netcheck.toml").write_text(POLICY)
    for number in range(3):
        text = STAGE.format(number=number, volts=200 + 40 * number)
        (tmp_path / f"stage{number}.cir").write_text(text)
    (tmp_path / "broken.cir").write_text("broken\nR1 a 0 {x}\n")
    return tmp_path


def gate(*options: str) -> Result:
    words = ["gate", ".", "--format", "json", "--today", TODAY, *options]
    return CliRunner().invoke(cli.app, words)


def test_the_same_bytes_from_one_process_and_from_two(kit: Path) -> None:
    alone, spread = gate("--jobs", "1"), gate("--jobs", "2")

    assert (spread.exit_code, spread.stdout) == (alone.exit_code, alone.stdout)
    assert [each["file"] for each in json.loads(spread.stdout)["files"]] == [
        "broken.cir",
        "stage0.cir",
        "stage1.cir",
        "stage2.cir",
    ]


def test_any_executor_will_do(kit: Path) -> None:
    found = find_policy(None, kit)
    options = Settings(idle_only=True, jobs=1)
    task = FileTask(options, found, dt.date.fromisoformat(TODAY), kit)
    netlists = [Netlist(Path(f"stage{number}.cir"), f"stage{number}.cir") for number in range(3)]

    with ThreadPoolExecutor(2) as executor:
        decided = list(decide_all(task, netlists, executor, 2))

    assert [each.checked.file for each in decided] == ["stage0.cir", "stage1.cir", "stage2.cir"]
    assert decided[0] == task(netlists[0])


class Counting(Executor):
    """Counts what is handed out and not yet asked for."""

    def __init__(self, executor: Executor) -> None:
        self.executor, self.handed_out = executor, 0

    def submit(self, *call, **options):  # type: ignore[no-untyped-def]
        self.handed_out += 1
        return self.executor.submit(*call, **options)


def name_only(netlist: Netlist) -> str:
    return netlist.name


def test_few_are_under_way_at_a_time() -> None:
    netlists = [Netlist(Path(f"{number}.cir"), str(number)) for number in range(500)]
    most = 0
    with ThreadPoolExecutor(2) as threads:
        counting = Counting(threads)
        names = []
        for name in decide_all(name_only, netlists, counting, 2):  # type: ignore[arg-type]
            names.append(name)
            most = max(most, counting.handed_out - len(names))

    assert names == [str(number) for number in range(500)]
    assert most <= 4


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50
    ) as running:
        yield running.scheduler_address


def test_the_same_bytes_from_a_cluster(kit: Path, cluster: str) -> None:
    alone, far = gate("--jobs", "1"), gate("--cluster", cluster)

    assert (far.exit_code, far.stdout) == (alone.exit_code, alone.stdout)


def test_no_scheduler_is_one_message(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(spread, "PATIENCE_S", 0.5)

    with pytest.raises(NetcheckError, match="no scheduler answers at"):
        cluster_executor("tcp://127.0.0.1:9")


def test_the_missing_extra_is_one_message(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)

    with pytest.raises(NetcheckError, match="needs the package `distributed`"):
        cluster_executor("tcp://127.0.0.1:9")
