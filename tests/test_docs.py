"""The two documents say what is so: samples, commands, files, rooms, notes, exit codes."""

from __future__ import annotations

import re
import tomllib
from functools import cache
from pathlib import Path

import pytest
from typer.testing import CliRunner

from netcheck import cli
from netcheck.cli import shell
from netcheck.netlist.parse import known_keys
from netcheck.report.words import VERDICTS
from tests.readme_samples import Sample, differences, excerpt, samples

CHECKOUT = Path(__file__).resolve().parent.parent
README = CHECKOUT / "README.md"
DEVELOPERS = CHECKOUT / "DEVELOPERS.md"
DOCUMENTS = (README, DEVELOPERS)
OF_THE_USER = {"netcheck.toml"}
"""Files that a user writes; they are named, and not here."""


def text_of(document: Path) -> str:
    return document.read_text(encoding="utf-8")


@cache
def output_of(arguments: tuple[str, ...]) -> str:
    """Run a command of the README."""
    result = CliRunner().invoke(cli.app, list(arguments))
    assert result.exit_code in (0, 1), f"netcheck {' '.join(arguments)}: {result.output[:600]}"
    return result.stdout


def now(sample: Sample) -> str:
    return excerpt(output_of(sample.arguments), sample.show)


def test_samples_in_the_readme_are_what_the_program_prints(
    remake_golden: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(CHECKOUT)
    text = text_of(README)
    found = samples(text)

    if remake_golden:
        for sample in reversed(found):
            text = text[: sample.start] + now(sample) + text[sample.end :]
        README.write_text(text, encoding="utf-8")
        found = samples(text)

    assert len(found) == text.count("<!-- output of: ")
    assert found
    assert {sample.text: differences(sample.text, now(sample)) for sample in found} == {
        sample.text: [] for sample in found
    }


def test_a_sample_that_differs_is_noticed() -> None:
    shown = "Verdict: X2 plate 1.04 times 12 W\n\nFaults\n------\na 1.29 (0.90)\n"

    assert differences(shown, shown.replace("1.29", "1.30")) == []
    assert differences(shown, shown.replace("1.29", "1.40")) == ["1.29 is now 1.40"]
    assert differences(shown, shown.replace("plate", "screen")) == ["plate is now screen"]
    assert differences(shown, shown + "more\n")
    assert excerpt(shown, "Faults 1") == "...\n\nFaults\n...\n"


def test_the_readme_begins_with_the_job_and_the_two_commands() -> None:
    before, _, after = text_of(README).partition("## Run it")

    assert before.count("\n\n") <= 2
    assert re.findall(r"^make (\w+) ", after, re.MULTILINE) == ["demo", "test"]
    makefile = text_of(CHECKOUT / "Makefile")
    assert re.search(r"^demo:", makefile, re.MULTILINE)
    assert re.search(r"^test:", makefile, re.MULTILINE)


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_files_that_are_named_are_there(document: Path) -> None:
    text = text_of(document)
    linked = re.findall(r"\]\(([^)#:]+)\)", text)
    named = re.findall(
        r"`((?:netcheck|tests|circuits|grammar|\.ci)/[\w./-]*|\w+\.(?:py|toml|md))`", text
    )

    assert linked or named
    homes = (CHECKOUT, CHECKOUT / "netcheck")
    missing = {
        name
        for name in {*linked, *named} - OF_THE_USER
        if not any((home / name).exists() for home in homes)
    }
    assert missing == set()


def test_commands_in_the_readme_are_understood() -> None:
    blocks = "".join(re.findall(r"^```\n(.*?)^```$", text_of(README), re.MULTILINE | re.DOTALL))
    lines = re.findall(r"^netcheck (\w+)(.*?)(?:\s+#.*)?$", blocks, re.MULTILINE)

    commands = {command.callback.__name__ for command in cli.app.registered_commands}
    assert {name for name, _ in lines} == commands
    for name, rest in lines:
        options = re.findall(r"--[\w-]+", rest)
        usage = CliRunner().invoke(cli.app, [name, "--help"]).stdout
        assert all(option in usage for option in options)


@pytest.mark.parametrize("key", sorted(known_keys()))
def test_every_note_is_in_the_readme(key: str) -> None:
    table = text_of(README).partition("| note | on |")[2].partition("\n\n")[0]

    assert re.search(rf"`{key}(?:=[^`]+)?`", table)


def test_every_verdict_and_exit_code_is_in_the_readme() -> None:
    text = text_of(README)
    codes = (0, shell.EXIT_FINDINGS, shell.EXIT_UNANSWERED, shell.EXIT_BUG, shell.EXIT_INTERRUPTED)

    assert tuple(re.findall(r"^\| `(\w+)` \| ", text, re.MULTILINE))[: len(VERDICTS)] == VERDICTS
    assert [int(code) for code in re.findall(r"^\| (\d+) \| ", text, re.MULTILINE)] == [*codes]


def test_every_room_is_in_the_table_of_the_developers() -> None:
    table = text_of(DEVELOPERS).partition("| room |")[2].partition("\n\n")[0]
    package = CHECKOUT / "netcheck"
    folders = {path.parent.name for path in package.glob("*/__init__.py")}
    modules = {path.stem for path in package.glob("*.py")} - {"__init__", "__main__"}

    rooms = "".join(line.split("|")[1] for line in table.splitlines() if line.count("|") > 1)
    named = set(re.findall(r"`(\w+)(?:/|\.py)`", rooms))

    assert named == folders | modules


def test_the_names_of_the_distribution() -> None:
    project = tomllib.loads(text_of(CHECKOUT / "pyproject.toml"))["project"]

    assert f"`{project['name']}`" in text_of(README)
    assert project["license"] in text_of(README)
    assert set(project["scripts"]) == {"netcheck"}
