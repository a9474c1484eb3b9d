"""Shuffled cards and renamed parts and nets: the same circuit, the same solution."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from netcheck.circuit.build import build_circuit
from netcheck.circuit.model import Circuit
from netcheck.netlist import read_netlist_text
from netcheck.tubes.library import load_library
from tests.roles.circuits import disguised
from tests.solve.worker import CIRCUITS, DEMOS, Demo


def _disguise(name: str, seed: int) -> tuple[Circuit, dict[str, str], dict[str, str]]:
    text = (CIRCUITS / f"{name}.cir").read_text(encoding="utf-8")
    cards = "\n".join(line for line in text.splitlines() if not line.startswith("*"))
    hidden, old_ref, old_net = disguised(cards, seed)
    library = load_library()
    netlist = read_netlist_text(hidden, "hidden.cir", None, is_tube=library.is_tube)
    return build_circuit(netlist, library), old_ref, old_net


@pytest.mark.parametrize("name", DEMOS)
@pytest.mark.parametrize("seed", range(4))
def test_a_disguised_circuit_has_the_same_operating_point(
    name: str, seed: int, demo: Callable[[str], Demo]
) -> None:
    known = demo(name)
    circuit, old_ref, old_net = _disguise(name, seed)

    state = known.worker.idle(circuit)

    assert {old_net[net] for net in state.nets} == set(known.idle.nets)
    for net, volts in state.nets.items():
        assert volts == pytest.approx(known.idle.nets[old_net[net]], rel=1e-6, abs=1e-6), net
    for ref, tube in state.tubes.items():
        before = known.idle.tubes[old_ref[ref]]
        assert tube.plate_dissipation_w == pytest.approx(before.plate_dissipation_w, rel=1e-6)
        assert tube.grid_current_a == pytest.approx(before.grid_current_a, rel=1e-4, abs=1e-10)
    for ref, part in state.parts.items():
        before_w = known.idle.parts[old_ref[ref]].power_w
        assert part.power_w == pytest.approx(before_w, rel=1e-5, abs=1e-8), old_ref[ref]
