"""The command: files and folders, exit codes, one broken netlist among others."""

from __future__ import annotations

import json
import shutil
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import sample_audit
from sample_checks import TODAY, clean_audit, policy
from typer.testing import CliRunner, Result

from netcheck import cli, pipeline
from netcheck.errors import NetlistError, SolverUnavailableError
from netcheck.findings import Finding
from netcheck.gate.decide import decide
from netcheck.gate.run import find_netlists
from netcheck.models.packed import PackedFiles

CIRCUITS = Path(__file__).parent.parent.parent / "circuits"
Answers = Callable[[dict[str, object]], list[str]]


def run(*arguments: object) -> Result:
    """Gate with one worker, where the pipeline of this process is asked, unless told else."""
    words = [str(one) for one in arguments]
    alone = [] if "--jobs" in words else ["--jobs", "1"]
    return CliRunner().invoke(cli.app, ["gate", *words, *alone])


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name in ("a.cir", "b.net", "sub/c.SP", "sub/part.lib", ".hidden/d.cir", "notes.txt"):
        file = tmp_path / "kit" / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text("title\n")
    return tmp_path / "kit"


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch) -> Answers:
    def set_answers(by_name: dict[str, object]) -> list[str]:
        asked: list[str] = []

        def audit(path: Path, options: object, progress: object) -> object:
            asked.append(path.as_posix())
            answer = by_name.get(path.name, clean_audit())
            if isinstance(answer, BaseException):
                raise answer
            return replace(answer, file=path.as_posix())  # type: ignore[type-var]

        monkeypatch.setattr(pipeline, "audit", audit)
        return asked

    return set_answers


def test_a_folder_is_gone_through_in_order(folder: Path, answers: Answers) -> None:
    asked = answers({})

    result = run("kit")

    assert (result.exit_code, asked) == (0, ["kit/a.cir", "kit/b.net", "kit/sub/c.SP"])
    assert "Passed" in result.stdout


def test_a_netlist_is_taken_once_and_a_named_file_whatever_its_ending(
    folder: Path, answers: Answers
) -> None:
    asked = answers({})

    run("kit/notes.txt", "kit/a.cir", "kit")

    assert asked == ["kit/notes.txt", "kit/a.cir", "kit/b.net", "kit/sub/c.SP"]


@pytest.mark.parametrize(
    ("answer", "code", "said"),
    [
        (clean_audit(), 0, "Passed"),
        (sample_audit.build(healthy_stresses=(sample_audit.stress(1.5),)), 1, "Failed: 1 check"),
        (NetlistError("there is no ground"), 2, "there is no ground"),
        (ZeroDivisionError("oops"), 70, "netcheck has a bug: ZeroDivisionError"),
        (KeyboardInterrupt(), 130, "Interrupted"),
    ],
)
def test_exit_codes(folder: Path, answers: Answers, answer: object, code: int, said: str) -> None:
    answers({"b.net": answer})

    result = run("kit")

    assert result.exit_code == code
    assert said in result.stdout


def test_a_broken_netlist_is_a_row_and_the_others_go_on(folder: Path, answers: Answers) -> None:
    over = sample_audit.build(healthy_stresses=(sample_audit.stress(1.5),))
    asked = answers({"a.cir": NetlistError("no ground"), "b.net": over})

    result = run("kit", "--format", "json")

    document = json.loads(result.stdout)
    assert (result.exit_code, len(asked)) == (2, 3)
    assert document["verdict"] == "unanswered"
    assert [len(one["rows"]) > 1 for one in document["files"]] == [False, True, True]


def test_an_audit_that_was_interrupted_ends_the_run(folder: Path, answers: Answers) -> None:
    partial = replace(clean_audit(), findings=(Finding("interrupted", "error", "stopped"),))
    asked = answers({"a.cir": partial})

    result = run("kit", "--format", "json")

    document = json.loads(result.stdout)
    assert (result.exit_code, len(asked), document["interrupted"]) == (130, 1, True)
    assert len(document["files"][0]["rows"]) > 3
    assert [len(one["rows"]) for one in document["files"][1:]] == [1, 1]


def test_no_solver_ends_the_run_at_once(folder: Path, answers: Answers) -> None:
    asked = answers({"a.cir": SolverUnavailableError("no ngspice")})

    result = run("kit")

    assert (result.exit_code, len(asked)) == (2, 1)
    assert "error: no ngspice" in result.stderr


def test_policy_beside_the_netlists_is_found_and_excludes(folder: Path, answers: Answers) -> None:
    asked = answers({})
    (folder / "netcheck.toml").write_text('exclude = ["sub/*"]\n')

    result = run("kit")

    assert asked == ["kit/a.cir", "kit/b.net"]
    assert "netcheck.toml" in result.stdout


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "no netlist was named"),
        (["none.cir"], "there is no file none.cir"),
        (["kit/.hidden/x"], "there is no file"),
        (["empty"], "there is no netlist in empty"),
        (["kit", "--today", "tomorrow"], "is not a date"),
        (["kit", "--limit", "sparts=5"], "there is no limit"),
        (["kit", "--policy", "none.toml"], "cannot read none.toml"),
        (["kit", "--baseline", "none.json"], "cannot read the baseline none.json"),
        (["kit", "--output", "no/folder/out"], "there is no folder"),
        (["kit", "--output", "kit/a.cir"], "is the netlist itself"),
    ],
)
def test_wrong_use_is_2_before_any_work(
    folder: Path, answers: Answers, arguments: list[str], message: str
) -> None:
    asked = answers({})
    (folder.parent / "empty").mkdir()

    result = run(*arguments)

    assert (result.exit_code, asked) == (2, [])
    assert message in result.stderr


def test_output_is_written_in_every_case(folder: Path, answers: Answers) -> None:
    answers({"a.cir": NetlistError("no ground")})

    result = run("kit", "--format", "sarif", "--output", "out.sarif")

    assert (result.exit_code, result.stdout) == (2, "")
    assert json.loads(Path("out.sarif").read_text())["version"] == "2.1.0"


def test_the_default_policy_can_be_shown(answers: Answers) -> None:
    assert run("--show-policy").stdout.startswith("# The policy of `netcheck gate`")


def test_names_tell_nothing_of_the_machine(folder: Path, tmp_path: Path) -> None:
    inside = find_netlists([folder], [], tmp_path)
    outside = find_netlists([folder, folder / "sub"], [], tmp_path / "elsewhere")

    assert [one.name for one in inside] == ["kit/a.cir", "kit/b.net", "kit/sub/c.SP"]
    assert [one.name for one in outside] == ["kit/a.cir", "kit/b.net", "kit/sub/c.SP"]


def test_schematics_of_a_folder_are_listed_without_the_sheets_below_them(tmp_path: Path) -> None:
    kit = tmp_path / "kit"
    kit.mkdir()
    sheet = '(kicad_sch (sheet (property "Sheet{}" "{}")))'
    (kit / "top.kicad_sch").write_text(sheet.format("file", "sub/Channel.kicad_sch"))
    (kit / "channel.kicad_sch").write_text(sheet.format(" file", "gain.kicad_sch"))
    (kit / "gain.kicad_sch").write_text("(kicad_sch)")
    (kit / "ring_a.kicad_sch").write_text(sheet.format("file", "ring_b.kicad_sch"))
    (kit / "ring_b.kicad_sch").write_text(sheet.format("file", "ring_a.kicad_sch"))
    (kit / "amp.asc").write_text("Version 4\nSYMBOL Misc\\gain_stage 12 -4 R0\n")
    (kit / "gain_stage.asc").write_text("Version 4\nSYMBOL res 0 0 M90\n")

    names = [one.path.name for one in find_netlists([kit], [], tmp_path)]

    assert names == ["amp.asc", "ring_a.kicad_sch", "ring_b.kicad_sch", "top.kicad_sch"]


def test_a_link_to_a_folder_is_not_followed(folder: Path, tmp_path: Path) -> None:
    (folder / "loop").symlink_to(folder, target_is_directory=True)

    assert len(find_netlists([folder], [], tmp_path)) == 3


def test_the_same_bytes_at_any_number_of_workers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copy(CIRCUITS / "12ax7_preamp.cir", tmp_path)
    (tmp_path / "netcheck.toml").write_text('conditions = ["idle"]\n')
    (tmp_path / "broken.cir").write_text("broken\nR1 a 0 fnord\n")

    runs = [run(".", "--format", "json", "--jobs", jobs) for jobs in (1, 2)]

    assert [one.exit_code for one in runs] == [2, 2]
    assert runs[0].stdout == runs[1].stdout
    document = json.loads(runs[0].stdout)
    assert [one["file"] for one in document["files"]] == ["12ax7_preamp.cir", "broken.cir"]
    assert len(document["files"][0]["rows"]) > 100


def test_rows_of_many_netlists_are_kept_small(folder: Path, answers: Answers) -> None:
    checked = decide(sample_audit.build(), policy(""), "a.cir", TODAY).checked
    files = PackedFiles()
    tracemalloc.start()
    files.append(checked)
    before = tracemalloc.get_traced_memory()[0]
    for _ in range(500):
        files.append(checked)
    grown = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()

    assert list(files[2:4]) == [checked, checked]
    assert (len(files), files[-1]) == (501, checked)
    assert grown / 500 < 5000  # bytes a netlist, of 21 rows
