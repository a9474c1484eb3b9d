"""The multigraph keeps parallel parts apart and knows what conducts DC."""

from __future__ import annotations

from netcheck.circuit.graph import components, dc_components, graph_of

from .test_checks import circuit

LINES = (
    "VHT bp 0 300",
    "RP bp p 100k",
    "RP2 bp p 100k",
    "C1 p g 100n",
    "RG g m 1meg",
    "CM m 0 100n",
    "X1 p g k 12AX7",
    "RK k 0 1k",
    "E1 e 0 g k 10",
    "RE e f 1k",
)


def test_parallel_parts_are_edges_of_their_own() -> None:
    graph = graph_of(circuit(*LINES))

    assert sorted(key[0] for key in graph["bp"]["p"]) == ["RP", "RP2"]
    assert sorted(key[0] for key in graph["p"]["g"]) == ["C1", "X1"]


def test_dc_components_start_with_ground_and_cross_no_control_pin() -> None:
    found = dc_components(circuit(*LINES))

    assert found == (frozenset({"0", "bp", "p", "k", "e", "f"}), frozenset({"g", "m"}))


def test_components_by_kind() -> None:
    graph = graph_of(circuit(*LINES))

    joined = set(components(graph, lambda part: part.kind == "capacitor"))

    assert frozenset({"p", "g"}) in joined
    assert frozenset({"m", "0"}) in joined
    assert frozenset({"bp"}) in joined
