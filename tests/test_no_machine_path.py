"""No document tells where on a machine the files lie that it was made from."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from netcheck.cli import app

ROOT = Path(__file__).resolve().parents[1]
MACHINE = "machine_of_somebody"
"""The folder that no document may name."""
NETLIST = """A stage in two files
.include supply.inc
X1 p g k own_triode
R1 b p 100k
R2 g 0 470k
R3 k 0 1k5
C1 k 0 22u ;! volts=1V
C2 p o 22n
R4 o 0 1meg
V2 g0 0 SIN(0 0.1 1k)
C3 g0 g 100n
"""
POLICY = """conditions = ["idle"]
[[waivers]]
file = "amp.cir"
part = "C1"
reason = "a known thing"
expires = 2099-01-01
"""
QUICK = ["--jobs", "1"]
SOLVED = [
    *(["audit", "{file}", "--idle-only", "--format", each, *QUICK]
      for each in ("text", "json", "sarif", "junit", "github", "markdown", "csv", "html")),
    *(["sweep", "{file}", "C2", "leaky", "--points", "3", "--format", each, *QUICK]
      for each in ("text", "json", "csv")),
    *(["compare", "{file}", "{file}", "--idle-only", "--format", each, *QUICK]
      for each in ("text", "json")),
    *(["expect", "{file}", "--draws", "50", "--format", each, *QUICK]
      for each in ("text", "csv", "html")),
    *(["diagnose", "{file}", "--draws", "50", "--readings", "{folder}/readings.txt",
       "--dictionary", "{folder}/kept", "--format", each, *QUICK]
      for each in ("text", "json", "html", "svg")),
    *(["annotate", "{file}", "--format", each, *QUICK] for each in ("text", "netlist", "json")),
    ["draw", "{file}", *QUICK],
    ["convert", "{file}"],
    *(["tubes", "own_triode", "--format", each] for each in ("text", "json")),
    *(["gate", "{file}", "{folder}/more", "--policy", "{folder}/policy.toml", "--format", each,
       *QUICK]
      for each in ("text", "json", "sarif", "junit", "github", "markdown", "csv")),
]  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a netlist, what it includes, a tube of its own, readings and a policy."""
    folder = tmp_path_factory.mktemp("files") / MACHINE
    (folder / "tubes").mkdir(parents=True)
    data = (ROOT / "netcheck" / "tubes" / "data" / "12AX7.toml").read_text(encoding="utf-8")
    (folder / "tubes" / "own_triode.toml").write_text(data.replace("12AX7", "OWN_TRIODE"))
    (folder / "amp.cir").write_text(NETLIST)
    (folder / "supply.inc").write_text("V1 b 0 250\nR9 b 0 1k ;! power=0.1W\n")
    (folder / "readings.txt").write_text("V(p) = 60V\n")
    (folder / "more").mkdir()
    (folder / "more" / "sound.cir").write_text(NETLIST.replace(".include", "* .include"))
    (folder / "more" / "mistake.cir").write_text("a mistake\n.include nothing.inc\nR1 a b\n")
    (folder / "policy.toml").write_text(POLICY)
    return folder


@pytest.mark.parametrize("given", ["relative", "absolute"])
@pytest.mark.parametrize("words", SOLVED, ids=" ".join)
def test_a_document_names_no_folder_of_the_machine(
    words: list[str], given: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    where = str(folder) if given == "absolute" else "."
    names = {"file": f"{where}/amp.cir", "folder": where}
    told = CliRunner().invoke(
        app, [each.format(**names) for each in words] + ["--tubes", f"{where}/tubes"]
    )

    assert told.exit_code in {0, 1, 2}, told.output
    assert len(told.stdout) > 40
    assert MACHINE not in told.stdout
