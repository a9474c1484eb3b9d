"""The command line: options reach the pipeline, exit codes, one clear message for each error."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import sample_audit
from typer.testing import CliRunner, Result

import netcheck
from netcheck.cli import app
from netcheck.errors import ManyErrors, NetcheckError, SolverUnavailableError
from netcheck.findings import Finding
from netcheck.models.audit import Audit
from netcheck.rank import View
from netcheck.solve.ngspice import OLDEST, find_library
from netcheck.source import SourceText, Span
from netcheck.workbench.settings import Settings as Options
from netcheck.workbench.settings import ToleranceOptions

HEALTHY: dict[str, Any] = {"healthy_stresses": (sample_audit.stress(0.8),)}


@dataclass
class Pipeline:
    """Stands for the pipeline: gives an audit, or raises, and keeps what it was asked."""

    answer: Audit | BaseException
    asked: list[tuple[Path, Options]] = field(default_factory=list)

    def audit(self, path: Path, options: Options, progress: Any) -> Audit:
        progress.start("faults", 2)
        progress.advance()
        progress.finish()
        self.asked.append((path, options))
        if isinstance(self.answer, BaseException):
            raise self.answer
        return self.answer


Answer = Callable[[Audit | BaseException], Pipeline]


@pytest.fixture
def answer(monkeypatch: pytest.MonkeyPatch) -> Answer:
    def install(result: Audit | BaseException) -> Pipeline:
        pipeline = Pipeline(result)
        module = ModuleType("netcheck.pipeline")
        module.Settings = Options  # type: ignore[attr-defined]
        module.audit = pipeline.audit  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "netcheck.pipeline", module)
        monkeypatch.setattr(netcheck, "pipeline", module, raising=False)
        return pipeline

    return install


@pytest.fixture
def netlist(tmp_path: Path) -> Path:
    path = tmp_path / "small.cir"
    path.write_text("small\nR1 a 0 1k\n.end\n")
    return path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_version_is_that_of_the_distribution() -> None:
    project = Path(__file__).parent.parent / "pyproject.toml"
    version = tomllib.loads(project.read_text())["project"]["version"]

    assert run("--version").stdout.splitlines()[0] == f"netcheck {version}"


def test_version_names_ngspice_and_its_library() -> None:
    result = run("--version")
    own, solver = result.stdout.splitlines()

    found = re.fullmatch(r"ngspice (\d+)\S* \((.+)\)", solver)
    assert found is not None
    assert int(found[1]) >= OLDEST
    assert found[2] == find_library()
    assert (own, result.exit_code, result.stderr) == (f"netcheck {netcheck.__version__}", 0, "")


@pytest.mark.parametrize(
    ("content", "said"),
    [(None, "no ngspice: .* not there: .*"), ("no library", "no ngspice: .* does not load: .*")],
)
def test_version_says_that_there_is_no_ngspice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, content: str | None, said: str
) -> None:
    library = tmp_path / "libngspice.so"
    if content is not None:
        library.write_text(content)
    monkeypatch.setenv("NGSPICE_LIBRARY_PATH", str(library))

    result = run("--version")

    assert re.fullmatch(said, result.stdout.splitlines()[1])
    assert (len(result.stdout.splitlines()), result.exit_code) == (2, 0)


COMMANDS = [command.callback.__name__ for command in app.registered_commands if command.callback]


@pytest.mark.parametrize("name", ["", *COMMANDS])
def test_help_names_every_placeholder(name: str) -> None:
    words = [name] if name else []
    short, long = run(*words, "-h"), run(*words, "--help")

    assert (short.exit_code, short.stdout) == (0, long.stdout)
    assert "-h, --help" in long.stdout
    assert not re.search(r"<\w|\{\w", long.stdout)


@pytest.mark.parametrize(
    ("name", "arguments"),
    [
        ("audit", "FILE"), ("sweep", "FILE PART KIND"), ("compare", "BEFORE AFTER"),
        ("faults", "[KIND]"), ("tubes", "[TYPE]..."), ("fit", "FILE"), ("gate", "[FILE]..."),
    ],
)  # fmt: skip
def test_line_of_usage(name: str, arguments: str) -> None:
    text = run(name, "-h").stdout

    assert f"netcheck {name} [OPTIONS] {arguments}\n" in text
    for each in arguments.split():
        assert f"\n  {each} " in text.partition("Arguments:")[2].partition("Options:")[0]


@pytest.mark.parametrize("columns", [60, 80, 140])
def test_help_is_as_wide_as_the_terminal_and_cuts_no_summary(columns: int) -> None:
    text = subprocess.run(
        [sys.executable, "-m", "netcheck", "--help"],
        env=os.environ | {"COLUMNS": str(columns)},
        capture_output=True, text=True, timeout=30, check=True,
    ).stdout  # fmt: skip
    listed = " ".join(text.partition("Commands:")[2].split())
    longest = max(map(len, text.splitlines()))

    assert "..." not in listed
    for command in app.registered_commands:
        assert command.callback is not None
        assert " ".join(str(command.callback.__doc__).split()) in listed
    assert longest <= columns
    assert longest > 80 or columns <= 80


def test_completion_in_a_shell_knows_commands_and_options() -> None:
    def completed(words: str) -> set[str]:
        env = os.environ | {
            "_NETCHECK_COMPLETE": "complete_bash",
            "COMP_WORDS": words,
            "COMP_CWORD": str(len(words.split(" ")) - 1),
        }
        code = "import sys; from netcheck.cli import app; app(prog_name='netcheck')"
        done = subprocess.run(
            [sys.executable, "-c", code],
            env=env, capture_output=True, text=True, timeout=30, check=True,
        )  # fmt: skip
        return set(done.stdout.split())

    assert "--install-completion" in run("--help").stdout
    assert completed("netcheck ") >= set(COMMANDS)
    assert completed("netcheck audit --fa") == {"--fail-at"}
    assert completed("netcheck audit --fail-at ne") == {"never"}


def test_text_report(answer: Answer, netlist: Path) -> None:
    answer(sample_audit.build())

    result = run("audit", netlist)

    assert "Verdict: " in result.stdout
    assert "\x1b" not in result.stdout
    assert result.stderr == ""


def test_json_is_one_object_on_standard_output(answer: Answer, netlist: Path) -> None:
    answer(sample_audit.build())

    result = run("audit", netlist, "--format", "json")

    assert json.loads(result.stdout)["circuit"]["file"] == "small.cir"
    assert result.stderr == ""


@pytest.mark.parametrize(
    ("name", "begins"),
    [
        ("sarif", '{\n "version": "2.1.0"'),
        ("junit", "<?xml"),
        ("csv", "file,line,column,id"),
        ("markdown", "## netcheck audit"),
        ("github", "::"),
    ],
)
def test_the_formats_of_checks(answer: Answer, netlist: Path, name: str, begins: str) -> None:
    answer(sample_audit.build())

    result = run("audit", netlist, "--format", name)

    assert result.stdout.startswith(begins)
    assert result.stderr == ""


def test_options_reach_the_pipeline(answer: Answer, netlist: Path) -> None:
    pipeline = answer(sample_audit.build())

    run("audit", netlist, "--idle-only", "--jobs", 2, "--meter", "1Mohm", "--frequency", "400Hz")
    run("audit", netlist, "--meter", "none")
    run("audit", netlist, "--duty", "10%")
    run("audit", netlist, "--duty", "0.25")
    run("audit", netlist)

    assert pipeline.asked == [
        (netlist, Options(idle_only=True, jobs=2, meter_ohm=1e6, frequency_hz=400.0)),
        (netlist, Options(meter_ohm=None)),
        (netlist, Options(duty=0.1)),
        (netlist, Options(duty=0.25)),
        (netlist, Options()),
    ]


def test_all_shows_every_row(answer: Answer, netlist: Path) -> None:
    leaks = [sample_audit.leak(1e6 + n, f"{n}ohm") for n in range(25)]
    solved, stress = sample_audit.solved("idle", 25.0), sample_audit.stress(2.0)
    results = tuple(sample_audit.result(one, "over_limit", solved, stress) for one in leaks)
    answer(sample_audit.build(faults=results))

    assert "C2/leaky@24ohm" not in run("audit", netlist).stdout
    assert "C2/leaky@24ohm" in run("audit", netlist, "--all").stdout


ERROR = Finding("wrong", "error", "something is wrong")
WARNING = Finding("odd", "warning", "something is odd")
HOT_DRIVE = (replace(sample_audit.build().worst_drive[0], value=13.2),)


@pytest.mark.parametrize(
    ("changes", "threshold", "code"),
    [
        (HEALTHY, "over_limit", 0),
        (HEALTHY, "at_limit", 0),
        (HEALTHY | {"findings": (WARNING,)}, "at_limit", 0),
        (HEALTHY | {"findings": (ERROR,)}, "over_limit", 1),
        (HEALTHY | {"findings": (ERROR,)}, "never", 0),
        ({"healthy_stresses": (sample_audit.stress(1.04),)}, "over_limit", 0),
        ({"healthy_stresses": (sample_audit.stress(1.04),)}, "at_limit", 1),
        ({"healthy_stresses": (sample_audit.stress(1.06),)}, "over_limit", 1),
        ({"healthy_stresses": (sample_audit.stress(1.06),)}, "at_limit", 1),
        ({"healthy_stresses": (sample_audit.stress(1.06),)}, "never", 0),
        (HEALTHY | {"worst_drive": HOT_DRIVE}, "over_limit", 1),
    ],
)
@pytest.mark.parametrize("form", ["text", "json"])
def test_exit_code_judges_the_healthy_circuit(
    answer: Answer, netlist: Path, changes: dict[str, Any], threshold: str, code: int, form: str
) -> None:
    answer(sample_audit.build(**changes))

    assert run("audit", netlist, "--fail-at", threshold, "--format", form).exit_code == code


SOURCE = SourceText("small.cir", "small\nR1 a 0 \x1b[31mbad")
BAD_VALUE = NetcheckError(
    "`bad` is not a number", span=Span("small.cir", 2, 8, 2, 16), source=SOURCE, hint="write 1k"
)


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (BAD_VALUE, ["error: small.cir:2:8: `bad` is not a number", "^^^", "hint: write 1k"]),
        (ManyErrors([BAD_VALUE, NetcheckError("no ground")]),
         ["small.cir:2:8", "error: no ground", "2 mistakes"]),
        (SolverUnavailableError("no ngspice", hint="apt-get install libngspice0"),
         ["error: no ngspice", "hint: apt-get install libngspice0"]),
    ],
)  # fmt: skip
def test_errors_of_the_user_are_messages_and_exit_2(
    answer: Answer, netlist: Path, error: NetcheckError, expected: list[str]
) -> None:
    answer(error)

    result = run("audit", netlist)

    assert result.exit_code == 2
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    assert "\x1b" not in result.stderr
    for text in expected:
        assert text in result.stderr


def test_a_bug_is_one_line_and_exit_70(answer: Answer, netlist: Path) -> None:
    answer(ZeroDivisionError("division by zero"))

    result = run("audit", netlist)

    assert result.exit_code == 70
    assert result.stderr.count("\n") == 1
    assert "ZeroDivisionError: division by zero" in result.stderr
    assert "report" in result.stderr


def test_traceback_of_a_bug_on_request(
    answer: Answer, netlist: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NETCHECK_TRACEBACK", "1")
    answer(ZeroDivisionError("division by zero"))

    result = run("audit", netlist)

    assert result.exit_code == 70
    assert "Traceback (most recent call last)" in result.stderr


def test_ctrl_c_is_130(answer: Answer, netlist: Path) -> None:
    answer(KeyboardInterrupt())

    result = run("audit", netlist)

    assert (result.exit_code, result.stderr) == (130, "interrupted\n")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--meter", "ten"], "--meter: `ten` is not a value"),
        (["--meter", "-1Mohm"], "--meter: -1Mohm has to be more than zero"),
        (["--frequency", "0Hz"], "--frequency: 0Hz has to be more than zero"),
        (["--frequency", "5V"], "--frequency: `5V` is not a value in hertz"),
        (["--duty", "0%"], "--duty: 0% has to be more than zero"),
        (["--duty", "150%"], "--duty: 150% is more than all of the time"),
        (["--duty", "nan"], "--duty: `nan` is not a value"),
        (["--jobs", "0"], "--jobs"),
        (["--format", "xml"], "--format"),
        (["--fail-at", "sometimes"], "--fail-at"),
    ],
)
def test_wrong_options_exit_2_before_any_work(
    answer: Answer, netlist: Path, arguments: list[str], message: str
) -> None:
    pipeline = answer(sample_audit.build())

    result = run("audit", netlist, *arguments)

    assert result.exit_code == 2
    assert message in result.stderr
    assert pipeline.asked == []


def test_missing_netlist_and_folder(answer: Answer, tmp_path: Path) -> None:
    answer(sample_audit.build())

    missing, folder = run("audit", tmp_path / "none.cir"), run("audit", tmp_path)

    assert (missing.exit_code, folder.exit_code) == (2, 2)
    assert "there is no file" in missing.stderr
    assert "is a folder" in folder.stderr


@pytest.mark.parametrize("form", ["text", "json"])
def test_output_file_is_written_whole(
    answer: Answer, netlist: Path, tmp_path: Path, form: str
) -> None:
    answer(sample_audit.build(**HEALTHY))
    output = tmp_path / "out"
    output.write_text("old")
    output.chmod(0o640)

    result = run("audit", netlist, "--format", form, "--output", output)

    assert (result.exit_code, result.stdout) == (0, "")
    assert len(output.read_text()) > 1000
    assert output.stat().st_mode & 0o777 == 0o640
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "small.cir"]


def test_new_output_file_has_the_mode_of_any_new_file(
    answer: Answer, netlist: Path, tmp_path: Path
) -> None:
    answer(sample_audit.build(**HEALTHY))
    (tmp_path / "usual").write_text("")

    run("audit", netlist, "--output", tmp_path / "new")

    assert (tmp_path / "new").stat().st_mode == (tmp_path / "usual").stat().st_mode


def test_output_through_a_link_keeps_the_link(
    answer: Answer, netlist: Path, tmp_path: Path
) -> None:
    answer(sample_audit.build(**HEALTHY))
    (tmp_path / "link").symlink_to(tmp_path / "real")

    run("audit", netlist, "--output", tmp_path / "link")

    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").stat().st_size > 1000


@pytest.mark.parametrize("where", ["no/folder/out", ".", "small.cir"])
def test_impossible_output_is_refused_before_any_work(
    answer: Answer, netlist: Path, where: str
) -> None:
    pipeline = answer(sample_audit.build())
    before = netlist.read_text()

    result = run("audit", netlist, "--output", netlist.parent / where)

    assert result.exit_code == 2
    assert pipeline.asked == []
    assert netlist.read_text() == before


def test_failed_write_leaves_the_old_file_and_no_rest(
    answer: Answer, netlist: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer(sample_audit.build())
    output = tmp_path / "out"
    output.write_text("old")

    def full(self: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    result = run("audit", netlist, "--output", output)

    assert result.exit_code == 2
    assert "No space left on device" in result.stderr
    assert output.read_text() == "old"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "small.cir"]


def test_reader_who_leaves_early_is_no_error() -> None:
    read, write = os.pipe()
    os.close(read)

    done = subprocess.run(
        [sys.executable, "-m", "netcheck", "tubes"],
        stdout=write, stderr=subprocess.PIPE, timeout=30, check=False,
    )  # fmt: skip
    os.close(write)

    assert (done.returncode, done.stderr) == (0, b"")


def test_start_up_imports_nothing_heavy() -> None:
    code = (
        "import sys, netcheck.cli; "
        "print([m for m in ('numpy', 'scipy', 'pydantic', 'networkx', 'lark', 'PySpice', "
        "'rich.progress', 'rich.table') if m in sys.modules])"
    )

    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=30, check=True
    )

    assert done.stdout == "[]\n"


def test_public_names_are_found_when_asked_for() -> None:
    assert netcheck.NetcheckError is NetcheckError
    assert netcheck.Audit is Audit
    assert "audit" in dir(netcheck)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        getattr(netcheck, "nothing")  # noqa: B009


def test_tolerance_and_view_reach_the_pipeline(answer: Answer, netlist: Path) -> None:
    pipeline = answer(sample_audit.build(**HEALTHY))
    words = "--tolerance --draws 500 --seed 7 --mains 120V --rank-by risk --part C2 --kind leaky"

    run("audit", netlist, *words.split())

    options = pipeline.asked[0][1]
    assert options.tolerance == ToleranceOptions(500, 7, "120V")
    assert options.view == View("risk", part="C2", kind="leaky")


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("--draws 500", "--draws does nothing without --tolerance"),
        ("--mains none", "--mains does nothing without --tolerance"),
        ("--tolerance --mains 100V", "--mains: no mains band on file for 100V"),
    ],
)
def test_options_of_tolerance_that_cannot_be_meant(
    answer: Answer, netlist: Path, words: str, expected: str
) -> None:
    answer(sample_audit.build(**HEALTHY))

    result = run("audit", netlist, *words.split())

    assert (result.exit_code, result.stdout) == (2, "")
    assert expected in result.stderr
