"""Tube cards whose pins are in another order than the circuit suggests.

Comes in: a `Circuit`.  Goes out: `pin-order` findings with the order that would fit.
A plate gets its current from B+ through a load; a grid returns to ground or bias
through a large resistor, or only through a capacitor; a cathode reaches ground
through a small one.  A card is only questioned where its own order contradicts that
plainly (no B+ at the plate but at another pin, or the grid through a few hundred ohm
to ground and the cathode through a megohm) and another order contradicts nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import permutations

from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.findings import Finding

GRID_LEAK_OHM = 100e3
"""Smallest resistor that is taken for a grid leak (common practice)."""

CATHODE_OHM = 22e3
"""Largest resistor that is taken for a cathode resistor (common practice)."""


@dataclass(frozen=True, slots=True)
class _Net:
    """What a net looks like.

    fed: B+ reaches it.  windings: how many inductors B+ goes through on its way.
    """

    fed: bool
    windings: int
    to_ground_ohm: float
    coupled: bool


def pin_order_findings(circuit: Circuit) -> Iterator[Finding]:
    """Yield a finding for every tube whose pin order contradicts the circuit."""
    fed = _fed_nets(circuit)
    for tube in circuit.tubes:
        if not all(map(tube.has_pin, ("plate", "grid", "cathode"))):
            continue
        nets = {pin.name: _look(circuit, fed, pin.net) for pin in tube.pins}
        if not _contradicts(nets):
            continue
        better = _better_order(tube, nets)
        if better:
            yield _finding(tube, better)


def _finding(tube: Part, better: Mapping[str, str]) -> Finding:
    written = " ".join(f"{pin.name}={pin.net}" for pin in tube.pins)
    fitting = " ".join(better[pin.name] for pin in tube.pins)
    names = " ".join(pin.name for pin in tube.pins)
    return Finding(
        "pin-order",
        "warning",
        f"the pins of {tube.ref} do not fit the circuit ({written}); "
        f"in the order {names} this would fit: {fitting}",
        tube.ref,
        tube.span,
    )


def _contradicts(nets: Mapping[str, _Net]) -> bool:
    plate, grid, cathode = nets["plate"], nets["grid"], nets["cathode"]
    if not plate.fed and (grid.fed or cathode.fed):
        return True
    if cathode.fed and cathode.to_ground_ohm == float("inf"):
        return True
    swapped = cathode.to_ground_ohm >= GRID_LEAK_OHM and grid.to_ground_ohm <= CATHODE_OHM
    return swapped and cathode.coupled


def _better_order(tube: Part, nets: Mapping[str, _Net]) -> Mapping[str, str]:
    """Return the nets by pin in the one order that fits, or nothing."""
    names = [pin.name for pin in tube.pins]
    fitting = []
    for order in permutations(tube.pins):
        looks = {name: nets[pin.name] for name, pin in zip(names, order, strict=True)}
        if _fits(looks):
            fitting.append({name: pin.net for name, pin in zip(names, order, strict=True)})
    unique = {tuple(sorted(order.items())): order for order in fitting}
    return next(iter(unique.values())) if len(unique) == 1 else {}


def _fits(nets: Mapping[str, _Net]) -> bool:
    plate, grid, cathode = nets["plate"], nets["grid"], nets["cathode"]
    screen = nets.get("screen")
    # The plate is at the far end of the winding, the screen nearer B+ (at a tap).
    screen_fits = screen is None or (
        screen.fed and plate.windings >= screen.windings + (screen.windings > 0)
    )
    return (
        plate.fed
        and screen_fits
        and not grid.fed
        and not cathode.fed
        and cathode.to_ground_ohm <= CATHODE_OHM
        and grid.to_ground_ohm > cathode.to_ground_ohm
    )


def _fed_nets(circuit: Circuit) -> Mapping[str, int]:
    """Return the nets that positive sources feed, with the windings on the way.

    The walk goes over resistors, inductors and rectifiers and ends at nets with an
    amplifying tube on them (taps of a winding excepted) and at ground.
    """
    tube_nets = {net for tube in circuit.tubes if tube.has_pin("grid") for net in tube.nets}
    seen = {
        part.nets[0] if (part.value or 0.0) > 0 else part.nets[1]: 0
        for part in circuit.of_kind("voltage_source")
        if part.value and (part.nets[1] == GROUND) == (part.value > 0)
    }
    seen.pop(GROUND, None)
    queue = deque(seen)
    started = set(seen)
    while queue:
        net = queue.popleft()
        for part in circuit.parts_on.get(net, ()):
            behind = _behind_rectifier(part, net)
            if behind not in (GROUND, *seen):
                seen[behind] = seen[net]
                queue.append(behind)
            if part.kind not in ("resistor", "inductor"):
                continue
            if net in tube_nets and net not in started and part.kind == "resistor":
                continue
            far = part.other_net(net)
            if far != GROUND and far not in seen:
                seen[far] = seen[net] + (part.kind == "inductor")
                queue.append(far)
    return seen


def _behind_rectifier(part: Part, net: str) -> str:
    """Return the cathode's net of a rectifier tube with a plate on `net`, else ground."""
    if part.kind != "tube" or part.has_pin("grid") or not part.has_pin("cathode"):
        return GROUND
    return part.net("cathode")


def _look(circuit: Circuit, fed: Mapping[str, int], net: str) -> _Net:
    parts = circuit.parts_on.get(net, ())
    to_ground = [
        part.value or 0.0
        for part in parts
        if part.kind == "resistor" and part.other_net(net) == GROUND
    ]
    return _Net(
        net in fed,
        fed.get(net, 0),
        0.0 if net == GROUND else min(to_ground, default=float("inf")),
        any(part.kind == "capacitor" and part.other_net(net) != GROUND for part in parts),
    )
