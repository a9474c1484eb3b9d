"""`netcheck compare`: which parts correspond, and what a change does."""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from typer.testing import CliRunner

from netcheck.cli import app
from netcheck.models.comparison import Comparison, compare
from netcheck.pipeline import compare as audit_both
from netcheck.report import to_compare, to_json
from netcheck.report.progress import SilentProgress
from netcheck.workbench.settings import Settings

SINGLE = Path(__file__).parents[1] / "circuits" / "6v6_single_ended.cir"
Change = Callable[[str], str]


def compared(folder: Path, change: Change) -> Comparison:
    text = SINGLE.read_text(encoding="utf-8")
    before, after = folder / "before.cir", folder / "after.cir"
    before.write_text(text, encoding="utf-8")
    changed = change(text)
    assert changed != text
    after.write_text(changed, encoding="utf-8")
    options = Settings(idle_only=True, jobs=2)
    return compare(*audit_both((before, after), options, SilentProgress()))


def renamed(text: str) -> str:
    """Return the circuit with another output tube name and another cathode resistor name."""
    return text.replace("\nX2 ", "\nX7 ").replace("\nR8 ", "\nR80 ")


def hotter(text: str) -> str:
    """Return the circuit with a smaller cathode resistor: more current, nearer its limit."""
    line = next(one for one in text.splitlines() if one.startswith("R8 "))
    return text.replace(line, line.replace("270", "240"))


@pytest.fixture(scope="module")
def hot(tmp_path_factory: pytest.TempPathFactory) -> Comparison:
    return compared(tmp_path_factory.mktemp("hot"), hotter)


@pytest.fixture(scope="module")
def other_names(tmp_path_factory: pytest.TempPathFactory) -> Comparison:
    return compared(tmp_path_factory.mktemp("names"), renamed)


def test_renamed_parts_correspond_by_their_job_and_nothing_moved(other_names: Comparison) -> None:
    assert other_names.before_name["X7"] == "X2"
    assert other_names.before_name["R80"] == "R8"
    assert {(one.what, one.after.ref) for one in other_names.parts if one.after} == {
        ("renamed", "X7"),
        ("renamed", "R80"),
    }
    assert all(abs(load.moved) < 1e-6 for load in other_names.loads)
    assert all(move.better is None for move in other_names.faults)
    assert all(move.better is None for move in other_names.tipping)
    assert not [move for move in other_names.faults if None in (move.before, move.after)]


def test_a_hotter_output_stage_is_worse_in_every_view(hot: Comparison) -> None:
    plate = next(
        load for load in hot.loads if (load.part, load.quantity) == ("X2", "plate_dissipation_w")
    )
    leak = next(move for move in hot.tipping if move.fault_id == "C3/leaky")

    assert plate.moved > 0.02
    assert leak.better is False
    assert leak.before is not None
    assert leak.after is not None
    assert (leak.after.value or 0.0) > (leak.before.value or 0.0)
    assert any(move.better is False for move in hot.faults)
    assert [(one.what, one.after.ref) for one in hot.parts if one.after] == [("value", "R8")]


def test_text_says_what_changed_and_which_way(hot: Comparison) -> None:
    text = " ".join(to_compare.render(hot).split())

    assert "R8: value: 270 ohm" in text
    assert "240 ohm" in text
    assert "WORSE" in text
    assert "before: before.cir" in text


def test_json_has_both_sides(hot: Comparison) -> None:
    loaded = json.loads(to_json.render(hot))

    (part,) = loaded["parts"]
    assert (part["before"]["value"], part["after"]["value"]) == (270.0, 240.0)
    assert len(loaded["faults"]) >= len(hot.after.faults)
    places = [one["after"]["place"] for one in loaded["faults"] if one["after"]]
    assert places == list(range(1, len(hot.after.faults) + 1))


def check(document: object) -> None:
    validator = jsonschema.Draft202012Validator
    jsonschema.validate(document, to_json.schema_of("compare"), cls=validator)


def test_json_keeps_to_its_published_schema(
    hot: Comparison, other_names: Comparison, without: Comparison
) -> None:
    jsonschema.Draft202012Validator.check_schema(to_json.schema_of("compare"))

    for comparison in (hot, other_names, without):
        check(json.loads(to_json.render(comparison)))
    gone = json.loads(to_json.render(without))
    assert [one["what"] for one in gone["parts"]] == ["removed"]
    assert any(one["after"] is None for one in gone["faults"])


@pytest.mark.parametrize(
    "change",
    [
        lambda whole: whole.pop("renamed"),
        lambda whole: whole.update(schema_version=1.0),
        lambda whole: whole["before"].update(faults="226"),
        lambda whole: whole["after"].update(healthy_verdict="fine"),
        lambda whole: whole["parts"][0].update(what="painted"),
        lambda whole: whole["parts"][0]["after"].update(value="240"),
        lambda whole: whole["loads"][0].pop("before"),
        lambda whole: whole["loads"][0]["after"].pop("rating_system"),
        lambda whole: whole["tipping_points"][0].update(better="no"),
        lambda whole: whole["faults"][0]["after"].update(place=0),
        lambda whole: whole["faults"][0].update(fault_id="no slash"),
    ],
)
def test_the_schema_refuses_what_is_missing_or_of_another_type(
    hot: Comparison, change: Callable[[dict[str, Any]], object]
) -> None:
    document = json.loads(to_json.render(hot))
    changed = deepcopy(document)
    change(changed)

    check(document)
    with pytest.raises(jsonschema.ValidationError):
        check(changed)


@pytest.mark.parametrize("name", ["verdict", "stress", "tipping_point"])
def test_the_schema_says_of_loads_and_verdicts_what_that_of_the_audit_says(name: str) -> None:
    assert to_json.schema_of("compare")["$defs"][name] == to_json.schema_of("audit")["$defs"][name]


@pytest.fixture(scope="module")
def without(tmp_path_factory: pytest.TempPathFactory) -> Comparison:
    def no_bypass(text: str) -> str:
        return "\n".join(x for x in text.split("\n") if not x.startswith("C4 "))

    return compared(tmp_path_factory.mktemp("without"), no_bypass)


def test_what_only_one_has_is_named(without: Comparison) -> None:
    text = " ".join(to_compare.render(without).split())
    assert "C4 removed: " in text
    assert "Only before: " in text
    assert "C4/shorted" in text


def test_the_command_needs_two_netlists_that_are_there(tmp_path: Path) -> None:
    result = CliRunner().invoke(app, ["compare", str(SINGLE), str(tmp_path / "no.cir")])

    assert result.exit_code == 2
    assert "there is no file" in result.stderr
