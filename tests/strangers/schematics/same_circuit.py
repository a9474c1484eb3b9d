"""When two circuits are the same: part by part, and net by net whatever the nets are called."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path
from typing import Any

from netcheck.circuit.model import Circuit
from netcheck.conditions import IDLE
from netcheck.roles import recognise
from netcheck.solve.pool import Pool
from netcheck.solve.results import Solved
from netcheck.workbench.baseline import solve_at_rest
from netcheck.workbench.faulted import Bench
from netcheck.workbench.settings import Settings


def parts_of(circuit: Circuit, names: dict[str, str] | None = None) -> dict[str, Any]:
    """What every part is, by its ref; `names` are refs that are another one elsewhere."""
    called = names or {}
    return {
        called.get(part.ref, part.ref).casefold(): (
            part.kind,
            None if part.value is None else float(f"{part.value:.9g}"),
            part.tube.name if part.tube else "",
            part.section,
            part.note,
        )
        for part in circuit
    }


def nets_of(circuit: Circuit, names: dict[str, str] | None = None) -> set[frozenset[str]]:
    """The pins that are joined, and ground by its name."""
    called = names or {}
    nets: dict[str, set[str]] = defaultdict(set)
    for part in circuit:
        for pin in part.pins:
            nets[pin.net].add(f"{called.get(part.ref, part.ref)}.{pin.name}".casefold())
    nets["0"].add("ground")
    return {frozenset(pins) for pins in nets.values()}


def couplings_of(circuit: Circuit) -> set[tuple[frozenset[str], float]]:
    return {(frozenset((one.first, one.second)), one.factor) for one in circuit.couplings}


def idle_volts(circuit: Circuit) -> dict[str, float]:
    """The volts at every pin at idle."""
    options = Settings(jobs=1, idle_only=True)
    with Pool(1) as pool:
        rest = solve_at_rest(Bench(circuit, options, pool), recognise(circuit), cold=False)
    idle = rest.outcomes[IDLE]
    assert isinstance(idle, Solved), idle
    return {
        f"{part.ref}.{pin.name}".casefold(): idle.nets.get(pin.net, 0.0)
        for part in circuit
        for pin in part.pins
    }


def names_of(folder: Path, ending: str) -> list[str]:
    return sorted(path.stem for path in folder.glob(f"*{ending}"))
