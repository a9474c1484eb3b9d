"""Grids that return through too much resistance, and reservoirs nothing discharges.

Comes in: a circuit and its roles; nothing is solved.  Goes out: findings
`grid-resistance` and `no-bleeder`.

A gassy or hot grid passes a microampere or so; through the resistance between grid and
cathode that current lifts the grid, the tube gets hotter and passes more.  So makers
publish the largest resistance, a lower one for fixed bias, where no cathode resistor
works against it.  Where tubes share a part of the path their currents add in it: the
resistance is found by sending one ampere out of every grid of the stage at once and
reading the volts (Ohm's and Kirchhoff's laws).  The signal source is taken as unplugged.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import numpy as np

from netcheck.circuit.linear import solve_network
from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.findings import Finding
from netcheck.judge.base import ratio_verdict
from netcheck.judge.tube_limits import used_rows
from netcheck.roles.base import NO_LOAD, Roles
from netcheck.roles.table import RoleName
from netcheck.tubes.types import Limit
from netcheck.units import format_quantity

LIMIT_FOR_BIAS: Mapping[str, str] = {
    "cathode": "grid_resistance_cathode_bias_ohm",
    "mixed": "grid_resistance_cathode_bias_ohm",
    "direct": "grid_resistance_cathode_bias_ohm",
    "fixed": "grid_resistance_fixed_bias_ohm",
    "back": "grid_resistance_cathode_bias_ohm",
}
"""Which published limit holds.  A resistor in the cathode's or the B+ supply's return
that gives part of the bias works against a rising current too; sheets seldom name these
kinds, and the milder limit is taken; so does the load of a follower (common practice)."""

LEAST_OHM = 1e-3
OPEN_SIEMENS = 1e-15
SHARED = 1.02
"""From here on it is worth saying that grids share a part of their path."""
NO_PATH_OHM = 1e11
"""More than this is a grid without a path: another finding tells of it."""


def grid_findings(circuit: Circuit, roles: Roles) -> Iterator[Finding]:
    """Yield a finding for every grid circuit above its published resistance."""
    for stage in roles.stages:
        follower = stage.kind == "cathode_follower" or stage.form == "cathode_follower"
        quantity = LIMIT_FOR_BIAS.get("cathode" if follower else stage.bias)
        limits = {ref: _limit(circuit[ref], quantity) for ref in stage.tubes} if quantity else {}
        if not any(limits.values()):
            continue
        ohms = grid_ohms(circuit, stage.tubes)
        for ref, row in limits.items():
            if row is None or ohms[ref] >= NO_PATH_OHM:
                continue
            if ratio_verdict(ohms[ref] / row.value) == "over_limit":
                alone = grid_ohms(circuit, (ref,))[ref]
                yield _too_much(circuit, roles, ref, ohms[ref], alone, row)


def unloaded_findings(circuit: Circuit, roles: Roles) -> Iterator[Finding]:
    """Yield a finding for every output tube whose load is not in the netlist."""
    for stage in roles.stages:
        for ref in stage.tubes if stage.form == NO_LOAD else ():
            plate = circuit[ref].net("plate")
            yield Finding(
                "output-unloaded",
                "warning",
                f"the plate of {ref} is straight on B+ (net {plate}) and its cathode is at signal "
                "ground: its output transformer seems to be left out; it is judged at idle only",
                ref,
                circuit[ref].span,
                f"put the primary between {plate} and the plate, and the speaker on a coupled "
                "winding",
            )


def _limit(tube: Part, quantity: str) -> Limit | None:
    return next(iter(used_rows(tube.tube, quantity)), None) if tube.tube else None


def _too_much(
    circuit: Circuit, roles: Roles, ref: str, ohm: float, alone: float, row: Limit
) -> Finding:
    leaks = [role.part for role in roles.named(RoleName.GRID_LEAK) if role.of == ref]
    largest = max(leaks, key=lambda leak: circuit[leak].value or 0.0, default=ref)
    kind = "cathode" if "cathode" in row.quantity else "fixed"
    shared = (
        f" ({format_quantity(alone, 'ohm', 3)} of its own, but other grids share parts of it)"
        if ohm > SHARED * alone
        else ""
    )
    return Finding(
        "grid-resistance",
        "warning",
        f"the grid of {ref} returns through {format_quantity(ohm, 'ohm', 3)}{shared}, "
        f"{ohm / row.value:.2f} times the {format_quantity(row.value, 'ohm', 3)} that are "
        f"published for it with {kind} bias",
        largest,
        circuit[largest].span,
        f"lower {largest}, with a larger coupling capacitor in proportion"
        if largest != ref
        else "lower the resistance from this grid to its return",
    )


def grid_ohms(circuit: Circuit, tubes: Iterable[str]) -> dict[str, float]:
    """Return the DC resistance from each grid to its return [ohm].

    Sources are shorts, the input is open; tubes conduct nothing, but their cathodes,
    which are low in resistance, are taken as the return.
    """
    refs = [ref for ref in tubes if circuit[ref].has_pin("grid")]
    group = _held_together(circuit, refs)
    edges = [
        (group[part.nets[0]], group[part.nets[1]], max(_ohm(part), LEAST_OHM))
        for part in circuit.of_kind("resistor", "inductor")
    ]
    nets = sorted({net for first, second, _ in edges for net in (first, second)} - {GROUND})
    place = {net: number for number, net in enumerate(nets)}
    matrix = np.eye(len(nets)) * OPEN_SIEMENS
    for first, second, ohm in edges:
        for near, far in ((first, second), (second, first)):
            if near in place and first != second:
                matrix[place[near], place[near]] += 1.0 / ohm
                if far in place:
                    matrix[place[near], place[far]] -= 1.0 / ohm
    drive = np.zeros(len(nets))
    grids = {ref: group[circuit[ref].net("grid")] for ref in refs}
    for net in grids.values():
        if net in place:
            drive[place[net]] += 1.0
    volts = solve_network(matrix, drive, OPEN_SIEMENS) if nets else drive
    return {
        ref: float(volts[place[net]]) if net in place else (0.0 if net == GROUND else float("inf"))
        for ref, net in grids.items()
    }


def _ohm(part: Part) -> float:
    return (part.value or 0.0) if part.kind == "resistor" else (part.note.dcr_ohm or 0.0)


def _held_together(circuit: Circuit, tubes: Iterable[str]) -> dict[str, str]:
    """Return for every net the one that stands for all that sources hold together."""
    group = {net: net for net in circuit.nets}

    def root(net: str) -> str:
        while group[net] != net:
            net = group[net]
        return net

    def join(first: str, second: str) -> None:
        one, other = root(first), root(second)
        if one != other:
            low, high = (one, other) if one == GROUND else (other, one)
            group[high] = low

    for part in circuit.of_kind("voltage_source"):
        if not part.note.is_input:
            join(*part.nets[:2])
    for ref in tubes:
        join(circuit[ref].net("cathode"), GROUND)
    return {net: root(net) for net in circuit.nets}


def bleeder_findings(circuit: Circuit, roles: Roles) -> Iterator[Finding]:
    """Yield a note for every supply whose reservoirs keep their charge without tubes."""
    seen: set[str] = set()
    for role in roles.named(RoleName.RESERVOIR_CAPACITOR):
        part = circuit[role.part]
        start = next((net for net in part.nets if net != GROUND), GROUND)
        if start == GROUND or start in seen or part.kind != "capacitor":
            continue
        reached = _drains(circuit, start)
        seen |= reached
        if GROUND not in reached:
            yield Finding(
                "no-bleeder",
                "note",
                f"no resistor discharges {part.ref} ({format_quantity(part.value or 0.0, 'F', 3)} "
                f"at {start}): with cold or missing tubes it stays charged",
                part.ref,
                part.span,
                f"a bleeder from {start} to ground, 220 kohm or so, rated for its volts and watts",
            )


def _drains(circuit: Circuit, start: str) -> set[str]:
    """Return the nets that resistors and windings join to a net, ground among them."""
    seen, queue = {start}, [start]
    while queue:
        net = queue.pop()
        if net == GROUND:
            continue
        for part in circuit.parts_on.get(net, ()):
            ammeter = part.kind == "voltage_source" and not part.value and not part.note.is_input
            if part.kind in ("resistor", "inductor") or ammeter:
                fresh = set(part.nets) - seen
                seen |= fresh
                queue += fresh
    return seen
