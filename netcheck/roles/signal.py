"""Signal order: which stage drives which, from the input to the output.

Comes in: `Facts` and the stages.  Goes out: a `SignalPath` for every way the signal
takes from one stage into the next, and the ids of all stages in signal order.  A
drive from tube to tube becomes a path from stage to stage; what passes between the
tubes of one stage stays inside it.  A stage comes as late as its longest way from
the input; where stages drive each other in a ring, the one that the input reaches
comes first.  A current source stands right before the stage whose current it sets.
"""

from __future__ import annotations

from netcheck.circuit.model import natural_key
from netcheck.roles.base import SignalPath, Stage
from netcheck.roles.drives import Drive
from netcheck.roles.facts import Facts


def signal_flow(
    facts: Facts, stages: tuple[Stage, ...]
) -> tuple[tuple[str, ...], tuple[SignalPath, ...]]:
    """Return the stage ids in signal order, and the paths in order of what they drive."""
    home = {tube: stage.id for stage in stages for tube in stage.tubes}
    found: dict[SignalPath, None] = {}
    for drive in facts.couplings.drives:
        source = home.get(drive.source, "")
        target = home.get(drive.target, "")
        if target and source != target and (source or not drive.source):
            via = drive.via or _series(facts, drive)
            path = SignalPath(source, target, _how(facts, drive), via, drive.electrode, drive.pin)
            found[path] = None
    order = _order(stages, tuple(found), _serves(facts, home))
    place = {name: index for index, name in enumerate(order)}
    paths = sorted(
        found, key=lambda path: (place[path.target], place.get(path.source, -1), path.via)
    )
    return order, tuple(paths)


def _how(facts: Facts, drive: Drive) -> str:
    if drive.direct:
        return "direct"
    if any(ref in facts.wiring.coupled for ref in drive.via):
        return "transformer"
    return "capacitor" if len(drive.via) == 1 else "network"


def _series(facts: Facts, drive: Drive) -> tuple[str, ...]:
    """Return the resistors between a directly coupled grid and what drives it."""
    grid = facts.grids[drive.target]
    inward = {far: (near, ref) for ref, (near, far) in grid.series.items()}
    around = facts.around
    net = next(
        (
            net
            for net in inward
            if around.plates.get(net) == drive.source
            or drive.source in around.cathodes.get(net, ())
        ),
        grid.net,
    )
    found: list[str] = []
    while net in inward and net != grid.net:
        net, ref = inward.pop(net)
        found.append(ref)
    return tuple(found)


def _serves(facts: Facts, home: dict[str, str]) -> dict[str, str]:
    """Return the stage above each stage that other tubes stand on."""
    return {
        home[lower]: home[upper]
        for upper, circuit in facts.cathodes.items()
        for lower in circuit.stands_on
        if lower in home and upper in home and home[lower] != home[upper]
    }


def _order(
    stages: tuple[Stage, ...], paths: tuple[SignalPath, ...], serves: dict[str, str]
) -> tuple[str, ...]:
    """Sort the stages by their longest way from the input."""
    sources: dict[str, set[str]] = {stage.id: set() for stage in stages}
    for path in paths:
        if path.source:
            sources[path.target].add(path.source)
    at_input = {path.target for path in paths if not path.source}
    outputs = {stage.id for stage in stages if stage.is_output}
    moving = {name for path in paths for name in (path.source, path.target)}
    idle = {name for name in serves if name not in moving}
    depth: dict[str, int] = {}
    waiting = sorted(set(sources) - idle, key=natural_key)
    while waiting:
        ready = [name for name in waiting if sources[name] <= set(depth)]
        if not ready:  # a ring: begin where the signal comes in
            ready = [min(waiting, key=lambda name: (name not in at_input, name in outputs))]
        for name in ready:
            known = [depth[source] for source in sources[name] if source in depth]
            depth[name] = max(known, default=-1) + 1
        waiting = [name for name in waiting if name not in depth]
    keys = {name: (level, 1, name in outputs, natural_key(name)) for name, level in depth.items()}
    for name in idle:
        keys[name] = (depth.get(serves[name], 0), 0, False, natural_key(name))
    return tuple(sorted(keys, key=keys.__getitem__))
