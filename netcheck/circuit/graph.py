"""The circuit as a graph: nets are nodes, parts are edges.

Comes in: a `Circuit`.  Goes out: a networkx `MultiGraph` and the few questions
the rest of the program asks of it.  Parallel parts are parallel edges; an edge's
key is (part ref, pin, pin), so no part hides another.  A part with more than two
pins has one edge for each pair.  Tubes are in the graph too, but no question here
walks through one: what a tube conducts is not a property of the wiring.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import combinations
from typing import TYPE_CHECKING

from netcheck.circuit.model import Circuit, Part, PartKind

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
