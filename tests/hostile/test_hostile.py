"""Hostile netlists: nothing in them runs, reads or writes beyond their folder.

Each file of `netlists/` is audited in a folder with a start file of ngspice beside it
and in the home folder, a secret above it and a link to that secret.  Whatever comes
out, no file may appear, no secret and no escape code may be shown, and the answer is
a report or one clear message.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from typer.testing import CliRunner

from netcheck.cli import app

NETLISTS = Path(__file__).parent / "netlists"
START_FILE = "shell touch stolen_at_start\nset ngbehavior=lt\nset temp=200\n"
SECRET = "R99 k 0 123.456 ;! power=1W\n"
REFUSED = {
    "control_continued": "was not expected here",
    "shell_call": "no function `shell`",
    "system_call": "no function `system`",
    "file_source": "begins with `A`",
    "control_as_title": "no card begins with `s`",
    "write_card": "the card `.write` is not read",
    "code_model": "the card `.codemodel` is not read",
    "file_functions": "was not expected here",
    "expression_bomb": "a power too large",
    "doubling_parameters": "absurd resistance",
    "many_parts": "more than 20000 parts, the limit",
}
"""What is refused, and words of the message; all others are audited."""
FINDINGS = {
    "control_after_end": "after-end",
    "control_block": "control-set-aside",
    "control_in_capitals": "control-set-aside",
    "include_absolute": "include-skipped",
    "include_parent": "include-skipped",
    "include_link": "include-skipped",
    "include_home": "include-skipped",
    "pwl_file": "file-not-read",
}


def test_every_refused_name_is_a_file() -> None:
    assert {*REFUSED, *FINDINGS} <= {path.stem for path in NETLISTS.glob("*.cir")}


@pytest.mark.parametrize("name", sorted(path.stem for path in NETLISTS.glob("*.cir")))
def test_nothing_runs_and_nothing_leaks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    home = tmp_path / "home"
    home.mkdir()
    (tmp_path / "secret.inc").write_text(SECRET)
    (home / "link.inc").symlink_to(tmp_path / "secret.inc")
    for start_file in (".spiceinit", "spice.rc", ".bashrc"):
        (home / start_file).write_text(START_FILE)
    (home / "amp.cir").write_bytes((NETLISTS / f"{name}.cir").read_bytes())
    monkeypatch.chdir(home)
    monkeypatch.setenv("HOME", str(home))
    before = _files(tmp_path)

    result = CliRunner().invoke(app, ["audit", "amp.cir", "--idle-only", "-j", "1"])
    facts = CliRunner().invoke(
        app, ["audit", "amp.cir", "--idle-only", "-j", "1", "--format", "json"]
    )

    assert result.exit_code in (0, 1, 2), result.output
    assert _files(tmp_path) == before
    shown = result.output + facts.stdout
    assert "Traceback" not in shown
    assert "123.456" not in shown
    assert "root:" not in shown
    assert str(tmp_path) not in shown
    assert all(letter.isprintable() or letter == "\n" for letter in result.output)
    if result.exit_code == 2:
        assert name in REFUSED
        assert REFUSED[name] in result.stderr
        assert result.stderr.startswith("error: ")
    else:
        assert name not in REFUSED
        rules = {finding["rule"] for finding in json.loads(facts.stdout)["findings"]}
        assert FINDINGS.get(name) in {*rules, None}


def _files(folder: Path) -> list[tuple[str, int]]:
    return sorted(
        (os.path.relpath(path, folder), path.lstat().st_mtime_ns)
        for path in folder.rglob("*")
        if not path.is_dir()
    )
