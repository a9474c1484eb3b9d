"""What all fault kinds share: ids, parts by role, and the tubes behind a net.

Comes in: a circuit and its roles.  Goes out: lists of parts in natural order, and
`Fault` values whose id follows from parts, kind and defect, so that no kind can
spell an id its own way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from netcheck.circuit.changes import AddResistor, Change, DriveLevel
from netcheck.circuit.model import Circuit, Part, PartKind, natural_key
from netcheck.conditions import OVERDRIVE
from netcheck.faults.base import ContinuousFault, Defect, Fault, Likelihood, size_text
from netcheck.roles.base import Role, Roles
from netcheck.roles.table import RoleName

POWER_OFF = "Power off, plug out, capacitors discharged"
"""How every measurement inside the chassis begins."""

SUSTAINED = DriveLevel(
    OVERDRIVE,
    "an oscillating stage has no operating point; it is judged from the overdriven healthy one, "
    "where that was solved",
)
"""What an oscillating stage does at rest."""


def fault_id(parts: Sequence[str], kind: str, defect: Defect | str | None = None) -> str:
    """Return the id: `<parts>/<kind>`, or `<parts>/<kind>@<defect>`."""
    name = f"{'+'.join(parts)}/{kind}"
    if isinstance(defect, Defect):
        return f"{name}@{size_text(defect.value, defect.unit)}"
    return f"{name}@{defect}" if defect else name


def make_fault(
    parts: Sequence[str],
    kind: str,
    changes: Sequence[Change],
    likelihood: Likelihood,
    *,
    summary: str,
    measure: str,
    defect: Defect | None = None,
    only_size: bool = False,
    tube_type: str = "",
) -> Fault:
    """Return a fault; `only_size` leaves its defect out of the id.

    tube_type: stands in the id where other faults have a size.
    """
    return Fault(
        id=fault_id(parts, kind, None if only_size else defect or tube_type),
        parts=tuple(parts),
        kind=kind,
        changes=tuple(changes),
        likelihood=likelihood,
        summary=summary,
        defect=defect,
        next_measurement=measure,
    )


def sweep(
    parts: Sequence[str],
    kind: str,
    unit: str,
    ends: tuple[float, float],
    make: Callable[[float], Fault],
    *,
    linear: bool = False,
) -> ContinuousFault:
    """Return a fault swept from its nearly healthy end to its worst, by ratios or `linear`."""
    return ContinuousFault(
        id=fault_id(parts, kind),
        parts=tuple(parts),
        kind=kind,
        unit=unit,
        from_value=ends[0],
        to_value=ends[1],
        logarithmic=not linear,
        make=make,
    )


def parts_with_role(
    circuit: Circuit, roles: Roles, kind: PartKind, *names: RoleName
) -> tuple[tuple[Part, tuple[Role, ...]], ...]:
    """Return each part that plays one of these roles, once, with those roles.

    A part shared by several tubes plays its role for each of them.  Parts of
    another kind, or without a positive value, are left out.
    """
    table: dict[str, list[Role]] = {}
    for role in roles.named(*names):
        part = circuit.parts.get(role.part)
        if part is not None and part.kind == kind and (part.value or 0.0) > 0.0:
            table.setdefault(part.ref, []).append(role)
    return tuple((circuit[ref], tuple(table[ref])) for ref in sorted(table, key=natural_key))


def served_tubes(circuit: Circuit, roles: Iterable[Role]) -> tuple[str, ...]:
    """Return the tubes these roles are played for, in natural order."""
    names = {role.of for role in roles if role.of in circuit.parts}
    return tuple(sorted((ref for ref in names if circuit[ref].kind == "tube"), key=natural_key))


def grids_fed_by(circuit: Circuit, roles: Roles, net: str) -> tuple[str, ...]:
    """Return the tubes whose grid is on `net`, directly or through grid stoppers."""
    nets = {net}
    stoppers = {role.part for role in roles.named(RoleName.GRID_STOPPER)}
    for part in circuit.parts_on.get(net, ()):
        if part.ref in stoppers:
            nets.update(part.nets)
    return tuple(
        tube.ref for tube in circuit.tubes if tube.has_pin("grid") and tube.net("grid") in nets
    )


def output_tubes(circuit: Circuit, roles: Roles) -> tuple[Part, ...]:
    """Return the output tubes, in natural order."""
    refs = sorted(set(roles.output_tubes) & set(circuit.parts), key=natural_key)
    return tuple(circuit[ref] for ref in refs)


def gridded_tubes(circuit: Circuit) -> tuple[Part, ...]:
    """Return the tubes that are no rectifiers."""
    return tuple(tube for tube in circuit.tubes if tube.has_pin("grid"))


def bulbs(circuit: Circuit) -> tuple[tuple[Part, ...], ...]:
    """Return the sections of each bulb that is no rectifier."""
    amplifying = (tuple(one for one in bulb if one.has_pin("grid")) for bulb in circuit.bulbs)
    return tuple(bulb for bulb in amplifying if bulb)


def held_by_source(circuit: Circuit, part: Part) -> bool:
    """Say whether an ideal voltage source lies straight across a part.

    A leak there changes nothing but the source's own current: such a netlist does
    not say what resistance stands behind its supply.
    """
    first = part.nets[0]
    return any(
        other.kind == "voltage_source" and set(other.nets) == set(part.nets)
        for other in circuit.parts_on.get(first, ())
    )


def across(part: Part, ohm: float) -> AddResistor:
    """Return a leak or a short across a two-pin part; one name for both, by the part."""
    first, second = part.nets
    return AddResistor(f"{part.ref}.leak", first, second, ohm)


def electrodes_on(circuit: Circuit, net: str, *pins: str) -> tuple[tuple[str, str], ...]:
    """Return `(tube, electrode)` for each of these electrodes that is on `net`."""
    return tuple(
        (tube.ref, pin)
        for tube in circuit.tubes
        for pin in pins
        if tube.has_pin(pin) and tube.net(pin) == net
    )


def joined(refs: Sequence[str], nothing: str = "the tube") -> str:
    """Write refs as a person does: `V3`, `V3 and V4`, `V3, V4 and V5`."""
    if not refs:
        return nothing
    if len(refs) == 1:
        return refs[0]
    return f"{', '.join(refs[:-1])} and {refs[-1]}"
