"""`netcheck tubes` and `netcheck faults`, as text and JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from netcheck.cli import app
from netcheck.tubes.library import load_library


def run(*arguments: str) -> Result:
    return CliRunner().invoke(app, list(arguments), env={"COLUMNS": "100"})


def test_every_type_is_listed_on_one_line() -> None:
    text = CliRunner().invoke(app, ["tubes"], env={"COLUMNS": "80"}).stdout
    rows = {line.split()[0]: " ".join(line.split()[1:]) for line in text.splitlines() if line}

    assert set(load_library().names) <= set(rows)
    assert len(text.splitlines()) < len(load_library().names) + 15
    assert rows["EL34"] == "pentode 25 W all from memory"
    assert rows["12AT7"] == "twin triode 2.5 W 5 of 6 from memory"
    assert rows["ECL82"] == "pentode + triode 7 W + 1 W all from memory"
    assert rows["GZ34"].startswith("rectifier - ")
    assert rows["6L6GC"].startswith("beam tetrode 30 W ")


def test_several_types_are_shown_in_full() -> None:
    both = run("tubes", "el34", "5AR4")
    listed = json.loads(run("tubes", "el34", "5AR4", "--format", "json").stdout)["tubes"]

    assert both.stdout == run("tubes", "EL34").stdout + run("tubes", "GZ34").stdout
    assert [entry["name"] for entry in listed] == ["EL34", "GZ34"]
    assert run("tubes", "EL34", "EL35X9").exit_code == 2
    assert "only one" in run("tubes", "EL34", "EL84", "--plot", "x.png").stderr


def test_every_type_in_full_has_the_order_of_its_pins() -> None:
    text = run("tubes", *load_library().names).stdout

    for tube in load_library().all_types():
        for section in tube.unlike_sections:
            assert f"Card: X1 {' '.join(section.electrodes)} {tube.name} " in text


def test_a_bulb_of_two_kinds_is_listed_whole() -> None:
    text = run("tubes", "ECL82").stdout
    (entry,) = json.loads(run("tubes", "ECL82", "--format", "json").stdout)["tubes"]

    assert "Card: X1 plate screen grid cathode ECL82 " in text
    assert "Card: X1 plate grid cathode ECL82 " in text
    assert entry["companion"]["x_card_pins"] == ["plate", "grid", "cathode"]
    assert entry["companion"]["accuracy"]["figures"]


def test_a_rectifier_shows_its_drop_and_both_cards() -> None:
    text = run("tubes", "5AR4").stdout

    assert "Card: X1 plate plate_2 cathode GZ34 " in text
    assert "Card: X1 plate cathode GZ34 " in text
    assert "- 17 V at 225 mA (published" in text


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


def test_one_type_shows_accuracy_and_substitutes() -> None:
    text = " ".join(run("tubes", "EL34").stdout.split())

    assert "Accuracy of the current law, model over sheet:" in text
    assert "1 held out row, furthest off: plate current" in text
    assert "What else is found in its socket:" in text
    assert "6L6GC (common): pin 1, tied to the cathode for an EL34" in text
    assert "heater 900 mA in place of 1.5 A" in text


def test_a_type_with_few_rows_says_that_nothing_was_held_out() -> None:
    text = " ".join(run("tubes", "5751").stdout.split())

    assert "nothing held out of the fit: there are fewer than three published rows" in text


def test_a_missed_row_is_said_with_its_figures() -> None:
    text = " ".join(run("tubes", "KT88").stdout.split())

    assert "misses its bar of 10 %: cathode current at 349 V, screen 349 V, grid -40 V" in text


def test_json_says_accuracy_and_substitutes() -> None:
    (entry,) = json.loads(run("tubes", "12AX7", "--format", "json").stdout)["tubes"]
    figures = entry["accuracy"]["figures"]

    assert {figure["status"] for figure in figures} == {"fitted"}
    for figure in figures:
        assert figure["deviation"] == pytest.approx(
            figure["model"] / figure["published"] - 1, abs=1e-4
        )
        assert figure["missed"] == (abs(figure["deviation"]) > figure["bar"])
    assert "12AT7" in {each["type"] for each in entry["substitutes"]}


def test_own_types_are_listed_and_marked(tmp_path: Path) -> None:
    own = 'name = "MINE"\nbased_on = "EL84"\n\nlimits = [{ quantity = "plate_dissipation_w", '
    own += 'value = 7, rating_system = "not_stated", source = "me" }]\n[sources]\nme = "mine"\n'
    (tmp_path / "mine.toml").write_text(own, encoding="utf-8")
    folder = ("--tubes", str(tmp_path))

    assert "From your own files: MINE (" in " ".join(run("tubes", *folder).stdout.split())
    text = " ".join(run("tubes", "mine", *folder).stdout.split())
    assert "note: from your own file " in text
    (entry,) = json.loads(run("tubes", "MINE", "--format", "json", *folder).stdout)["tubes"]
    assert entry["own_file"] is True
    assert "no tube type `MINE`" in run("tubes", "MINE").stderr


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
    text = run("faults", "--all", "--format", form).stdout
    words = "".join(text.split())

    assert len(kinds) >= 5
    for kind in kinds:
        for fact in (kind.title, kind.does, kind.why, kind.model, kind.limits, kind.source):
            wanted = json.dumps(fact)[1:-1] if form == "json" else fact
            assert "".join(wanted.split()) in words
