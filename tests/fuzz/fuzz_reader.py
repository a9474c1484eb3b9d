"""Coverage-guided fuzzing of the netlist reader, for the developer's machine.

    pip install atheris
    python tests/fuzz/fuzz_reader.py -max_total_time=600 CORPUS_FOLDER

Whatever the bytes, the reader gives a netlist or a `NetcheckError`; any other
exception, and any input that takes longer than `-timeout`, is a finding.  The seeds
are the demo circuits and the samples of mistakes; an include may only be read below
an empty folder.
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["netcheck"]):
    from netcheck.errors import NetcheckError
    from netcheck.netlist.lines import decode
    from netcheck.netlist.read import read_netlist_text  # not the lazy door: it must be watched

ROOT = Path(__file__).parents[2]
SEEDS = (*sorted(ROOT.glob("circuits/*.cir")), *sorted(ROOT.glob("grammar/mistakes/*.cir")))
SECONDS_FOR_ONE_INPUT = 5
TYPES = frozenset({"12AX7", "6V6GT", "EL34", "2A3", "807"})


def is_tube(name: str) -> bool:
    """Say whether a name is one of the few types the fuzzer knows."""
    return name.upper() in TYPES


def read_any(data: bytes, folder: Path) -> None:
    """Read bytes as a netlist; a mistake in them is no finding."""
    with contextlib.suppress(NetcheckError):
        read_netlist_text(decode(data, "fuzz.cir"), "fuzz.cir", folder, is_tube=is_tube)


def main() -> None:
    """Fuzz until the time given on the command line is over."""
    with tempfile.TemporaryDirectory() as scratch:
        seeds = Path(scratch) / "seeds"
        empty = Path(scratch) / "empty"
        seeds.mkdir()
        empty.mkdir()
        for number, file in enumerate(SEEDS):
            (seeds / f"{number}.cir").write_bytes(file.read_bytes())
        limits = [f"-timeout={SECONDS_FOR_ONE_INPUT}", "-max_len=8192"]
        atheris.Setup([*sys.argv, *limits, str(seeds)], lambda data: read_any(data, empty))
        atheris.Fuzz()


if __name__ == "__main__":
    main()
