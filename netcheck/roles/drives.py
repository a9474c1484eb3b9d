"""Drives that need a second look: at cathodes, and over another grid's circuit.

Comes in: the grid and cathode circuits and the drives already found.  Goes out: more
drives, and the capacitors that make them.  A cathode is driven where its own grid is
at rest: by the input, by a capacitor from another stage (grounded grid), or by the
plate it stands on (cascode).  A grid without a drive of its own may be coupled to a
point of another grid's circuit (floating paraphase) and then follows what drives it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from netcheck.roles.cathodes import CathodeCircuit
from netcheck.roles.grids import GridCircuit, Surroundings
from netcheck.roles.wiring import Wiring


@dataclass(frozen=True, slots=True)
class Drive:
    """One electrode that drives one grid, or one cathode whose grid is at rest.

    source is empty where the input source drives it.
    """

    source: str
    electrode: str
    target: str
    via: tuple[str, ...] = ()
    direct: bool = False
    pin: str = "grid"


@dataclass(frozen=True, slots=True)
class CouplingCapacitor:
    """One capacitor between a signal source and a grid (or a cathode's) circuit."""

    part: str
    source: str
    electrode: str
    source_net: str
    feeds: str
    targets: tuple[str, ...]
    pin: str = "grid"


def source_at(
    wiring: Wiring, around: Surroundings, net: str, not_for: str = ""
) -> tuple[str, str] | None:
    """Return the tube and electrode whose signal a net carries.

    A net below two cathodes is no output of either; the input counts as a source
    without a tube.
    """
    plate = around.plates.get(net)
    if plate:
        return plate, "plate"
    owners = around.cathodes.get(net, ())
    if owners and not_for not in owners:
        return owners[0], "cathode"
    if net in wiring.input_nets:
        return "", "input"
    return None


def relayed(
    wiring: Wiring, grids: Mapping[str, GridCircuit], drives: list[Drive]
) -> Iterator[CouplingCapacitor]:
    """Yield capacitors that bring an undriven grid the signal of another grid's circuit."""
    into: dict[str, list[Drive]] = {}
    for drive in drives:
        into.setdefault(drive.target, []).append(drive)
    owners: dict[str, list[str]] = {}
    for ref, grid in grids.items():
        for net in grid.nets if ref in into else ():
            owners.setdefault(net, []).append(ref)
    for tube, grid in grids.items():
        if tube in into or grid.ac_grounded:
            continue
        for ref, (near, far) in grid.capacitors.items():
            found = [
                drive
                for owner in owners.get(far, ())
                for drive in into[owner]
                if drive.source != tube
            ]
            for drive in found[:1]:
                yield CouplingCapacitor(ref, drive.source, drive.electrode, far, near, (tube,))


def cathode_drives(
    wiring: Wiring,
    around: Surroundings,
    grids: Mapping[str, GridCircuit],
    cathodes: Mapping[str, CathodeCircuit],
    drives: list[Drive],
) -> tuple[list[Drive], list[CouplingCapacitor]]:
    """Return the drives into cathodes whose grids are at rest, and their capacitors."""
    found: list[Drive] = []
    capacitors: list[CouplingCapacitor] = []
    driven = {drive.target for drive in drives}
    for tube, circuit in cathodes.items():
        if tube in driven:
            continue
        if not circuit.shared_with and (grids[tube].ac_grounded or grids[tube].held):
            found += _from_input(wiring, circuit)
            capacitors += _from_capacitors(wiring, around, circuit, drives)
        found += [
            Drive(lower, "plate", tube, (), True, "cathode")
            for lower in circuit.stands_on
            if lower in driven
        ]
    found += [
        Drive(made.source, made.electrode, target, (made.part,), False, "cathode")
        for made in capacitors
        for target in made.targets
    ]
    return found, capacitors


def _from_input(wiring: Wiring, circuit: CathodeCircuit) -> Iterator[Drive]:
    for ref in wiring.inputs:
        if set(wiring[ref].nets) & set(circuit.nets):
            yield Drive("", "input", circuit.tube, (ref,), True, "cathode")


def _from_capacitors(
    wiring: Wiring, around: Surroundings, circuit: CathodeCircuit, drives: list[Drive]
) -> Iterator[CouplingCapacitor]:
    """Yield capacitors from an earlier stage; from a later one it would be feedback."""
    later = _reached(circuit.tube, drives)
    for net in circuit.nets:
        for part in wiring.on(net, "capacitor"):
            far = part.other_net(net)
            source = source_at(wiring, around, far, circuit.tube)
            if source and source[0] not in later and far not in circuit.nets:
                yield CouplingCapacitor(part.ref, *source, far, net, (circuit.tube,), "cathode")


def _reached(tube: str, drives: list[Drive]) -> set[str]:
    """Return the tubes that a tube drives, directly or over others, and itself."""
    found = {tube}
    waiting = [tube]
    while waiting:
        source = waiting.pop()
        for drive in drives:
            if drive.source == source and drive.target not in found:
                found.add(drive.target)
                waiting.append(drive.target)
    return found
