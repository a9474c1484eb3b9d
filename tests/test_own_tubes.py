"""Tubes that are not on file: own data files, own `.subckt` models, ratings in notes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from netcheck.cli import app
from netcheck.judge.tube_limits import tube_limits
from netcheck.pipeline import load_circuit

OWN = """\
name = "MYTUBE"
based_on = "6V6GT"

limits = [
  { quantity = "plate_dissipation_w", value = 9, rating_system = "not_stated", source = "me" },
]

[sources]
me = "measured here"
"""
STAGE = """\
Single-ended stage with a tube of the builder's own
VHT b 0 250 ;! follows_mains
X1 p b g k {tube}
RG g 0 470k
RK k 0 250
CK k 0 100u
L1 b p 10
L2 s 0 16m
K1 L1 L2 0.999
RL s 0 8 ;! speaker
{model}
.end
"""
MODEL = """\
.subckt MYTUBE plate screen grid cathode
BP plate cathode i=2e-3*pwr(max(v(screen,cathode)/9+v(grid,cathode),1e-9),1.5)/3
BS screen cathode i=2e-4*pwr(max(v(screen,cathode)/9+v(grid,cathode),1e-9),1.5)/3
.ends
"""


def write(folder: Path, tube: str, model: str = "", own: str = "") -> tuple[Path, Path | None]:
    """Write the circuit and the folder of own types."""
    circuit = folder / "stage.cir"
    circuit.write_text(STAGE.format(tube=tube, model=model), encoding="utf-8")
    if not own:
        return circuit, None
    types = folder / "types"
    types.mkdir()
    (types / "mine.toml").write_text(own, encoding="utf-8")
    return circuit, types


def audit(circuit: Path, *options: str, **env: str) -> Result:
    always = ("--idle-only", "--jobs", "1", "--format", "json", "--fail-at", "never")
    return CliRunner().invoke(app, ["audit", str(circuit), *always, *options], env=env)


def watts(folder: Path, tube: str, model: str = "", own: str = "") -> set[float]:
    """Return the plate ratings that X1 is judged by."""
    part = load_circuit(*write(folder, tube, model, own)).parts["X1"]
    return {
        limit.limit
        for limit in tube_limits(part, "pentode", ())
        if limit.quantity == "plate_dissipation_w"
    }


def judged(value: object) -> Iterator[float]:
    """Return every limit that the report compares the plate of X1 with."""
    if isinstance(value, dict):
        named = (value.get("part"), value.get("quantity")) == ("X1", "plate_dissipation_w")
        if named and "limit" in value:  # a row of the spread at tolerance has none
            yield value["limit"]
        value = list(value.values())
    if isinstance(value, list):
        for inner in value:
            yield from judged(inner)


def test_a_type_of_an_own_file_is_solved_and_judged(tmp_path: Path) -> None:
    circuit, types = write(tmp_path, "MYTUBE", own=OWN)
    by_option = audit(circuit, "--tubes", str(types))
    by_environment = audit(circuit, NETCHECK_TUBES=str(types))

    assert by_option.exit_code == 0
    assert set(judged(json.loads(by_option.stdout))) == {9}
    assert "those of your own file mine.toml" in by_option.stdout
    assert str(tmp_path / "types") not in by_option.stdout
    assert by_environment.stdout == by_option.stdout


def test_an_own_model_is_judged_by_the_own_file_of_its_name(tmp_path: Path) -> None:
    assert watts(tmp_path, "MYTUBE", MODEL, OWN) == {9}


@pytest.mark.parametrize(
    ("note", "limit"), [("plate_power=14W", 14), ("type=EL84", 12), ("type=6V6GT", 12)]
)
def test_an_own_model_without_a_file_is_judged_by_its_note(
    tmp_path: Path, note: str, limit: float
) -> None:
    assert watts(tmp_path, f"MYTUBE ;! {note}", MODEL) == {limit}


def test_an_own_model_with_the_name_of_a_type_on_file(tmp_path: Path) -> None:
    assert watts(tmp_path, "6V6GT", MODEL.replace("MYTUBE", "6V6GT")) == {12}


def test_a_mistake_in_the_folder_is_one_message(tmp_path: Path) -> None:
    circuit, types = write(tmp_path, "MYTUBE", own=OWN.replace("value = 9", 'value = "nine"'))
    result = audit(circuit, "--tubes", str(types))

    assert result.exit_code == 2
    assert "mine.toml: limits.0.value: " in result.stderr
    assert "Traceback" not in result.stderr


POINTS = """\
plate_v,screen_v,grid_v,plate_ma,screen_ma
250,250,-12.5,45,4.5
180,180,-8.5,29,3
250,250,-15,35,2.5
"""


def test_measured_points_become_a_type(tmp_path: Path) -> None:
    """The points are those of a 6V6GT (RCA RC-30, 1975, from memory)."""
    points, types = tmp_path / "points.csv", tmp_path / "types"
    points.write_text(POINTS, encoding="utf-8")
    types.mkdir()
    asked = ["fit", str(points), "--type", "pentode", "--like", "6V6GT", "--name", "MINE"]
    printed = CliRunner().invoke(app, asked)
    written = CliRunner().invoke(app, [*asked, "-o", str(types / "mine.toml")])
    listed = CliRunner().invoke(app, ["tubes", "MINE", "--tubes", str(types)])

    assert (printed.exit_code, written.exit_code, listed.exit_code) == (0, 0, 0)
    assert (types / "mine.toml").read_text(encoding="utf-8") == printed.stdout
    assert "3 points, all fitted; furthest off: " in written.stdout
    assert "No point is near zero bias" in written.stdout
    assert "measured by the user" in " ".join(listed.stdout.split())


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--type", "triode"), "a triode has no screen"),
        (("--type", "pentode", "--like", "12AX7"), "--like 12AX7: it is a triode, not a pentode"),
        (("--type", "pentode", "--like", "NOTUBE9"), "no tube type `NOTUBE9` is on file"),
        (("--type", "pentode", "--name", "-"), "a tube needs a name"),
        (("--type", "pentode", "-o", "nowhere/x.toml"), "there is no folder nowhere"),
    ],
)
def test_what_cannot_be_fitted(tmp_path: Path, options: tuple[str, ...], message: str) -> None:
    points = tmp_path / "points.csv"
    points.write_text(POINTS, encoding="utf-8")
    result = CliRunner().invoke(app, ["fit", str(points), *options])

    assert result.exit_code == 2
    assert message in result.stderr
    assert "Traceback" not in result.stderr
