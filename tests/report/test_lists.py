"""`netcheck tubes` and `netcheck faults`, as text and JSON."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner, Result

from netcheck.cli import app
from netcheck.tubes.library import load_library


def run(*arguments: str) -> Result:
    return CliRunner().invoke(app, list(arguments), env={"COLUMNS": "100"})


def test_every_type_is_listed_with_the_order_of_its_pins() -> None:
    text = run("tubes").stdout

    for tube in load_library().all_types():
        assert f"Card: X1 {' '.join(tube.electrodes)} {tube.name} " in text


def test_every_limit_has_value_system_and_source() -> None:
    tube = load_library().find("EL34")
    assert tube is not None
    text = run("tubes", "el34").stdout

    assert "plate screen grid cathode EL34" in text
    words = "".join(text.split())
    for limit in tube.limits:
        assert limit.rating_system.replace("_", "-") in text
        assert limit.source.split()[0] in words


def test_json_has_the_same_facts() -> None:
    listed = json.loads(run("tubes", "--format", "json").stdout)["tubes"]

    assert {entry["name"] for entry in listed} == set(load_library().names)
    for entry in listed:
        assert entry["x_card_pins"][0] == "plate"
        assert all(limit["source"].strip() for limit in entry["limits"])


def test_one_type_as_json() -> None:
    listed = json.loads(run("tubes", "6V6GT", "--format", "json").stdout)["tubes"]

    assert [entry["name"] for entry in listed] == ["6V6GT"]


def test_ambiguous_name_warns() -> None:
    assert "warning: " in run("tubes", "6L6").stdout


def test_unknown_type_suggests_a_near_one() -> None:
    result = run("tubes", "EL35X9")

    assert result.exit_code == 2
    assert "no tube type `EL35X9` is on file" in result.stderr
    assert "hint: " in result.stderr


@pytest.mark.parametrize("form", ["text", "json"])
def test_every_kind_of_fault_says_model_likelihood_and_source(form: str) -> None:
    kinds = pytest.importorskip("netcheck.faults").FAULT_KINDS
    text = run("faults", "--format", form).stdout
    words = "".join(text.split())

    assert len(kinds) >= 5
    for kind in kinds:
        for fact in (kind.title, kind.model, kind.likelihood, kind.source):
            wanted = json.dumps(fact)[1:-1] if form == "json" else fact
            assert "".join(wanted.split()) in words
