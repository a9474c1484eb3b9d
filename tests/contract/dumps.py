"""What is held still while the program is rebuilt: every fault listed, every document written.

Comes in: the netlists of the corpus and of `circuits/`.  Goes out: by name, the list of
faults as text, and what a command writes.  `python -m tests.contract.dumps NAME ...`
prints which of the kept dumps differ now, and by what; `--remake` writes them anew.
Numbers may differ by what another processor rounds; words, keys and order may not.
"""

from __future__ import annotations

import difflib
import lzma
import re
import subprocess
import sys
from dataclasses import fields, is_dataclass
from pathlib import Path

from netcheck.circuit.model import Circuit
from netcheck.faults import list_continuous, list_faults
from netcheck.pipeline import load_circuit
from netcheck.roles import recognise

ROOT = Path(__file__).parents[2]
KEPT = Path(__file__).parent / "kept"
DEMOS = tuple(sorted(path.stem for path in (ROOT / "circuits").glob("*.cir")))
NETLISTS = tuple(
    sorted(
        path.relative_to(ROOT).as_posix()
        for folder in ("circuits", "tests/roles/cases", "tests/faults/cases")
        for path in (ROOT / folder).glob("*.cir")
    )
)
IDLE_ROOM, DRIVEN_ROOM = 1e-3, 2e-2
"""By how much a number may differ on another machine, at rest and with a signal."""

NUMBER = re.compile(r"(?<![\w.])-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")

SIX, PAIR = "circuits/6v6_single_ended.cir", "circuits/el34_pair_fixed_bias.cir"
READINGS = ("--reading", "V(ht)=276V", "--reading", "V(k2)=16.7V", "--reading", "V(g2)=6.1V")


def commands() -> dict[str, tuple[str, ...]]:
    """Return by name the command whose output is kept."""
    found: dict[str, tuple[str, ...]] = {}
    for demo in DEMOS:
        file = f"circuits/{demo}.cir"
        found[f"idle.{demo}"] = ("audit", file, "--idle-only", "--format", "json")
        found[f"driven.{demo}"] = ("audit", file, "--format", "json")
        found[f"annotate.{demo}"] = ("annotate", file, "--format", "json")
        found[f"text.{demo}"] = ("audit", file, "--idle-only")
    found["sweep.6v6_driven"] = ("sweep", SIX, "C3", "leaky", "--driven", "--format", "json")
    found["sweep.el34_idle"] = ("sweep", PAIR, "C3", "leaky", "--format", "json")
    changed = "tests/contract/6v6_changed.cir"
    found["compare.6v6"] = ("compare", SIX, changed, "--idle-only", "--format", "json")
    found["gate.circuits"] = ("gate", "circuits", "--format", "json")
    found["diagnose.6v6"] = ("diagnose", SIX, *READINGS, "--no-dictionary", "--format", "json")
    return found


SLOW = frozenset({"driven.el34_pair_fixed_bias", "driven.kt88_ultralinear_cathode_bias"})
"""Only on request: these take minutes."""


def written(name: str) -> str:
    """Return what the command of this name writes now."""
    asked = [sys.executable, "-m", "netcheck", *commands()[name]]
    done = subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode not in (0, 1):
        raise RuntimeError(f"{name}: exit {done.returncode}\n{done.stderr}")
    return done.stdout


def listed(netlist: str) -> str:
    """Return every fault of a netlist, one a line, and every one that can be swept."""
    circuit = load_circuit(ROOT / netlist)
    return _of_circuit(circuit)


def _of_circuit(circuit: Circuit) -> str:
    roles = recognise(circuit)
    lines = []
    for fault in list_faults(circuit, roles):
        size = f"{fault.defect.value!r} {fault.defect.unit}" if fault.defect else "-"
        likely = f"{fault.likelihood.level} {fault.likelihood.value} {fault.likelihood.source}"
        words = (fault.id, ",".join(fault.parts), fault.kind, fault.family, size, likely)
        words += (fault.summary, fault.next_measurement, *map(_change, fault.changes))
        lines.append(" | ".join(words))
    for swept in list_continuous(circuit, roles):
        ends = f"{swept.from_value!r} to {swept.to_value!r} {swept.unit}"
        words = (swept.id, ",".join(swept.parts), swept.kind, swept.family, ends)
        lines.append(" | ".join((*words, "log" if swept.logarithmic else "linear")))
    return "\n".join(lines) + "\n"


def _change(value: object) -> str:
    if not is_dataclass(value):
        return repr(value)
    shown = (f"{one.name}={_change(getattr(value, one.name))}" for one in fields(value))
    return f"{type(value).__name__}({', '.join(shown)})"


def kept(name: str) -> str:
    """Return the dump that is kept under this name."""
    return lzma.decompress((KEPT / f"{name}.xz").read_bytes()).decode()


def keep(name: str, text: str) -> None:
    """Keep a dump under this name."""
    KEPT.mkdir(exist_ok=True)
    (KEPT / f"{name}.xz").write_bytes(lzma.compress(text.encode()))


def differences(before: str, after: str, room: float) -> list[str]:
    """Return the lines that differ by more than `room` in a number, or in anything else."""
    if before == after:
        return []
    old, new = _lines(before), _lines(after)
    found: list[str] = []
    matcher = difflib.SequenceMatcher(
        None, [NUMBER.sub("#", line) for line in old], [NUMBER.sub("#", line) for line in new],
        autojunk=False,
    )  # fmt: skip
    for tag, i1, i2, j1, j2 in matcher.get_opcodes():
        if tag == "equal":
            found += [
                f"- {one}\n+ {two}"
                for one, two in zip(old[i1:i2], new[j1:j2], strict=True)
                if not _near(one, two, room)
            ]
        else:
            found += [f"- {line}" for line in old[i1:i2]] + [f"+ {line}" for line in new[j1:j2]]
    return found


def _lines(text: str) -> list[str]:
    """Split into lines; a document on one line is parted at its commas and braces."""
    lines = text.splitlines()
    return lines if len(lines) > 5 else re.sub(r"([,{\[])", r"\1\n", text).splitlines()


def _near(one: str, two: str, room: float) -> bool:
    if one == two:
        return True
    for a, b in zip(NUMBER.findall(one), NUMBER.findall(two), strict=True):
        first, second = float(a), float(b)
        if abs(first - second) > room * max(abs(first), abs(second)) + 1e-6:
            return False
    return True


def name_of(netlist: str) -> str:
    """Return the name under which the faults of a netlist are kept."""
    return "faults." + netlist.removesuffix(".cir").replace("/", ".")


def main(arguments: list[str]) -> int:
    """Show what differs, or remake; names may be beginnings such as `idle.`."""
    remake = "--remake" in arguments
    wanted = tuple(word for word in arguments if word != "--remake")
    differing = 0
    jobs = {name_of(path): (listed, path) for path in NETLISTS}
    jobs |= {name: (written, name) for name in commands()}
    for name, (make, argument) in jobs.items():
        if wanted and not name.startswith(wanted):
            continue
        now = make(argument)
        if remake:
            keep(name, now)
        elif now != kept(name):
            differing += 1
            found = differences(kept(name), now, 0.0)
            print(f"{name}: {len(found)} lines differ", *found[:20], sep="\n  ")
    return 1 if differing else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
