"""Couplings that can exist, and transformers that drive something.

Comes in: a `Circuit`.  The matrix of inductances M, with M[i][j] = k * sqrt(L_i L_j),
must be positive semidefinite: the energy i^T M i / 2 stored in a set of windings is
never negative.  For positive inductances that is the same as for the matrix of the
factors k alone.  A coupling that is not written counts as 0, which is how one
impossible set comes about: A and B tightly coupled, B and C too, A and C not.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations
from typing import TYPE_CHECKING

from netcheck.circuit.model import GROUND, Circuit, natural_key
from netcheck.errors import NetlistError
from netcheck.findings import Finding
from netcheck.units import format_quantity

if TYPE_CHECKING:
    import networkx as nx
    import numpy as np

NEGATIVE_SHARE = 1e-9
"""Eigenvalue below which the matrix is not semidefinite; rounding stays above."""


def winding_groups(circuit: Circuit) -> tuple[tuple[str, ...], ...]:
    """Return the sets of coupled inductors, in natural order."""
    import networkx as nx  # here: takes long to load, and workers never ask

    graph: nx.Graph[str] = nx.Graph()
    graph.add_edges_from((k.first, k.second) for k in circuit.couplings if k.factor)
    groups = [
        tuple(sorted((ref for ref in group if ref in circuit.parts), key=natural_key))
        for group in nx.connected_components(graph)
    ]
    return tuple(sorted(groups, key=lambda group: natural_key(group[0])))


def check_couplings(circuit: Circuit) -> None:
    """Raise NetlistError for a set of couplings no transformer can have."""
    import numpy as np

    for group in winding_groups(circuit):
        index = {ref: position for position, ref in enumerate(group)}
        matrix = np.eye(len(group))
        for coupling in circuit.couplings:
            if coupling.first in index and coupling.second in index:
                row, column = index[coupling.first], index[coupling.second]
                matrix[row, column] = matrix[column, row] = coupling.factor
        if float(np.linalg.eigvalsh(matrix).min()) < -NEGATIVE_SHARE:
            raise _impossible(circuit, group, matrix)


def _impossible(circuit: Circuit, group: tuple[str, ...], matrix: np.ndarray) -> NetlistError:
    missing = [
        f"{first} and {second}"
        for (row, first), (column, second) in combinations(enumerate(group), 2)
        if matrix[row, column] == 0.0
    ]
    span = circuit[group[0]].span
    hint = (
        f"no coupling is written for {', '.join(missing)}; "
        f"one card can couple all: K1 {' '.join(group)} 0.998"
        if missing
        else "lower the factors that are out of line with the others"
    )
    return NetlistError(
        f"no transformer can have these couplings: {', '.join(group)} together would "
        "store negative energy",
        span=span,
        source=circuit.sources.get(span.file) if span else None,
        hint=hint,
    )


def load_findings(circuit: Circuit) -> Iterator[Finding]:
    """Yield a finding for every transformer with a plate winding and no load."""
    for group in winding_groups(circuit):
        primary = _plate_windings(circuit, group)
        if not primary:
            continue
        rest = [ref for ref in group if ref not in primary]
        if any(_is_loaded(circuit, ref) for ref in rest):
            continue
        first = circuit[primary[0]]
        what = f"nothing is connected to {', '.join(rest)}" if rest else "it has no other winding"
        yield Finding(
            "no-load",
            "warning",
            f"the transformer of {', '.join(primary)} drives no load: {what}",
            first.ref,
            first.span,
        )


REACTANCE_SHARE = 0.1
"""Below this share of its load at 1 kHz a winding passes no middle of the band: real output
transformers have some 10 to 100 times the load there (common practice)."""
MIDDLE_HZ = 1000.0


def ratio_findings(circuit: Circuit) -> Iterator[Finding]:
    """Yield a finding for every plate winding with far too little inductance for its load.

    Inductances that give a ratio of turns only are the usual cause: 625 uH to 1 uH.
    """
    for group in winding_groups(circuit):
        primary = _plate_windings(circuit, group)
        for ref in group if primary else ():
            if ref in primary:
                continue
            ohm = _load_ohm(circuit, ref)
            reactance = 2.0 * math.pi * MIDDLE_HZ * (circuit[ref].value or 0.0)
            if ohm and reactance < REACTANCE_SHARE * ohm:
                yield _bare_ratio(circuit, primary[0], ref, reactance, ohm)
                break


def _load_ohm(circuit: Circuit, ref: str) -> float:
    """Return the resistor straight across a winding, or zero."""
    nets = set(circuit[ref].nets)
    ohms = [
        part.value or 0.0
        for part in circuit.parts_on[circuit[ref].nets[0]]
        if part.kind == "resistor" and set(part.nets) == nets
    ]
    return min(ohms, default=0.0)


def _bare_ratio(circuit: Circuit, first: str, ref: str, reactance: float, ohm: float) -> Finding:
    henry = circuit[first].value or 0.0
    return Finding(
        "winding-reactance",
        "warning",
        f"{first} of {format_quantity(henry, 'H')} and {ref} have {reactance:.2g} ohm at 1 kHz "
        f"across a load of {ohm:g} ohm: are the values a bare ratio? Under drive the tube then "
        "works into almost nothing",
        first,
        circuit[first].span,
        f"multiply all windings of it by one factor, so that {first} has some 10 H",
    )


def _plate_windings(circuit: Circuit, group: tuple[str, ...]) -> tuple[str, ...]:
    """Return the windings a plate feeds, directly or over other windings.

    A resistor in series (wire, plate stopper) or a capacitor (parafeed) may stand
    between plate and winding.
    """
    plates = {
        part.net("plate")
        for part in circuit.tubes
        if part.has_pin("grid") and part.has_pin("plate") and part.net("plate") != GROUND
    }
    near = set(plates)
    for net in plates:
        for part in circuit.parts_on.get(net, ()):
            if part.kind in ("resistor", "capacitor") and not _on_source(circuit, part.nets):
                near.update(part.nets)
    near -= {GROUND}
    found: dict[str, None] = {}
    grown = True
    while grown:
        grown = False
        for ref in group:
            nets = circuit[ref].nets
            if ref not in found and set(nets) & near:
                found[ref] = None
                near.update(net for net in nets if not _on_source(circuit, (net,)))
                near -= {GROUND}
                grown = True
    return tuple(found)


def _on_source(circuit: Circuit, nets: tuple[str, ...]) -> bool:
    return any(
        part.kind == "voltage_source"
        for net in nets
        if net != GROUND
        for part in circuit.parts_on.get(net, ())
    )


def _is_loaded(circuit: Circuit, ref: str) -> bool:
    """Say whether a resistor or a tube hangs on a winding, over ammeters too."""
    nets = [net for net in circuit[ref].nets if net != GROUND]
    for net in nets:
        for part in circuit.parts_on.get(net, ()):
            if part.kind in ("resistor", "tube", "controlled_source", "diode"):
                return True
            if part.kind == "voltage_source" and not part.value:
                nets += [far for far in part.nets if far != GROUND and far not in nets]
    return False
