"""The whole program on whole netlists: what must not change a result, and how it ends.

Each audit of this file is idle only and runs in a process and a folder of its own,
as a user runs it.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from netcheck.errors import UnanswerableError
from netcheck.pipeline import audit_circuit
from netcheck.report.progress import SilentProgress
from netcheck.solve.idle import IdleRequest
from netcheck.solve.pool import Pool
from netcheck.solve.results import NotSolved
from netcheck.workbench import sweep
from netcheck.workbench.settings import Settings
from tests.solve.worker import CIRCUITS, circuit_of, die

REPOSITORY = CIRCUITS.parent
DEMO = "6v6_single_ended.cir"
AUDIT = ("audit", DEMO, "--idle-only", "--format", "json", "--fail-at", "never")


def netcheck(*arguments: str, folder: Path, **variables: str) -> subprocess.CompletedProcess[bytes]:
    """Run the program in a folder."""
    path = os.pathsep.join(filter(None, (str(REPOSITORY), os.environ.get("PYTHONPATH"))))
    return subprocess.run(
        [sys.executable, "-m", "netcheck", *arguments],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": path, **variables},
        capture_output=True,
        check=False,
        timeout=120,
    )


@pytest.fixture(scope="module")
def plain_json(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The audit of the demo with nothing special about it."""
    folder = tmp_path_factory.mktemp("plain")
    shutil.copy(CIRCUITS / DEMO, folder)
    done = netcheck(*AUDIT, "--jobs", "1", folder=folder, HOME=str(folder))
    assert done.returncode == 0, done.stderr.decode()
    assert json.loads(done.stdout)["faults"]
    return done.stdout


def test_a_startup_file_of_ngspice_changes_nothing_and_runs_nothing(
    plain_json: bytes, tmp_path: Path
) -> None:
    beside, home = tmp_path / "beside", tmp_path / "home"
    for place in (beside, home):
        place.mkdir()
        mark = tmp_path / f"{place.name}-was-run"
        orders = f"shell touch {mark}\nset ngbehavior=lt\nset temp=200\nset gmin=1e-3\n"
        for name in (".spiceinit", "spice.rc"):
            (place / name).write_text(orders, encoding="utf-8")
    shutil.copy(CIRCUITS / DEMO, beside)

    done = netcheck(*AUDIT, folder=beside, HOME=str(home))

    assert done.stdout == plain_json
    assert not list(tmp_path.glob("*-was-run"))


def test_such_a_startup_file_would_be_run_otherwise(tmp_path: Path) -> None:
    """The test above is worth something: ngspice in that folder does run it."""
    mark = tmp_path / "was-run"
    (tmp_path / ".spiceinit").write_text(f"shell touch {mark}\n", encoding="utf-8")
    bare = (
        "import os\n"
        "from netcheck.solve import ngspice\n"
        "os.environ[ngspice.LIBRARY_VARIABLE] = ngspice.find_library()\n"
        "from PySpice.Spice.NgSpice.Shared import NgSpiceShared\n"
        "NgSpiceShared.new_instance()\n"
    )
    subprocess.run(
        [sys.executable, "-c", bare],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY), "HOME": str(tmp_path)},
        capture_output=True,
        check=True,
        timeout=60,
    )

    assert mark.exists()


def test_number_of_workers_changes_no_byte(plain_json: bytes, tmp_path: Path) -> None:
    shutil.copy(CIRCUITS / DEMO, tmp_path)

    done = netcheck(*AUDIT, "--jobs", "2", folder=tmp_path)

    assert done.stdout == plain_json


def test_missing_ngspice_is_one_message_and_exit_2(tmp_path: Path) -> None:
    shutil.copy(CIRCUITS / DEMO, tmp_path)

    done = netcheck(*AUDIT, folder=tmp_path, NGSPICE_LIBRARY_PATH="/nowhere/libngspice.so")

    message = done.stderr.decode()
    assert done.returncode == 2
    assert done.stdout == b""
    assert message.startswith("error: ")
    assert "apt install libngspice0" in message
    assert "Traceback" not in message


STAGE = [
    "X1 p s g k 6V6GT",
    "L1 ht p 12 ;! dcr=230ohm max_current=80mA",
    "L2 sp 0 19.2m",
    "K1 L1 L2 0.9985",
    "R1 sp 0 8 ;! speaker",
    "R2 ht s 470",
    "R3 g 0 470k",
    "VIN in 0 0 ;! input",
    "C1 in g 22n",
]
CATHODE = "R4 k 0 270"
B_PLUS = "VHT ht 0 275"


def _write(folder: Path, *cards: str) -> Path:
    path = folder / "case.cir"
    path.write_text("\n".join(["A case", *cards, ".end", ""]), encoding="utf-8")
    return path


UNANSWERABLE = {
    "cut_off": (
        [*STAGE[:6], "R3 g nb 470k", *STAGE[7:], B_PLUS, CATHODE, "VNEG nb 0 -90"],
        ["no output tube conducts", "X1", "look at the bias"],
    ),
    "no_supply": ([*STAGE, "VHT ht 0 0", CATHODE], ["no output tube conducts", "B+ source"]),
    "open_cathode": ([*STAGE, B_PLUS, "R4 k 0 1G"], ["no output tube conducts"]),
    "rectifier_fed": (
        [
            *STAGE,
            CATHODE,
            "VAC a 0 SIN(0 300 50)",
            "D1 a ht DRECT",
            "C9 ht 0 47u",
            ".model DRECT D(IS=1n N=2)",
        ],
        ["no output tube conducts", "rectifiers", "DC source"],
    ),
    "two_sources": (
        [*STAGE, B_PLUS, CATHODE, "VX ht 0 300"],
        ["ring of voltage sources"],
    ),
    "no_solution": (
        [*STAGE, B_PLUS, CATHODE, "B1 trap 0 I={if(V(trap)>0.5, 10, -10)}", "R9 trap 0 1k"],
        ["the healthy circuit does not solve", "no operating point"],
    ),
}


@pytest.mark.parametrize("case", UNANSWERABLE)
def test_no_answer_without_a_healthy_circuit(case: str, tmp_path: Path) -> None:
    cards, told = UNANSWERABLE[case]
    path = _write(tmp_path, *cards)

    done = netcheck("audit", path.name, "--idle-only", "--jobs", "1", folder=tmp_path)

    message = done.stderr.decode()
    assert done.returncode == 2, done.stdout.decode()
    assert done.stdout == b""
    assert "hint: " in message
    assert "Traceback" not in message
    for words in told:
        assert words in message


TRAP = [
    # Once the grid is 3 V up, this source has no operating point at all.
    "B1 trap 0 I={if(V(g)>3, if(V(trap)>0.5, 10, -10), 0)}",
    "R9 trap 0 1k",
]
DRIVER = ["X2 p2 g2 k2 12AX7", "R5 ht p2 100k", "R6 k2 0 1.5k", "R7 g2 0 1Meg"]
COUPLED = [*STAGE[:7], *DRIVER, "C1 p2 g 22n", "VIN g2a 0 0 ;! input", "C3 g2a g2 100n"]


def test_a_fault_that_does_not_solve_is_a_row_with_its_reason() -> None:
    circuit = circuit_of(*COUPLED, B_PLUS, CATHODE, *TRAP)

    with Pool(1) as pool:
        result = audit_circuit(
            circuit, "case.cir", Settings(idle_only=True), pool, SilentProgress()
        )

    rows = {row.fault.id: row for row in result.faults}
    shorted = rows["C1/shorted"]
    assert shorted.verdict == "not_solved"
    idle = shorted.conditions["idle"]
    assert isinstance(idle, NotSolved)
    assert "no operating point" in idle.reason
    solved = [row for row in result.faults if row.verdict != "not_solved"]
    assert len(solved) > 20


_USUAL = sweep.solve_fault_chunk


def crash_on_short(engine, circuit, requests: tuple[IdleRequest, ...], *rest):  # type: ignore[no-untyped-def]
    """Solve as usual, but die on a chunk that holds a shorted coupler."""
    for request in requests:
        if any(
            getattr(change, "ohm", 1e9) == 0.1 and "C1" in getattr(change, "name", "")
            for change in request.changes
        ):
            die(engine)
    return _USUAL(engine, circuit, requests, *rest)


def test_a_crash_costs_one_row(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sweep, "solve_fault_chunk", crash_on_short)
    circuit = circuit_of(*COUPLED, B_PLUS, CATHODE)

    with Pool(1) as pool:
        result = audit_circuit(
            circuit, "case.cir", Settings(idle_only=True), pool, SilentProgress()
        )

    lost = [row.fault.id for row in result.faults if row.verdict == "not_solved"]
    assert lost == ["C1/shorted"]
    (row,) = (row for row in result.faults if row.fault.id in lost)
    outcome = row.conditions["idle"]
    assert isinstance(outcome, NotSolved)
    assert outcome.reason == "the solver crashed"


def test_a_circuit_without_output_stage_is_judged(tmp_path: Path) -> None:
    shutil.copy(CIRCUITS / "12ax7_preamp.cir", tmp_path)

    done = netcheck("audit", "12ax7_preamp.cir", "--idle-only", "--jobs", "1", folder=tmp_path)

    assert done.returncode == 0, done.stderr.decode()
    assert "no output stage" in done.stdout.decode().lower()


def test_require_health_names_what_is_missing() -> None:
    circuit = circuit_of("X1 p g k 12AX7", "R1 b p 100k", "VB b 0 0", "R2 k 0 1k", "R3 g 0 1Meg")

    with Pool(1) as pool, pytest.raises(UnanswerableError, match="no tube conducts"):
        audit_circuit(circuit, "t.cir", Settings(idle_only=True), pool, SilentProgress())
