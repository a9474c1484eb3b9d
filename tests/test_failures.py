"""What goes wrong around an audit: Ctrl-C, a full disk, a file that cannot be written."""

from __future__ import annotations

import errno
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from netcheck.cli import app
from netcheck.errors import NetcheckError
from netcheck.pipeline import audit
from netcheck.report.files import write_whole
from netcheck.workbench import sweep
from netcheck.workbench.settings import Settings, Step

ROOT = Path(__file__).parents[1]
PREAMP = ROOT / "circuits" / "12ax7_preamp.cir"


class Interrupting:
    """Progress that presses Ctrl-C once a step has come so far."""

    def __init__(self, step: str, after: int) -> None:
        self.step, self.left, self.label = step, after, ""

    def start(self, label: str, total: int) -> None:
        self.label = label

    def advance(self, count: int = 1) -> None:
        if self.label.startswith(self.step):
            self.left -= count
            if self.left <= 0:
                self.step = "never again"
                os.kill(os.getpid(), signal.SIGINT)

    def finish(self) -> None:
        self.label = ""


def test_what_was_finished_before_an_interrupt_is_reported() -> None:
    progress = Interrupting(Step.DRIVEN, 10)

    result = audit(PREAMP, Settings(jobs=2), progress)

    first = result.findings[0]
    verdicts = {each.condition_verdicts["full"] for each in result.faults}
    assert first.rule == "interrupted"
    assert f"of {len(result.faults)} faults" in first.message
    assert "not_solved" in verdicts
    assert len(verdicts) > 1, "nothing of what was finished is left"
    assert all(each.condition_verdicts["idle"] != "not_solved" for each in result.faults)


def interrupt_parent(*arguments: object) -> None:
    """In a worker: press Ctrl-C at the program, and never answer."""
    os.kill(os.getppid(), signal.SIGINT)
    time.sleep(60.0)


def test_an_interrupt_before_there_is_anything_to_report(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sweep, "solve_fault_chunk", interrupt_parent)

    with pytest.raises(KeyboardInterrupt):
        audit(PREAMP, Settings(jobs=1, idle_only=True), Interrupting("never", 0))


def test_ctrl_c_ends_the_program_cleanly(tmp_path: Path) -> None:
    report = tmp_path / "report.json"
    command = [sys.executable, "-m", "netcheck", "audit", str(PREAMP), "-j", "1"]
    process = subprocess.Popen(
        [*command, "--format", "json", "--output", str(report)],
        stderr=subprocess.PIPE,
        cwd=ROOT,
        text=True,
    )
    time.sleep(3.0)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)

    assert process.returncode == 130, said
    assert "Traceback" not in said
    left = [path.name for path in tmp_path.iterdir()]
    assert left == ["report.json"] or "interrupted" in said
    assert "netcheck-" not in " ".join(left)


def full(*arguments: object, **options: object) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_full_disk_leaves_the_old_report(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    report = tmp_path / "report.txt"
    report.write_text("the report of yesterday")
    monkeypatch.setattr(Path, "replace", full)

    with pytest.raises(NetcheckError, match="No space left on device"):
        write_whole(report, "new")

    assert report.read_text() == "the report of yesterday"
    assert [path.name for path in tmp_path.iterdir()] == ["report.txt"]


def written_under_a_limit(target: str) -> None:
    """In a process of its own: files may not grow beyond 1000 bytes."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
    try:
        write_whole(Path(target), "x" * 100_000)
    except NetcheckError as error:
        sys.stdout.write(error.message)


def test_a_disk_that_fills_while_writing(tmp_path: Path) -> None:
    report = tmp_path / "report.txt"
    call = "import sys; from tests.test_failures import written_under_a_limit as w; w(sys.argv[1])"

    done = subprocess.run(
        [sys.executable, "-c", call, str(report)],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )

    assert "cannot write" in done.stdout
    assert list(tmp_path.iterdir()) == []


UNWRITABLE: dict[str, Callable[[Path], Path]] = {
    "a folder": lambda folder: folder,
    "in no folder": lambda folder: folder / "none" / "report.txt",
    "the netlist itself": lambda folder: folder / "amp.cir",
}


@pytest.mark.parametrize("output", UNWRITABLE.values(), ids=list(UNWRITABLE))
def test_an_output_that_cannot_be_written_is_told_before_the_work(
    tmp_path: Path, output: Callable[[Path], Path]
) -> None:
    netlist = tmp_path / "amp.cir"
    netlist.write_bytes(PREAMP.read_bytes())

    result = CliRunner().invoke(app, ["audit", str(netlist), "-o", str(output(tmp_path))])

    assert result.exit_code == 2
    assert result.stderr.startswith("error: ")
    assert netlist.read_bytes() == PREAMP.read_bytes()
