"""What is wrong with a circuit before anything is solved.

Comes in: a `Circuit`.  Goes out: findings, each with the place of a part; or an
error where no question about the circuit can be answered: no ground, no tube, or
couplings no transformer can have.  A solver gives an answer for a net that hangs in
the air too (its own leakage holds it), so such nets are named here.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.graph import dc_components, feed_findings
from netcheck.circuit.ideal_transformers import direct_current_findings
from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.circuit.pin_order import pin_order_findings
from netcheck.circuit.windings import check_couplings, load_findings, ratio_findings
from netcheck.errors import NetlistError, UnanswerableError
from netcheck.findings import Finding
from netcheck.source import SourceText
from netcheck.units import format_quantity

MANY_NETS = 4
"""Nets of one floating island that are named; the rest are counted."""


def check_circuit(circuit: Circuit) -> tuple[Finding, ...]:
    """Check a circuit.

    Raises
    ------
    NetlistError
        No ground net, voltage sources in a ring, or couplings that are physically
        impossible.
    UnanswerableError
        No tube in the circuit.
    """
    _require_ground(circuit)
    _require_tubes(circuit)
    _require_possible_sources(circuit)
    check_couplings(circuit)
    return (
        *_floating(circuit),
        *_dangling(circuit),
        *feed_findings(circuit),
        *pin_order_findings(circuit),
        *load_findings(circuit),
        *ratio_findings(circuit),
        *_ideal_loads(circuit),
        *direct_current_findings(circuit),
    )


def _require_ground(circuit: Circuit) -> None:
    if GROUND in circuit.parts_on or not circuit.parts:
        return
    busiest = max(circuit.parts_on, key=lambda net: len(circuit.parts_on[net]))
    parts = circuit.parts_on[busiest]
    first = min(parts, key=lambda part: (part.span.file, part.span.line) if part.span else ("", 0))
    raise NetlistError(
        "the circuit has no ground: no part is connected to net 0",
        span=first.span,
        source=_source_of(circuit, first),
        hint=f"name the ground net 0; every voltage is measured to it. Is it {busiest}, "
        f"with {len(parts)} parts on it?",
    )


def _require_tubes(circuit: Circuit) -> None:
    if not circuit.tubes:
        raise UnanswerableError(
            "there is no tube in this circuit, so there is nothing to judge",
            hint="a tube is an X card with plate, [screen], grid and cathode: "
            "`X1 plate grid cathode 12AX7` or `X2 plate screen grid cathode EL34`",
        )


def _require_possible_sources(circuit: Circuit) -> None:
    """Refuse voltage sources that form a ring: no current would settle there."""
    group = {net: net for net in circuit.nets}

    def root(net: str) -> str:
        while group[net] != net:
            net = group[net]
        return net

    for part in circuit.of_kind("voltage_source"):
        first, second = (root(net) for net in part.nets)
        if first == second:
            raise NetlistError(
                f"{part.ref} closes a ring of voltage sources between {' and '.join(part.nets)}",
                span=part.span,
                source=_source_of(circuit, part),
                hint="two sources that hold one net, or a source with both pins on one net; "
                "remove it, or put its source resistance in series",
            )
        group[first] = second


def _source_of(circuit: Circuit, part: Part) -> SourceText | None:
    return circuit.sources.get(part.span.file) if part.span else None


def _floating(circuit: Circuit) -> Iterator[Finding]:
    """Yield a finding for every set of nets without a DC path to ground."""
    order = {net: index for index, net in enumerate(circuit.nets)}
    for component in dc_components(circuit):
        if GROUND in component or _held_by_tubes(circuit, component):
            continue
        nets = sorted(component, key=order.__getitem__)
        if opened := _with_pin(circuit, "cathode", component):
            yield _open_cathode(circuit, opened)
            continue
        grids = _with_pin(circuit, "grid", component)
        part = circuit[grids[0]] if grids else circuit.parts_on[nets[0]][0]
        named = ", ".join(nets[:MANY_NETS])
        more = f" and {len(nets) - MANY_NETS} more" if len(nets) > MANY_NETS else ""
        holder = f"; the grid of {', '.join(grids)} is on it" if grids else ""
        verb, noun = ("have", "nets") if len(nets) > 1 else ("has", "net")
        yield Finding(
            "no-dc-path",
            "warning",
            f"{noun} {named}{more} {verb} no DC path to ground{holder}: "
            "only the solver's own leakage holds the voltage there",
            part.ref,
            part.span,
        )


def _with_pin(circuit: Circuit, pin: str, nets: frozenset[str]) -> list[str]:
    return [
        part.ref
        for part in circuit.tubes
        if part.has_pin("grid") and part.has_pin(pin) and part.net(pin) in nets
    ]


def _open_cathode(circuit: Circuit, refs: list[str]) -> Finding:
    first = circuit[refs[0]]
    are = "cathodes" if len(refs) > 1 else "cathode"
    have = "have" if len(refs) > 1 else "has"
    return Finding(
        "cathode-open",
        "warning",
        f"the {are} of {', '.join(refs)} (net {first.net('cathode')}) {have} no DC path to "
        "ground: no current can flow",
        first.ref,
        first.span,
        "a cathode resistor or a return is missing, or a net name is written in two ways",
    )


def _ideal_loads(circuit: Circuit) -> Iterator[Finding]:
    """Yield a finding for every ideal current source that feeds a plate."""
    for source in circuit.of_kind("current_source"):
        upper, lower = source.nets if (source.value or 0.0) > 0 else source.nets[::-1]
        fed = [
            tube.ref
            for tube in circuit.tubes
            if tube.has_pin("grid") and tube.has_pin("plate") and tube.net("plate") == lower
        ]
        if not fed or not source.value:
            continue
        amperes = format_quantity(abs(source.value), "A")
        limit = (
            f"no source at {upper} can lift a plate above its own volts: compare the plate's "
            "idle volts with it, and draw the transistor, tube or resistor that makes the current"
        )
        yield Finding(
            "ideal-current-load",
            "warning",
            f"{source.ref} forces {amperes} into the plate of {', '.join(fed)} at any voltage, "
            f"also above that of net {upper}, which feeds it",
            source.ref,
            source.span,
            limit,
        )


def _held_by_tubes(circuit: Circuit, component: frozenset[str]) -> bool:
    """Say whether tube currents settle the voltage of a set of nets.

    A tail or a plate load made of a current source, and the junction of two stacked
    tubes, have no DC path of their own; what one part delivers the other takes.
    """
    parts = {part.ref: part for net in component for part in circuit.parts_on[net]}
    ends = [
        (part.ref, pin)
        for part in parts.values()
        if part.kind == "tube"
        for pin in ("plate", "cathode")
        if part.has_pin(pin) and part.net(pin) in component
    ]
    sources = any(part.kind in ("current_source", "controlled_source") for part in parts.values())
    uppers = {ref for ref, pin in ends if pin == "cathode"}
    lowers = {ref for ref, pin in ends if pin == "plate"}
    return (sources and bool(ends)) or any(upper != lower for upper in uppers for lower in lowers)


def _dangling(circuit: Circuit) -> Iterator[Finding]:
    """Yield a finding for every net with a single pin."""
    pins: dict[str, list[Part]] = {}
    for part in circuit:
        for pin in part.pins:
            pins.setdefault(pin.net, []).append(part)
    for net in circuit.nets:
        if net != GROUND and len(pins[net]) == 1 and not _measured(circuit, net):
            part = pins[net][0]
            yield Finding(
                "dangling-net",
                "warning",
                f"net {net} has a single pin, that of {part.ref}: a wire that ends nowhere, "
                "or a net name written in two ways",
                part.ref,
                part.span,
            )


def _measured(circuit: Circuit, net: str) -> bool:
    """Say whether a behavioural source elsewhere reads the net's voltage."""
    return any(
        part.element is not None and reads_net(part.element.expression, net)
        for part in circuit.of_kind("controlled_source")
    )


def reads_net(expression: object, net: str) -> bool:
    """Say whether an expression contains V(net)."""
    if expression is None or isinstance(expression, str | int | float):
        return False
    if isinstance(expression, tuple):
        return any(reads_net(item, net) for item in expression)
    fields = getattr(type(expression), "__dataclass_fields__", {})
    names = [getattr(expression, name) for name in fields]
    if "net" in fields and net in names:
        return True
    return any(reads_net(value, net) for value in names)
