"""How much flux a core carries, against the most it carries in health.

Comes in: the windings on the core of an output transformer and a solved state.  Goes out: the
flux that its plate winding links, in volt-seconds (turns times flux), and the limit of it.

Direct current leaves a flux behind: that of a winding i is N phi = sum over the windings j of
M_ij I_j, with M_ij = k sqrt(L_i L_j), so that ampere-turns that cancel count as nothing.  On
top of it swings what the signal's volts add up to over half a cycle.  A swing is as large as
the frequency is low; it is told for the lowest at which a core is commonly asked for full
power, 30 Hz (common practice), as if the volts that were solved came there.

No netlist says how much iron there is.  A core of silicon steel is laid out for about 1 T at
full power at its lowest frequency and saturates at 1.5 to 2 T (from memory; any handbook of
transformers), so that half as much again as in health at full drive is what it bears
(estimate).  That the inductance in the netlist holds for direct current too is assumed:
without an air gap it falls as the core fills.  Saturation by itself destroys nothing: the
tubes lose the load that they need, which this linear model does not follow; hence its rank,
and that overdrive, which fills any core at 30 Hz, is left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from netcheck.circuit.model import Circuit
from netcheck.conditions import FULL
from netcheck.judge.base import TUBES_CONDUCTING, Core, NotJudged, PartLimit
from netcheck.roles.base import OutputTransformer, Roles
from netcheck.solve.results import Solved

LOWEST_HZ = 30.0
MARGIN = 1.5
QUANTITY = "core_flux_vs"
SOURCE = (
    "estimate: a core laid out for about 1 T at full power at its lowest frequency saturates "
    "at half as much again"
)
COMPARISON = (
    f"flux of direct current and of the signal as if at {LOWEST_HZ:g} Hz, against {MARGIN:g} "
    "times that of full drive in health"
)


def core_limits(
    circuit: Circuit, roles: Roles, healthy: Mapping[str, Solved]
) -> Iterator[PartLimit | NotJudged]:
    """Yield the limit of every output transformer's core, or why it has none."""
    for transformer in roles.transformers:
        core = _core(circuit, transformer)
        if core is None:
            continue
        ref = core.windings[0]
        full = healthy.get(FULL)
        most_vs = flux_vs(core, full) if full else 0.0
        if full is None or most_vs <= 0.0:
            reason = "what it carries at full drive in health is not known: nothing was driven"
            yield NotJudged(ref, QUANTITY, reason)
            continue
        limit = MARGIN * most_vs
        yield PartLimit(
            ref, QUANTITY, limit, limit, "not_stated", COMPARISON, SOURCE,
            TUBES_CONDUCTING, core=core, in_use_only=True,
        )  # fmt: skip


def flux_vs(core: Core, solved: Solved) -> float:
    """Return the largest flux of a core, by what its first winding links [V s].

    The signal's share is read at the plate winding that carries most ampere-turns: a
    broken one, or that of a dead tube, says nothing.
    """
    there = [ref for ref in core.windings if ref in solved.parts]
    direct = sum(core.henry[ref] * solved.parts[ref].current_a for ref in there)
    live = max(
        (ref for ref in there if ref in core.plates),
        key=lambda ref: abs(core.henry[ref]) * solved.parts[ref].rms_current_a,
        default=None,
    )
    if live is None:
        return abs(direct)
    swing = solved.parts[live].swing_vs * solved.frequency_hz / LOWEST_HZ
    turns = abs(core.henry[core.windings[0]] / core.henry[live])
    return abs(direct) + swing * turns


def _core(circuit: Circuit, transformer: OutputTransformer) -> Core | None:
    """Return the windings on a core; None where they are not written as inductors."""
    plates = tuple(
        dict.fromkeys(ref for segments in transformer.primaries.values() for ref in segments)
    )
    if not plates or any(not _is_winding(circuit, ref) for ref in plates):
        return None
    first = plates[0]
    factors = {first: 1.0}
    for pair in circuit.couplings:
        if first in (pair.first, pair.second) and pair.factor:
            factors[pair.second if pair.first == first else pair.first] = pair.factor
    henry = {
        ref: factor * ((circuit[first].value or 0.0) * (circuit[ref].value or 0.0)) ** 0.5
        for ref, factor in factors.items()
    }
    return Core(tuple(factors), henry, frozenset(plates) & frozenset(factors))


def _is_winding(circuit: Circuit, ref: str) -> bool:
    part = circuit.parts.get(ref)
    return part is not None and part.kind == "inductor" and (part.value or 0.0) > 0.0
