"""The documents say what is so: samples, commands, files, rooms, notes, exit codes; the manual
is shown by `netcheck help`."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path

import pytest
from typer.testing import CliRunner

from netcheck import cli
from netcheck.cli import shell
from netcheck.cli.help import topics
from netcheck.report.words import VERDICTS
from tests.readme_samples import Sample, differences, excerpt, samples, with_tables

CHECKOUT = Path(__file__).resolve().parent.parent
README = CHECKOUT / "README.md"
DEVELOPERS = CHECKOUT / "DEVELOPERS.md"
MANUAL = tuple(sorted((CHECKOUT / "netcheck" / "manual").glob("*.md")))
OF_AUDIT = CHECKOUT / "netcheck" / "manual" / "audit.md"
FOR_USERS = (README, *MANUAL)
DOCUMENTS = (*FOR_USERS, DEVELOPERS)
MARK = "<!-- output of: "
MOST_LINES = 220
"""What a stranger reads of the README to its end."""
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


WITH_SAMPLES = tuple(each for each in FOR_USERS if MARK in text_of(each))


def test_the_documents_that_show_output_have_samples() -> None:
    assert {each.stem for each in WITH_SAMPLES} >= {"README", "audit", "bench", "drawing"}


@pytest.mark.parametrize("document", WITH_SAMPLES, ids=lambda path: path.name)
def test_samples_are_what_the_program_prints(
    document: Path, remake_golden: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(CHECKOUT)
    text = text_of(document)
    found = samples(text)

    if remake_golden:
        for sample in reversed(found):
            text = text[: sample.start] + now(sample) + text[sample.end :]
        document.write_text(text, encoding="utf-8")
        found = samples(text)

    assert len(found) == text.count(MARK)
    assert found
    assert {sample.text: differences(sample.text, now(sample)) for sample in found} == {
        sample.text: [] for sample in found
    }


@pytest.mark.parametrize("document", MANUAL, ids=lambda path: path.name)
def test_tables_of_the_manual_are_those_of_the_registers(
    document: Path, remake_golden: bool
) -> None:
    if remake_golden:
        document.write_text(with_tables(text_of(document)), encoding="utf-8")

    assert text_of(document) == with_tables(text_of(document))


@pytest.mark.parametrize(
    ("table", "topic"),
    [("roles", "drawing"), ("faults", "audit"), ("findings", "audit"), ("notes", "netlist")],
)
def test_the_table_of_a_register_is_in_the_manual_once(table: str, topic: str) -> None:
    found = [each.stem for each in MANUAL if f"<!-- table of: {table} -->" in text_of(each)]

    assert found == [topic]


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
    assert len(text_of(README).splitlines()) <= MOST_LINES


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_files_that_are_named_are_there(document: Path) -> None:
    text = text_of(document)
    linked = re.findall(r"\]\(([^)#:]+)\)", text)
    named = re.findall(
        r"`((?:netcheck|tests|circuits|grammar|\.ci)/[\w./-]*|\w+\.(?:py|toml|md))`", text
    )

    assert linked or named or document in MANUAL
    homes = (CHECKOUT, CHECKOUT / "netcheck")
    missing = {
        name for name in {*named} - OF_THE_USER if not any((home / name).exists() for home in homes)
    }
    missing |= {name for name in linked if not (document.parent / name).exists()}
    assert missing == set()


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_headings_that_are_linked_are_there(document: Path) -> None:
    for name, anchor in re.findall(r"\]\(([^)#:]*)#([^)]+)\)", text_of(document)):
        text = text_of(document.parent / name) if name else text_of(document)
        headings = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
        assert anchor in {
            re.sub(r"[^\w -]", "", each.lower()).replace(" ", "-") for each in headings
        }


def commands() -> set[str]:
    return {command.callback.__name__ for command in cli.app.registered_commands}


@cache
def usage_of(command: str) -> str:
    return CliRunner().invoke(cli.app, [command, "--help"]).stdout


def shell_blocks(text: str) -> str:
    """Return what stands between fences that name no language."""
    fenced = re.findall(r"^```(\w*)\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    return "".join(block for language, block in fenced if not language)


def test_every_command_is_in_the_readme() -> None:
    blocks = shell_blocks(text_of(README))

    assert set(re.findall(r"^netcheck (\w+)", blocks, re.MULTILINE)) == commands()


@pytest.mark.parametrize("document", FOR_USERS, ids=lambda path: path.name)
def test_commands_are_understood(document: Path) -> None:
    text = text_of(document)
    blocks = shell_blocks(text)
    lines = re.findall(r"^netcheck (\w+)(.*?)(?:\s+#.*)?$", blocks, re.MULTILINE)
    lines += re.findall(r"`netcheck ([a-z]+)\b([^`]*)`", text)

    assert {name for name, _ in lines} <= commands()
    for name, rest in lines:
        options = re.findall(r"--[\w-]+", rest)
        assert all(option in usage_of(name) or option == "--help" for option in options)


@pytest.mark.parametrize("document", [README, OF_AUDIT], ids=lambda path: path.name)
def test_every_verdict_and_exit_code_is_told(document: Path) -> None:
    text = text_of(document)
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


def help_on(*arguments: str) -> str:
    result = CliRunner().invoke(cli.app, ["help", *arguments])
    assert result.exit_code == 0, result.output
    return result.stdout


def test_help_lists_each_topic_on_one_line_and_the_readme_links_it() -> None:
    listed = help_on().partition("\n\n")[0].splitlines()

    assert [line.split()[0] for line in listed] == topics() == [each.stem for each in MANUAL]
    assert all(f"](netcheck/manual/{topic}.md)" in text_of(README) for topic in topics())


@pytest.mark.parametrize("document", MANUAL, ids=lambda path: path.name)
def test_help_shows_all_of_a_topic(document: Path) -> None:
    text = text_of(document)
    shown = help_on(document.stem.upper())

    assert "<!--" not in shown
    assert "```" not in shown
    for block in re.findall(r"^```\w*\n(.*?)^```$", text, re.MULTILINE | re.DOTALL):
        assert "\n".join(line.rstrip() for line in block.splitlines()) in shown
    for heading in re.findall(r"^#+ (.+)$", text, re.MULTILINE):
        assert f"\n{heading.replace('`', '')}\n---" in shown


def test_help_on_an_unknown_topic_suggests_one() -> None:
    near = CliRunner().invoke(cli.app, ["help", "netlst"])
    far = CliRunner().invoke(cli.app, ["help", "xyzzy"])

    assert near.exit_code == far.exit_code == shell.EXIT_UNANSWERED
    assert "no topic `netlst`\nhint: did you mean `netlist`?" in near.output
    assert all(topic in far.output for topic in topics())


def test_help_is_paged_on_a_terminal() -> None:
    above, below = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "netcheck", "help", "json"],
        cwd=CHECKOUT,
        env={**os.environ, "PAGER": "cat -n", "TERM": "xterm"},
        stdin=below,
        stdout=below,
    ) as program:
        os.close(below)
        shown = _read_to_the_end(above)
        program.wait(60)
    os.close(above)

    assert program.returncode == 0
    assert re.search(r"^ +2\s.*JSON", shown, re.MULTILINE)


def _read_to_the_end(terminal: int) -> str:
    """Read until the other side is closed, which Linux reports as an error."""
    pieces = []
    while True:
        try:
            piece = os.read(terminal, 4096)
        except OSError:
            break
        if not piece:
            break
        pieces.append(piece)
    return b"".join(pieces).decode()
