"""Options that reach the solver: the same in every command that solves, or refused by it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import typer.main
from typer.core import TyperGroup
from typer.testing import CliRunner

from netcheck.cli import app

CIRCUIT = Path(__file__).resolve().parents[1] / "circuits" / "12ax7_preamp.cir"
IDLE_ONLY = "it solves no signal"
NO_READING = "it shows what is solved, not what a meter would read"
NOMINAL = "it draws no units"
IN_PART = "it needs all its states; Ctrl-C ends it"
BY_POLICY = "its policy asks for units, not the command line"

REFUSED = {
    "--frequency": dict.fromkeys(("expect", "diagnose", "draw"), IDLE_ONLY),
    "--duty": dict.fromkeys(("expect", "diagnose", "draw", "annotate"), IDLE_ONLY),
    "--meter": dict.fromkeys(("sweep", "compare", "annotate", "draw", "gate"), NO_READING),
    "--mains": dict.fromkeys(("sweep", "compare", "annotate", "draw"), NOMINAL)
    | {"gate": BY_POLICY},
    "--draws": dict.fromkeys(("sweep", "compare", "annotate", "draw"), NOMINAL)
    | {"gate": BY_POLICY},
    "--seed": dict.fromkeys(("sweep", "compare", "annotate", "draw"), NOMINAL)
    | {"gate": BY_POLICY},
    "--jobs": {},
    "--tubes": {},
    "--limit": {},
    "--keep-deck": {},
    "--budget": dict.fromkeys(("expect", "diagnose", "annotate", "draw"), IN_PART),
}
"""By option the commands that refuse it, and why."""
UNSOLVED = {"convert", "tubes", "faults", "fit", "help"}
"""Commands that solve no netlist."""


def options_of() -> dict[str, dict[str, Any]]:
    """Return by command the options by their long names."""
    group = typer.main.get_command(app)
    assert isinstance(group, TyperGroup)
    return {
        name: {one: each for each in command.params for one in each.opts if one.startswith("--")}  # type: ignore[misc]
        for name, command in group.commands.items()
    }


@pytest.mark.parametrize("option", REFUSED)
def test_every_command_that_solves_takes_an_option_or_refuses_it(option: str) -> None:
    every = options_of()
    taking = {name for name, known in every.items() if option in known} - UNSOLVED

    assert taking == every.keys() - UNSOLVED - REFUSED[option].keys()
    for name in REFUSED[option]:
        refused = CliRunner().invoke(app, [name, str(CIRCUIT), option, "1"])
        assert refused.exit_code == 2
        assert "No such option" in refused.output


@pytest.mark.parametrize("option", REFUSED)
def test_an_option_is_written_alike_in_every_command(option: str) -> None:
    found = [
        known[option] for name, known in options_of().items()
        if option in known and name not in UNSOLVED
    ]  # fmt: skip
    assert len({(one.metavar, tuple(sorted(one.opts)), one.multiple) for one in found}) == 1


@pytest.mark.parametrize(
    "words",
    [
        "audit FILE --idle-only", "compare FILE FILE --idle-only", "sweep FILE C2 leaky",
        "expect FILE", "annotate FILE", "draw FILE",
    ],
)  # fmt: skip
def test_bounds_on_netlist_and_solver_reach_every_command(words: str) -> None:
    line = [str(CIRCUIT) if word == "FILE" else word for word in words.split()]
    refused = CliRunner().invoke(app, [*line, "--limit", "parts=3"])
    assert refused.exit_code == 2
    assert "--limit parts=" in refused.output

    late = CliRunner().invoke(app, [*line, "--limit", "time=1ns"])
    assert "no answer within 1e-09 s" in " ".join(late.output.split())


def test_a_meter_of_the_user_loads_what_audit_reads() -> None:
    def nets(meter: str) -> dict[str, float]:
        words = ["audit", str(CIRCUIT), "--idle-only", "--format", "json", "--meter", meter]
        answer = CliRunner().invoke(app, words)
        assert answer.exit_code == 0
        found: dict[str, float] = json.loads(answer.stdout)["healthy"]["conditions"]["idle"]["nets"]
        return found

    assert nets("100kohm")["p1"] < nets("none")["p1"] - 10.0
