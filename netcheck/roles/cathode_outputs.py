"""Output transformers in the cathode: the load winding follows a cathode, not a plate.

Comes in: wiring, supply and the transformers found from the plates.  Goes out: the
same transformers, where one that no plate feeds but a cathode does is read as an
output transformer too.  Such a winding is a primary by what it does: it carries the
tube's whole current to ground and drives a coupled load.  A winding in the cathode
of a tube whose plate feeds the same transformer is a feedback winding and stays one.
"""

from __future__ import annotations

from dataclasses import replace

from netcheck.circuit.model import GROUND
from netcheck.roles.rails import Supply
from netcheck.roles.transformers import Transformer
from netcheck.roles.wiring import Wiring


def with_cathode_outputs(
    wiring: Wiring, supply: Supply, transformers: tuple[Transformer, ...]
) -> tuple[Transformer, ...]:
    """Read transformers that only cathodes feed as output transformers."""
    return tuple(_read(wiring, supply, transformer) for transformer in transformers)


def _read(wiring: Wiring, supply: Supply, transformer: Transformer) -> Transformer:
    if transformer.paths or not transformer.secondaries or transformer.use != "unknown":
        return transformer
    paths: dict[str, tuple[str, ...]] = {}
    entry: dict[str, str] = {}
    ends: list[str] = []
    for tube in wiring.tubes:
        cathode = tube.net("cathode")
        path, end = _path(wiring, supply, transformer, cathode)
        if path:
            paths[tube.ref], entry[tube.ref] = path, cathode
            ends.append(end)
    if not paths:
        return transformer
    return replace(
        transformer,
        paths=paths,
        entry=entry,
        center_tap=ends[0],
        from_cathode=frozenset(paths),
        use="output",
    )


def _path(
    wiring: Wiring, supply: Supply, transformer: Transformer, start: str
) -> tuple[tuple[str, ...], str]:
    """Return the windings from a cathode to where its current leaves them, and that net."""
    path: list[str] = []
    net = start
    while not supply.quiet(net):
        onward = [
            ref
            for ref in transformer.cathode_windings
            if ref not in path and net in transformer.windings[ref].ends
        ]
        if not onward or (path and _leaves(wiring, supply, net)):
            break
        onward.sort(key=lambda ref: not supply.quiet(transformer.windings[ref].far(net)))
        path.append(onward[0])
        net = transformer.windings[onward[0]].far(net)
    return tuple(path), net


def _leaves(wiring: Wiring, supply: Supply, net: str) -> bool:
    """Say whether a resistor takes the current of a winding's end on to a quiet net."""
    return any(far == GROUND or supply.quiet(far) for _, far in wiring.dc_arms(net))
