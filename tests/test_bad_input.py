"""Bad and odd netlists through the whole program: one clear message, or sound handling.

A message has exit code 2, names the place where there is one, and offers a way out.
Sound handling is proved by the answer: whatever the line ends, encodings, net names or
spare parts, the output tube of the same amplifier idles at the same current.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from typer.testing import CliRunner

from netcheck.cli import app

NETLIST = """single-ended 6V6GT, cathode bias
VHT ht 0 275
VIN in 0 0 ;! input
R1 in 0 470k
X1 p s in k 6V6GT
R2 ht s 470
R3 k 0 270
C1 k 0 100u
L1 ht p 12 ;! dcr=200ohm
L2 sp 0 19.2m
K1 L1 L2 0.998
R4 sp 0 8 ;! speaker
.end
"""
CASCADE_LEVELS = 9


@dataclass(frozen=True)
class Said:
    """What one run gave back."""

    code: int
    out: str
    err: str

    @property
    def facts(self) -> Any:
        return json.loads(self.out)

    @property
    def rules(self) -> set[str]:
        return {finding["rule"] for finding in self.facts["findings"]}

    @property
    def plate_a(self) -> float:
        current = self.facts["healthy"]["conditions"]["idle"]["tubes"]["X1"]["plate_current_a"]
        assert isinstance(current, float)
        return current


def audit(folder: Path, content: str | bytes, name: str = "amp.cir") -> Said:
    """Audit a netlist at idle; a bug of ours (70) or an escaped exception fails here."""
    data = content if isinstance(content, bytes) else content.encode()
    (folder / name).write_bytes(data)
    arguments = ["audit", str(folder / name), "--idle-only", "-j", "1", "--format", "json"]
    result = CliRunner().invoke(app, arguments)
    said = Said(result.exit_code, result.stdout, result.stderr)

    assert result.exit_code in (0, 1, 2), said.err
    assert "Traceback" not in result.output
    assert str(folder) not in result.output, "a path of the machine was shown"
    assert bool(said.err) == (said.code == 2)
    assert bool(said.out) == (said.code != 2)
    return said


def changed(old: str, new: str) -> str:
    assert old in NETLIST
    return NETLIST.replace(old, new)


def added(*lines: str) -> str:
    return changed(".end\n", "\n".join((*lines, ".end", "")))


@cache
def healthy_plate_a() -> float:
    with TemporaryDirectory() as folder:
        return audit(Path(folder), NETLIST).plate_a


def cascade() -> str:
    """Return subcircuits that would expand to a billion resistors."""
    lines = ["a billion parts", "X0 a 0 s0"]
    for level in range(CASCADE_LEVELS):
        uses = (f"X{number} p q s{level + 1}" for number in range(10))
        lines += [f".subckt s{level} p q", *uses, ".ends"]
    return "\n".join((*lines, f".subckt s{CASCADE_LEVELS} p q", "R1 p q 1k", ".ends", ""))


def unplaced(text: str | bytes, *words: str) -> tuple[str | bytes, str, tuple[str, ...]]:
    return text, "", words


def placed(text: str, place: str, *words: str) -> tuple[str, str, tuple[str, ...]]:
    return text, f"amp.cir:{place}: ", words


REFUSED: dict[str, tuple[str | bytes, str, tuple[str, ...]]] = {
    "empty": unplaced("", "is empty"),
    "blank": unplaced("\n \n\n", "is empty"),
    "title only": unplaced("a title\n", "holds no parts"),
    "binary": unplaced(bytes(range(256)) * 8, "is not text"),
    "no tubes": unplaced("t\nV1 a 0 10\nR1 a 0 1k\n", "no tube", "X1 plate grid cathode"),
    "no ground": placed(NETLIST.replace(" 0 ", " com "), "2:1", "no ground", "Is it com"),
    "unknown tube": placed(changed("k 6V6GT", "k KT8B"), "5:1", "did you mean KT88?"),
    "7868 not on file": placed(changed("k 6V6GT", "k 7868"), "5:1", "7868", "netcheck tubes"),
    "211 not on file": placed(changed("k 6V6GT", "k 211"), "5:1", "211", "netcheck tubes"),
    "a pin too few": placed(changed("p s in k", "p in k"), "5:1", "plate screen grid cathode"),
    "part twice": placed(added("r3 k 0 330"), "13:1", "first on line 7", "rename"),
    "subcircuit twice": placed(
        added(".subckt a x y", "R1 x y 1", ".ends", ".subckt A x y", "R1 x y 1", ".ends"),
        "16:9",
        "first on line 13",
        "rename",
    ),
    "subcircuit in itself": placed(
        added("X9 p k ring", ".subckt ring a b", "X1 a b ring", ".ends"),
        "15:8",
        "ring -> ring",
        "cannot contain itself",
    ),
    "subcircuits in a ring": placed(
        added("X9 p k la", *(f".subckt l{a} p q\nX1 p q l{b}\n.ends" for a, b in ("ab", "ba"))),
        "18:8",
        "la -> lb -> la",
    ),
    "a billion parts": placed(cascade(), "112:1", "more than 20000 parts", "multiply"),
    "negative ohms": placed(changed("k 0 270", "k 0 -270"), "7:8", "negative", "sign"),
    "negative farads": placed(changed("0 100u", "0 -100u"), "8:8", "negative", "sign"),
    "1e300 ohm": placed(changed("k 0 270", "k 0 1e300"), "7:8", "absurd", "exponent"),
    "1e300 volt": placed(changed("0 275", "0 1e300"), "2:1", "absurd", "exponent"),
    "a million volts": placed(changed("0 275", "0 1meg"), "2:1", "absurd", "exponent"),
    "not a number": placed(changed("k 0 270", "k 0 2x0"), "7:8", "not a number", "4.7k"),
    "an endless card": placed(changed("k 0 270", "k 0 " + "1" * 90_000), "7:1", "20000"),
    "command block": placed(
        added(".control", "shell touch stolen"), "13:1", "every card below it", "close it"
    ),
    "impossible coupling": placed(
        added("L3 t 0 1", "R5 t 0 99", "K2 L2 L3 .99", "K3 L1 L3 -.99"), "9:1", "energy", "lower"
    ),
    "B+ shorted on itself": placed(changed("ht 0 275", "ht ht 275"), "2:1", "ring of voltage"),
    "two supplies on one net": placed(added("V2 ht 0 250"), "2:1", "ring of voltage sources"),
    "unknown note": placed(changed(";! speaker", ";! speker"), "12:14", "mean `speaker`?"),
    "no B+": unplaced(changed("0 275", "0 0"), "no output tube conducts", "is the B+ source"),
    "B+ upside down": unplaced(changed("0 275", "0 -275"), "no output tube conducts"),
    "B+ lost to the title": unplaced(
        NETLIST.partition("\n")[2], "no output tube conducts", "amp.cir:1:1", "is a part lost?"
    ),
    "pins in another order": unplaced(
        changed("p s in k", "in s p k"), "no tube conducts", "would fit: p s in k"
    ),
    "B+ from a rectifier": unplaced(
        changed("VHT ht 0 275", "VAC a 0 sin(0 300 50)\nD1 a ht DM\n.model DM D\nC9 ht 0 47u"),
        "no output tube conducts",
        "DC source",
    ),
}


@pytest.mark.parametrize(("content", "place", "words"), REFUSED.values(), ids=list(REFUSED))
def test_a_clear_message(
    tmp_path: Path, content: str | bytes, place: str, words: tuple[str, ...]
) -> None:
    begin = time.monotonic()

    said = audit(tmp_path, content)

    assert said.code == 2
    assert said.err.startswith(f"error: {place}")
    assert all(word in said.err for word in words), said.err
    if place:
        shown, carets = said.err.splitlines()[1:3]
        assert shown.lstrip().startswith(f"{place.split(':')[1]} | ")
        assert set(carets.strip(" |")) == {"^"}
        assert len(carets) <= len(shown)
    assert max(map(len, said.err.splitlines())) < 400
    assert time.monotonic() - begin < 10


def test_several_mistakes_are_shown_in_one_run(tmp_path: Path) -> None:
    text = changed("k 0 270", "k 0 2x0").replace("0 100u", "0 {none}") + "Q9 a b c\n"

    said = audit(tmp_path, text.replace(".end\n", ""))

    assert [line for line in said.err.splitlines() if line.startswith("error: ")] == [
        "error: amp.cir:7:8: `2x0` is not a number",
        "error: amp.cir:8:9: the parameter `none` is not defined",
        "error: amp.cir:13:1: `Q9` has too few words",
    ]
    assert said.err.endswith("3 mistakes\n")


def test_an_include_that_ends_in_itself(tmp_path: Path) -> None:
    (tmp_path / "a.inc").write_text(".include b.inc\n")
    (tmp_path / "b.inc").write_text(".include a.inc\n")

    said = audit(tmp_path, added(".include a.inc"))

    assert said.code == 2
    assert "b.inc:1:1: `a.inc` includes itself" in said.err
    assert "hint: " in said.err


def test_a_model_in_a_skipped_include_is_told_of(tmp_path: Path) -> None:
    said = audit(tmp_path, added(".include ../own.inc").replace("k 6V6GT", "k OWN"))

    assert said.code == 2
    assert "an include was skipped that may hold it: own.inc" in said.err


@pytest.mark.parametrize("named", ["none.cir", "."])
def test_no_such_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, named: str) -> None:
    monkeypatch.chdir(tmp_path)

    result = CliRunner().invoke(app, ["audit", named])

    assert result.exit_code == 2
    assert result.stderr.startswith("error: ")


MICRO, OHM = "\N{MICRO SIGN}", "\N{GREEK CAPITAL LETTER OMEGA}"
SIGNS = NETLIST.replace("100u", f"100{MICRO}F")
BOTH_SIGNS = SIGNS.replace("470k", f"470k{OHM}")
HARMLESS: dict[str, tuple[str | bytes, set[str]]] = {
    "windows line ends": (NETLIST.replace("\n", "\r\n"), set()),
    "old line ends": (NETLIST.replace("\n", "\r"), set()),
    "utf-8": (BOTH_SIGNS, {"value-micro-sign", "value-ohm-sign"}),
    "utf-8 with a mark": (BOTH_SIGNS.encode("utf-8-sig"), {"value-micro-sign"}),
    "utf-16": (BOTH_SIGNS.encode("utf-16"), {"value-micro-sign", "value-ohm-sign"}),
    "utf-16 without a mark": (BOTH_SIGNS.encode("utf-16-le"), {"value-ohm-sign"}),
    "latin-1": (SIGNS.encode("latin-1"), {"value-micro-sign"}),
    "dollar and odd nets": (
        NETLIST.replace(" in ", " $n_1 ").replace(" p ", " Net-_C1-Pad2_ ").replace(" s ", " /B+ "),
        set(),
    ),
    "three windings": (
        changed("K1 L1 L2 0.998", "L3 t 0 5m\nR5 t 0 100\nK1 L1 L2 L3 0.998"),
        set(),
    ),
    "ground by name": (NETLIST.replace(" 0 ", " gnd "), set()),
    "include outside": (added(".include ../secret.inc"), {"include-skipped"}),
    "include missing": (added(".include nothing.inc"), {"include-skipped"}),
    "floating nets": (added("R9 x1 x2 1k", "C9 x1 p 1u"), {"no-dc-path", "dangling-net"}),
    "zero ohm": (changed("in 0 470k", "in 0 0"), {"zero-value"}),
    "zero farad": (changed("k 0 100u", "k 0 0"), {"zero-value"}),
    "analysis cards left behind": (added(".tran 1m 1", ".backanno"), {"card-set-aside"}),
}


@pytest.mark.parametrize(("content", "rules"), HARMLESS.values(), ids=list(HARMLESS))
def test_handled_soundly(tmp_path: Path, content: str | bytes, rules: set[str]) -> None:
    said = audit(tmp_path, content)

    assert said.code in (0, 1)
    assert said.plate_a == pytest.approx(healthy_plate_a(), rel=1e-4)
    assert rules <= said.rules
    unsolved = [row["id"] for row in said.facts["faults"] if row["verdict"] == "not_solved"]
    assert not unsolved


def test_a_floating_grid_is_named_and_the_rest_is_judged(tmp_path: Path) -> None:
    said = audit(tmp_path, changed("VIN in 0 0 ;! input\nR1 in 0 470k", "VIN a 0 0\nC2 a in 1u"))

    messages = {row["rule"]: row["message"] for row in said.facts["findings"]}

    assert said.code in (0, 1)
    assert "net in has no DC path to ground; the grid of X1 is on it" in messages["no-dc-path"]


def test_a_type_whose_name_reads_as_a_number(tmp_path: Path) -> None:
    text = NETLIST.replace("p s in k 6V6GT", "p in k 2A3").replace("R2 ht s 470\n", "")

    said = audit(tmp_path, text.replace("k 0 270", "k 0 820"))

    types = {part["ref"]: part["type"] for part in said.facts["parts"] if "type" in part}
    assert said.code in (0, 1)
    assert types["X1"] == "2A3"


def test_an_own_model_whose_name_is_a_number(tmp_path: Path) -> None:
    model = (
        ".subckt 211 plate screen grid cathode",
        "G1 plate cathode value={0.001*pwrs(max(V(grid,cathode)+V(screen,cathode)/8,0),1.5)}",
        "G2 screen cathode value={0.0001*pwrs(max(V(grid,cathode)+V(screen,cathode)/8,0),1.5)}",
        ".ends",
    )

    said = audit(tmp_path, added(*model).replace("k 6V6GT", "k 211"))

    assert said.code in (0, 1)
    assert said.plate_a > 1e-3
    assert all(row["part"] != "X1" for fault in said.facts["faults"] for row in fault["victims"])


def test_a_start_file_beside_the_netlist_runs_nothing_and_changes_nothing(tmp_path: Path) -> None:
    (tmp_path / ".spiceinit").write_text("shell touch stolen\nset ngbehavior=lt\nset temp=200\n")
    (tmp_path / "amp.cir").write_text(NETLIST)
    command = [sys.executable, "-m", "netcheck", "audit", "amp.cir", "--idle-only", "-j", "1"]

    done = subprocess.run(
        [*command, "--format", "json"],
        cwd=tmp_path,
        env={**os.environ, "HOME": str(tmp_path), "PYTHONPATH": str(Path(__file__).parents[1])},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )

    assert done.returncode in (0, 1), done.stderr
    assert Said(0, done.stdout, "").plate_a == healthy_plate_a()
    assert sorted(path.name for path in tmp_path.iterdir()) == [".spiceinit", "amp.cir"]
