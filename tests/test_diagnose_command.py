"""`netcheck diagnose` as a user meets it: a real fault found, and every way to go wrong.

The dictionary of one amplifier is solved once into a folder that all tests share.
"""

from __future__ import annotations

import json
import os
import re
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner, Result

from netcheck.circuit.changes import AddResistor
from netcheck.cli import app
from netcheck.pipeline import load_circuit
from netcheck.report import progress
from netcheck.solve.pool import Pool
from netcheck.solve.results import Solved
from netcheck.workbench.sweep import IdleTask, idle_outcomes

ROOT = Path(__file__).parents[1]
SINGLE = ROOT / "circuits" / "6v6_single_ended.cir"
NO_ENGINE = {"NGSPICE_LIBRARY_PATH": "/nowhere/libngspice.so"}
LEAK_OHM, METER_OHM = 10e6, 10e6
TINY = """one triode
VHT ht 0 250
VIN in 0 0 ;! input
R1 in 0 1Meg
X1 p in k 12AX7
R2 ht p 100k
R3 k 0 1.5k
C1 p out 100n
R4 out 0 1Meg
.end
"""

Diagnose = Callable[..., Result]


def run(*arguments: object, typed: str | bytes = "", **environment: str) -> Result:
    asked = ["diagnose", *map(str, arguments)]
    return CliRunner().invoke(app, asked, input=typed, env=environment)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pages")


@pytest.fixture(scope="module")
def diagnose(folder: Path) -> Diagnose:
    """Return the command on the amplifier, with its dictionary solved and kept."""

    def call(*arguments: object, typed: str | bytes = "", **environment: str) -> Result:
        return run(
            SINGLE, "--draws", 50, "--mains", "none", "--dictionary", folder, *arguments,
            typed=typed, **environment,
        )  # fmt: skip

    first = call("-j", 2)
    assert first.exit_code == 0, first.output
    assert list(folder.iterdir())
    return call


@pytest.fixture(scope="module")
def leaking() -> dict[str, float]:
    """What an ideal meter reads in the unit with the leak, solved apart from any dictionary."""
    circuit = load_circuit(SINGLE)
    leak = AddResistor("leak", "p1", "a2", LEAK_OHM)
    with Pool(1) as pool:
        task = IdleTask(pool.share("unit", circuit), "idle")
        outcome = idle_outcomes(pool, task, [(leak, AddResistor("m", "g2", "0", METER_OHM))])[0]
    assert isinstance(outcome, Solved)
    return dict(outcome.nets)


@pytest.fixture
def tiny(tmp_path: Path) -> Path:
    path = tmp_path / "tiny.cir"
    path.write_text(TINY)
    return path


def answer(result: Result) -> dict[str, Any]:
    assert result.exit_code == 0, result.output
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def cause(found: dict[str, Any], name: str) -> dict[str, Any]:
    return next(one for one in found["causes"] if one["id"] == name)


def complaint(result: Result) -> str:
    """Return the one clear message of a run that could not answer."""
    assert (result.exit_code, result.stdout) == (2, ""), result.output
    assert result.stderr.startswith("error: ")
    assert "Traceback" not in result.stderr
    assert "has a bug" not in result.stderr
    return result.stderr


def test_a_leaking_coupler_is_among_the_first(
    diagnose: Diagnose, leaking: dict[str, float]
) -> None:
    # the tubes are out for the leak: what stands before it is the supply of the driver
    before_v = leaking["ht0"]
    leak_v = before_v * METER_OHM / (METER_OHM + LEAK_OHM + 100e3 + 23e3 + 120)
    readings = [
        f"V(g2)={leaking['g2']:.4g}V", f"V(k2)={leaking['k2']:.4g}V", f"leak(C3)={leak_v:.4g}V",
    ]  # fmt: skip
    options = [each for one in readings for each in ("--reading", one)]

    text = diagnose(*options)
    found = answer(diagnose(*options, "--format", "json"))

    first = cause(found, "C3/leaky")
    amount, prefix = re.fullmatch(r"([\d.]+) ([kM])ohm", first["best_size"]).groups()  # type: ignore[union-attr]
    assert first["rank"] == 1
    assert first["probability"] > 0.9
    assert float(amount) * {"k": 1e3, "M": 1e6}[prefix] == pytest.approx(LEAK_OHM, rel=0.15)
    assert "C3/leaky" in found["groups"][0]["causes"]
    assert "Likeliest: C3 leaky (" in text.stdout
    assert text.stderr == ""


def test_volts_alone_leave_the_coupler_in_the_first_group(diagnose: Diagnose) -> None:
    """40 Mohm from the plate at 157 V into 391.5 kohm: 1.5 V by Ohm's law, and no plate hot."""
    found = answer(diagnose("--reading", "V(g2)=1.5V", "--format", "json"))

    size, unit = cause(found, "C3/leaky")["best_size"].split()
    assert "C3/leaky" in found["groups"][0]["causes"]
    assert len(found["groups"][0]["causes"]) > 1
    assert unit == "Mohm"
    assert float(size) == pytest.approx(40.0, rel=0.4)
    assert found["groups"][0]["splits"]
    assert found["probes"]
    assert found["settled"] is None


def test_a_glowing_plate_speaks_for_what_overheats_it(diagnose: Diagnose) -> None:
    glow, none = (
        answer(diagnose("--seen", f"glow(X2)={word}", "--format", "json", **NO_ENGINE))
        for word in ("yes", "no")
    )

    shorted = cause(glow, "C4/shorted")
    assert shorted["overheats"]
    assert shorted["probability"] > 5.0 * shorted["prior"]
    assert cause(none, "C4/shorted")["probability"] < shorted["prior"]
    assert none["refused"] == []


def test_a_hot_plate_is_told_of_without_an_engine_for_reduced_mains(
    diagnose: Diagnose, folder: Path
) -> None:
    pages = set(folder.iterdir())

    result = diagnose("--seen", "glow(X2)=yes", **NO_ENGINE)

    assert result.exit_code == 0, result.output
    assert "a plate is well over its limit" in " ".join(result.stdout.split())
    assert ", at idle" not in result.stdout.partition("What to measure next")[2]
    assert set(folder.iterdir()) == pages


def test_the_load_of_an_analog_meter_is_solved(diagnose: Diagnose) -> None:
    circuit = load_circuit(SINGLE)
    with Pool(1) as pool:
        task = IdleTask(pool.share("unit", circuit), "idle")
        meters = [(AddResistor("m", "p1", "0", ohm),) for ohm in (10e6, 20e3 * 250.0)]
        solved = idle_outcomes(pool, task, meters)

    for meter, outcome in zip(("digital", "analog"), solved, strict=True):
        asked = ("--meter", meter, "--reading", "V(p1)=158V", "--format", "json")
        found = answer(diagnose(*asked, **NO_ENGINE))
        assert isinstance(outcome, Solved)
        assert found["readings"][0]["nominal"] == pytest.approx(outcome.nets["p1"], rel=2e-3)
    assert isinstance(solved[0], Solved)
    assert isinstance(solved[1], Solved)
    assert solved[1].nets["p1"] < 0.998 * solved[0].nets["p1"]


def test_an_untouched_old_set_has_leaking_capacitors(diagnose: Diagnose) -> None:
    unknown = answer(diagnose("--format", "json"))
    old = answer(diagnose("--build", "untouched_and_old", "--format", "json"))

    assert cause(old, "C3/leaky")["prior"] > 1.5 * cause(unknown, "C3/leaky")["prior"]
    assert cause(old, "R5/open")["prior"] <= cause(unknown, "R5/open")["prior"]
    assert any("untouched and old" in one for one in old["assumptions"])


def test_no_readings_are_ordered_by_likelihood_and_said_to_be(diagnose: Diagnose) -> None:
    text = diagnose().stdout
    found = answer(diagnose("--format", "json"))

    assert "None yet: the order below is how common each fault is" in text
    assert found["readings"] == []
    assert all(
        one["probability"] == pytest.approx(one["prior"], abs=1e-5) for one in found["causes"]
    )


def test_a_file_and_options_together_the_last_counts(diagnose: Diagnose, tmp_path: Path) -> None:
    file = tmp_path / "list.txt"
    file.write_text("V(g2)=2.5V\nV(k2)=14V\nglow(X2)=no\n")

    found = answer(
        diagnose(
            "--readings", file, "--reading", "V(k2)=15V", "--reading", "V(p2)=258V",
            "--seen", "hum=no", "--format", "json",
        )
    )  # fmt: skip

    assert [one["text"] for one in found["readings"]] == [
        "V(g2)=2.5V@idle", "V(k2)=15V@idle", "V(p2)=258V@idle",
    ]  # fmt: skip
    assert [one["text"] for one in found["evidence"]] == ["glow(X2)=no", "hum=no"]


def test_the_printed_sheet_comes_back_filled_in(diagnose: Diagnose, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.csv"
    printed = CliRunner().invoke(
        app,
        [
            "expect",
            str(SINGLE),
            "--mains",
            "none",
            "--draws",
            "20",
            "--format",
            "csv",
            "-o",
            str(sheet),
        ],
    )
    assert printed.exit_code == 0, printed.output
    empty = diagnose("--readings", sheet)
    sheet.write_text(
        re.sub(r"(?m)^(idle/grid/X2,.*),$", r"\1,2.5", sheet.read_text()), encoding="utf-8-sig"
    )

    found = answer(diagnose("--readings", sheet, "--format", "json"))

    assert "there is no reading in" in complaint(empty)
    assert [one["text"] for one in found["readings"]] == ["V(g2)=2.5V@idle"]


def test_a_kept_dictionary_answers_without_an_engine_and_alike(
    diagnose: Diagnose, folder: Path, tmp_path: Path
) -> None:
    asked = ("--reading", "V(g2)=2.5V", "--format", "json")

    without = diagnose(*asked, **NO_ENGINE)
    missing = run(SINGLE, "--draws", 50, "--dictionary", tmp_path / "empty", *asked, **NO_ENGINE)

    assert without.stdout == diagnose(*asked).stdout
    assert answer(without)
    assert complaint(missing).count("error: ") == 1
    assert "apt install libngspice0" in missing.stderr
    assert not (tmp_path / "empty").exists()


@pytest.mark.parametrize("format", ["html", "svg", "text", "json"])
def test_every_format_can_be_written(diagnose: Diagnose, tmp_path: Path, format: str) -> None:
    output = tmp_path / f"out.{format}"

    result = diagnose("--reading", "V(g2)=2.5V", "--format", format, "-o", output)

    assert (result.exit_code, result.stdout, result.stderr) == (0, "", "")
    text = output.read_text()
    assert "V(g2)" in text
    assert str(tmp_path) not in text
    if format == "svg":
        assert ElementTree.fromstring(text).tag.endswith("svg")


def test_a_session_is_logged_and_gone_on_with(diagnose: Diagnose, tmp_path: Path) -> None:
    log = tmp_path / "log.txt"
    asked = ("--interactive", "--log", log)

    first = diagnose(
        *asked, "--reading", "V(g2)=2.5V", typed="rubbish\nV(k2)=14V\nglow(X2)=no\nstop\n"
    )
    lines = log.read_text().splitlines()
    second = diagnose(*asked, "--format", "json")

    assert first.exit_code == 0
    assert first.stderr.index("kill") < first.stderr.index("So far: ")
    assert "is not a value" in first.stderr
    assert "Traceback" not in first.stderr
    assert max(map(len, first.stderr.splitlines())) <= 100
    assert lines[1].startswith("# digital meter, 10 Mohm; --mains none, --build unknown: ")
    assert lines[2:] == ["V(g2)=2.5V@idle", "V(k2)=14V@idle", "glow(X2)=no"]
    found = answer(second)
    assert [one["text"] for one in found["readings"]] == lines[2:4]
    assert log.read_text().splitlines() == lines


def test_what_is_typed_need_not_be_text(diagnose: Diagnose) -> None:
    result = diagnose("--interactive", typed=b"\xff\xfe\n")

    assert result.exit_code == 0
    assert "is not a value" in result.stderr


def test_a_log_that_cannot_be_written_is_told_before_anything_is_asked(
    diagnose: Diagnose,
) -> None:
    result = diagnose("--interactive", "--log", "none/log", typed="1\n")

    assert result.exit_code == 2
    assert "error: the log none/log cannot be written: No such file" in result.stderr
    assert "So far" not in result.stderr


def test_a_dictionary_that_cannot_be_kept_is_a_remark(tiny: Path, tmp_path: Path) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.touch()

    found = answer(
        run(tiny, "--draws", 50, "-j", 1, "--dictionary", in_the_way, "--format", "json")
    )

    assert found["assumptions"][0].startswith("the dictionary could not be kept: ")


@pytest.mark.filterwarnings("error")
def test_nothing_is_printed_beside_the_report(diagnose: Diagnose) -> None:
    result = diagnose("--reading", "V(g2)=1.5V", "--reading", "R(ht)=open", "--seen", "hum=no")

    assert (result.exit_code, result.stderr) == (0, "")


def test_no_dictionary_keeps_none(tiny: Path, tmp_path: Path) -> None:
    folder, cache = tmp_path / "pages", tmp_path / "cache"

    result = run(
        tiny, "--draws", 50, "-j", 1, "--no-dictionary",
        NETCHECK_DICTIONARY=str(folder), XDG_CACHE_HOME=str(cache),
    )  # fmt: skip

    assert result.exit_code == 0
    assert not folder.exists()
    assert not cache.exists()


NEVER, AT_THE_END = 10**9, 10**8


class Interrupting:
    """Progress that presses Ctrl-C once it has come so far."""

    def __init__(self, after: int) -> None:
        self.after, self.done = after, 0

    def start(self, label: str, total: int) -> None:
        if self.after == 0:
            self.press()

    def advance(self, count: int = 1) -> None:
        self.done += count
        if self.done >= self.after:
            self.press()

    def press(self) -> None:
        self.after = NEVER
        os.kill(os.getpid(), signal.SIGINT)

    def finish(self) -> None:
        if self.after == AT_THE_END:
            self.press()


@pytest.mark.parametrize("after", [0, 7, AT_THE_END])
def test_ctrl_c_ends_cleanly_and_keeps_no_half_page(
    tiny: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    folder = tmp_path / "pages"

    @contextmanager
    def pressed() -> Iterator[Interrupting]:
        yield Interrupting(after)

    monkeypatch.setattr(progress, "progress_for_terminal", pressed)

    result = run(tiny, "--draws", 50, "-j", 1, "--dictionary", folder)

    assert result.exit_code == 130
    assert result.stderr == "interrupted\n"
    assert result.stdout == ""
    assert not folder.exists()


def test_ctrl_c_at_a_question_keeps_what_was_answered(
    diagnose: Diagnose, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    command = import_module("netcheck.cli.diagnose")
    log, typed = tmp_path / "log", iter(["V(k2)=14V"])

    def ask(*_: object) -> str:
        found = next(typed, None)
        if found is None:
            raise KeyboardInterrupt
        return found

    monkeypatch.setattr(command, "_answer", ask)

    result = diagnose("--interactive", "--log", log)

    assert result.exit_code == 130
    assert log.read_text().splitlines()[2:] == ["V(k2)=14V@idle"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--reading", "V(g3)=1V"), "--reading: there is no net g3"),
        (("--reading", "V(g2)=nan"), "`nan` is not a value"),
        (("--reading", "V(g2)=1e300"), "cannot be: it is more than 100 kV"),
        (("--reading", "R(g2)=-1"), "a resistance is not below zero"),
        (("--reading", "V(g2)=1V@noon"), "there is no situation `noon`"),
        (("--reading", "V(\x1b[31mg2)=1V"), "there is no net"),
        (("--seen", "glow(R8)=yes"), "R8 is a resistor, not a tube"),
        (("--seen", "swap(X2)=stayed"), "no other socket holds a tube like that of X2"),
        (("--readings", "missing"), "missing cannot be read: No such file"),
        (("--readings", "."), "Is a directory"),
        (("--readings", "/dev/null"), "there is no reading in null"),
        (("--log", "log"), "--log does nothing without --interactive"),
        (("--interactive", "--log", "x", "-o", "x"), "are the same file"),
        (("--interactive", "--log", "a" * 300), "name too long"),
        (("--meter", "ten"), "--meter: `ten` is not a value"),
        (("--mains", "999V"), "--mains: "),
        (("--age", "old"), "--age: "),
        (("-o", "none/out"), "cannot write none/out"),
    ],
    ids=lambda value: "" if isinstance(value, str) else " ".join(value)[:30],
)
def test_a_mistake_is_one_clear_message(
    diagnose: Diagnose, arguments: tuple[str, ...], said: str
) -> None:
    message = complaint(diagnose(*arguments))

    assert said in message
    assert "\x1b" not in message


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("no tube\nV1 a 0 10\nR1 a 0 1k\n.end\n", "there is no tube in this circuit"),
        (TINY.replace("VHT ht 0 250", "VHT ht 0 0"), "no tube conducts in the healthy circuit"),
        (TINY.replace("100k", "1e-40"), "error: "),
        ("", "error: "),
    ],
    ids=["no tubes", "no supply", "absurd", "empty"],
)
def test_a_netlist_that_cannot_be_diagnosed(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "bad.cir"
    path.write_text(text)

    message = complaint(run(path, "-j", 1, "--draws", 50, "--dictionary", tmp_path / "pages"))

    assert said in message


def test_hostile_names_pass_through_every_format(tmp_path: Path) -> None:
    hostile = TINY.replace("one triode", "<img src=x> \x1b[31m [bold]").replace(" out", " <b>o?#")
    path = tmp_path / "hostile.cir"
    path.write_text(hostile)
    asked = (path, "--draws", 50, "-j", 1, "--dictionary", tmp_path / "pages",
             "--reading", "V(<b>o?#)=0V")  # fmt: skip

    text = run(*asked)
    page = run(*asked, "--format", "html").stdout
    found = answer(run(*asked, "--format", "json"))
    drawing = run(*asked, "--format", "svg").stdout

    assert text.exit_code == 0, text.output
    assert "\x1b" not in text.stdout + page + drawing
    assert "<img" not in page.partition("</head>")[2].replace("&lt;img", "")
    assert "<b>" not in page.partition("</head>")[2]
    assert found["readings"][0]["text"] == "V(<b>o?#)=0V@idle"
    ElementTree.fromstring(drawing)


def test_a_net_with_a_question_mark_can_be_answered_by_its_value(tmp_path: Path) -> None:
    path, log = tmp_path / "amp.cir", tmp_path / "log"
    path.write_text(TINY.replace(" k ", " k? "))
    asked = (path, "--draws", 50, "-j", 1, "--dictionary", tmp_path / "pages")

    result = run(*asked, "--interactive", "--log", log, typed="1\n" * 30)

    assert result.exit_code == 0, result.output
    assert any(one.startswith(("V(k?)=1V", "R(k?)=1ohm")) for one in log.read_text().split("\n"))


def test_the_page_of_an_audit_takes_readings_too(tiny: Path, folder: Path) -> None:
    asked = ["audit", str(tiny), "--idle-only", "--fail-at", "never"]
    with_reading = [*asked, "--reading", "V(k)=2.9V", "--seen", "hum=no"]
    folders = {"NETCHECK_DICTIONARY": str(folder)}

    page = CliRunner().invoke(app, [*with_reading, "--format", "html"], env=folders)
    plain = CliRunner().invoke(app, [*asked, "--format", "html"], env=folders)
    elsewhere = CliRunner().invoke(app, with_reading, env=folders)

    assert page.exit_code == 0, page.output
    assert page.stdout.count('<section id="diagnosis"') == 1
    assert "V(k)" in page.stdout
    assert 'id="diagnosis"' not in plain.stdout
    assert "--format html" in complaint(elsewhere)
