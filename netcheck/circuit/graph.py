"""The circuit as a graph: nets are nodes, parts are edges.

Comes in: a `Circuit`.  Goes out: a networkx `MultiGraph` and the few questions
the rest of the program asks of it.  Parallel parts are parallel edges; an edge's
key is (part ref, pin, pin), so no part hides another.  A part with more than two
pins has one edge for each pair.  Tubes are in the graph too, but no question here
walks through one: what a tube conducts is not a property of the wiring.

Where plates and screens get their current from (findings `unfed-electrode`,
`primary-unfed`, `rectifier-fed`): from every DC source the walk goes through resistors,
windings, sources, diodes and from plate to cathode of tubes (a cascode's upper tube feeds
the lower), never through ground.  A plate or screen on ground itself is fed where the
tube's cathode hangs on a negative source.  An AC source with rectifiers behind it charges
B+ only over time: an operating point finds none, and everything would look within limits.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from itertools import combinations
from typing import TYPE_CHECKING

from netcheck.circuit.model import GROUND, Circuit, Part, PartKind
from netcheck.findings import Finding

if TYPE_CHECKING:  # loaded where a graph is made: takes long, and workers never ask
    import networkx as nx


DC_KINDS: tuple[PartKind, ...] = (
    "resistor",
    "inductor",
    "voltage_source",
    "diode",
    "transistor",
)
"""Kinds through which a direct current can flow between any two pins."""


def graph_of(circuit: Circuit) -> nx.MultiGraph[str]:
    """Return the multigraph of a circuit; each edge has its `part`."""
    import networkx as nx

    graph: nx.MultiGraph[str] = nx.MultiGraph()
    graph.add_nodes_from(circuit.nets)
    for part in circuit:
        for first, second in combinations(part.pins, 2):
            key = (part.ref, first.name, second.name)
            graph.add_edge(first.net, second.net, key=key, part=part)
    return graph


def components(
    graph: nx.MultiGraph[str], joins: Callable[[Part], bool]
) -> Iterator[frozenset[str]]:
    """Yield the sets of nets that the parts chosen by `joins` hold together."""
    import networkx as nx

    kept: nx.Graph[str] = nx.Graph()
    kept.add_nodes_from(graph)
    for first, second, attributes in graph.edges(data=True):
        if joins(attributes["part"]):
            kept.add_edge(first, second)
    for component in nx.connected_components(kept):
        yield frozenset(component)


def conducts_dc(part: Part) -> bool:
    """Say whether a part gives its nets a DC path by itself.

    A controlled source counts where it forces a voltage (E, H, or B with `v=`);
    one that forces a current leaves its nets floating, as a current source does.
    """
    if part.kind in DC_KINDS:
        return True
    if part.kind != "controlled_source" or part.element is None:
        return False
    letter = part.element.letter
    return letter in "EH" or (letter == "B" and part.element.quantity == "v")


def dc_components(circuit: Circuit) -> tuple[frozenset[str], ...]:
    """Return the sets of nets joined by parts that conduct DC.

    The set with ground comes first; the others in the order of their first net.
    The control pins of a controlled source carry no current and join nothing.
    """
    graph = graph_of(circuit)
    control_edges = [
        (first, second, key)
        for first, second, key in graph.edges(keys=True)
        if any(str(pin).startswith("control") for pin in key[1:])
    ]
    graph.remove_edges_from(control_edges)
    order = {net: index for index, net in enumerate(circuit.nets)}
    found = components(graph, conducts_dc)
    return tuple(sorted(found, key=lambda component: min(order[net] for net in component)))


def feed_findings(circuit: Circuit) -> Iterator[Finding]:
    """Yield findings about plates and screens that no DC source feeds."""
    fed = _reached(circuit, _source_nets(circuit))
    below = _reached(circuit, _negative_nets(circuit))
    unfed = [
        (tube, pin.name, pin.net)
        for tube in circuit.tubes
        if tube.has_pin("grid")
        for pin in tube.pins
        if pin.name in ("plate", "screen") and pin.net not in fed
        if not (pin.net == GROUND and tube.net("cathode") in below)
    ]
    mains = [
        part
        for part in circuit.of_kind("voltage_source")
        if _alternates(part) and not part.note.is_input
    ]
    yield from _rectified_bias(circuit, mains, fed | below)
    if not unfed:
        return
    charged = _charged(circuit, mains)
    through_rectifier = [entry for entry in unfed if entry[2] in charged]
    if any(pin == "plate" for _, pin, _ in through_rectifier):
        source = mains[0]
        yield Finding(
            "rectifier-fed",
            "error",
            f"B+ comes only from the alternating source {source.ref} through rectifiers; "
            "put a DC source in their place (the B+ you measure or expect)",
            source.ref,
            source.span,
        )
    for tube, pin, net in unfed:
        if net not in charged:
            yield _unfed(circuit, tube, pin, net)


def _rectified_bias(circuit: Circuit, mains: list[Part], held: frozenset[str]) -> Iterator[Finding]:
    """Yield an error for grids whose negative bias only an alternating source makes.

    It would be solved as no bias at all.
    """
    if not mains:
        return
    alternating = _secondary_nets(circuit, mains)
    negative = [
        part.net("anode")
        for part in circuit.of_kind("diode")
        if part.net("cathode") in alternating and part.net("anode") not in alternating
    ]
    behind = _reached(circuit, negative) - held
    grids = [t.ref for t in circuit.tubes if t.has_pin("grid") and t.net("grid") in behind]
    if grids:
        source = mains[0]
        yield Finding(
            "rectifier-fed",
            "error",
            f"the bias of {', '.join(grids)} comes only from the alternating source "
            f"{source.ref} through rectifiers: it would be solved as 0 V; put a DC source in "
            "their place (the bias you measure or expect)",
            source.ref,
            source.span,
        )


def _unfed(circuit: Circuit, tube: Part, pin: str, net: str) -> Finding:
    """Name the winding where a plate is on one that nothing feeds."""
    windings = [
        part
        for part in circuit.parts_on.get(net, ())
        if part.kind == "inductor" and circuit.coupled_with(part.ref)
    ]
    if pin == "plate" and windings and net != GROUND:
        winding = windings[0]
        return Finding(
            "primary-unfed",
            "warning",
            f"no DC source feeds the winding {winding.ref} that the plate of {tube.ref} is on: "
            f"B+ is missing at its other end (net {winding.other_net(net)})",
            winding.ref,
            winding.span,
            f"connect net {winding.other_net(net)} to B+",
        )
    return Finding(
        "unfed-electrode",
        "warning",
        f"no DC source feeds the {pin} of {tube.ref} (net {net})",
        tube.ref,
        tube.span,
    )


def _alternates(part: Part) -> bool:
    waveform = part.element.waveform if part.element else None
    return waveform is not None and waveform.alternating


def _source_nets(circuit: Circuit) -> Iterable[str]:
    """Return the nets at DC sources; a behavioural source may be one too."""
    for part in circuit.of_kind("voltage_source", "current_source", "controlled_source"):
        if part.kind == "controlled_source" or (part.value and not part.note.is_input):
            yield from part.nets[:2]


def _negative_nets(circuit: Circuit) -> Iterable[str]:
    """Return the nets that a voltage source holds below ground."""
    for part in circuit.of_kind("voltage_source"):
        plus, minus = part.nets[:2]
        if plus == GROUND and (part.value or 0.0) > 0.0:
            yield minus
        elif minus == GROUND and (part.value or 0.0) < 0.0:
            yield plus


def _reached(circuit: Circuit, start: Iterable[str]) -> frozenset[str]:
    seen = {net for net in start if net != GROUND}
    queue = deque(seen)
    while queue:
        net = queue.popleft()
        for part in circuit.parts_on.get(net, ()):
            for far in _onward(part, net):
                if far != GROUND and far not in seen:
                    seen.add(far)
                    queue.append(far)
    return frozenset(seen)


def _onward(part: Part, net: str) -> tuple[str, ...]:
    """Return the nets that get current from a net through one part."""
    if part.kind == "tube":
        if part.has_pin("grid"):
            return (part.net("cathode"),) if part.net("plate") == net else ()
        return (part.net("cathode"),) if part.has_pin("cathode") else ()
    if part.kind == "controlled_source" or not conducts_dc(part):
        return ()
    return tuple(far for far in part.nets if far != net)


def _charged(circuit: Circuit, mains: list[Part]) -> frozenset[str]:
    """Return the nets behind rectifiers that an alternating source drives."""
    if not mains:
        return frozenset()
    alternating = _secondary_nets(circuit, mains)
    outputs: list[str] = []
    for part in circuit.of_kind("diode", "tube"):
        if part.kind == "diode" and set(part.nets) & alternating:
            outputs += [net for net in part.nets if net not in alternating]
        elif part.kind == "tube" and not part.has_pin("grid") and part.has_pin("cathode"):
            plates = {pin.net for pin in part.pins if pin.name != "cathode"}
            outputs += [part.net("cathode")] if plates & alternating else []
    return _reached(circuit, outputs)


def _secondary_nets(circuit: Circuit, mains: list[Part]) -> frozenset[str]:
    """Return the nets an alternating source drives, over transformers too."""
    seen = {net for part in mains for net in part.nets} - {GROUND}
    queue = deque(seen)
    while queue:
        net = queue.popleft()
        for part in circuit.parts_on.get(net, ()):
            if part.kind not in ("resistor", "inductor"):
                continue
            coupled = circuit.coupled_with(part.ref) if part.kind == "inductor" else ()
            for ref in (part.ref, *coupled):
                for far in circuit[ref].nets:
                    if far != GROUND and far not in seen:
                        seen.add(far)
                        queue.append(far)
    return frozenset(seen)
