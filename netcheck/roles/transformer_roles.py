"""Roles of transformer windings, their wire, and the tubes' way into them.

Comes in: `Facts`, the stages and the load found for each transformer.  Goes out:
roles and the `OutputTransformer` values.

Two amplifiers that drive one load in opposite phase are bridged: the load between their
load windings sees the sum of their voltages, and each sees half of the load.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from netcheck.circuit.model import natural_key
from netcheck.roles.base import OutputTransformer, Role, Stage
from netcheck.roles.branches import Branch
from netcheck.roles.facts import Facts
from netcheck.roles.table import RoleName
from netcheck.roles.transformers import Transformer


def output_transformers(
    facts: Facts, stages: tuple[Stage, ...], speakers: Mapping[int, str]
) -> tuple[OutputTransformer, ...]:
    """Return the output transformers; `speakers` is the load by transformer index."""
    output = {tube for stage in stages if stage.is_output for tube in stage.tubes}
    return tuple(
        OutputTransformer(
            MappingProxyType(dict(transformer.paths)),
            transformer.center_tap,
            transformer.secondaries,
            speakers.get(index),
            MappingProxyType(dict(transformer.taps)),
        )
        for index, transformer in enumerate(facts.transformers)
        if transformer.use == "output" and set(transformer.paths) & output
    )


def transformer_roles(facts: Facts, stages: tuple[Stage, ...]) -> Iterator[Role]:
    """Yield the roles of windings and of what is in series with them."""
    output = {tube: stage.id for stage in stages if stage.is_output for tube in stage.tubes}
    for transformer in facts.transformers:
        tubes = sorted(transformer.paths, key=natural_key)
        stage = output.get(tubes[0], "") if tubes else ""
        yield from _winding_roles(facts, transformer, stage)
        yield from _wire_roles(facts, transformer)
        for tube, ref in transformer.stoppers.items():
            why = f"joins the plate of {tube} to its winding"
            yield Role(ref, RoleName.PLATE_STOPPER, tube, why)
        for tube, ref in transformer.parafeed.items():
            why = f"brings the signal of the plate of {tube} to the winding and blocks its B+"
            net = facts.wiring[tube].net("plate")
            far = transformer.entry[tube]
            yield Role(ref, RoleName.OUTPUT_CAPACITOR, tube, why, source_net=net, feeds=far)


def _winding_roles(facts: Facts, transformer: Transformer, stage: str) -> Iterator[Role]:
    for tube in transformer.cathode_windings:
        if tube in transformer.primaries:
            continue
        for owner, circuit in facts.cathodes.items():
            if tube in circuit.windings:
                why = f"winding in the cathode of {owner}"
                yield Role(tube, RoleName.FEEDBACK_WINDING, owner, why)
    if transformer.use == "output" and stage:
        yield from _primary_roles(transformer)
        for ref in transformer.secondaries:
            ends = " and ".join(transformer.windings[ref].ends)
            why = f"coupled to the plate windings; gives the signal to the load between {ends}"
            yield Role(ref, RoleName.OUTPUT_TRANSFORMER_SECONDARY, stage, why)
        return
    names = {"interstage": RoleName.INTERSTAGE_TRANSFORMER, "mains": RoleName.MAINS_TRANSFORMER}
    name = names.get(transformer.use)
    if name is None and transformer.paths:
        name = RoleName.INTERSTAGE_TRANSFORMER
    for ref in transformer.windings:
        if name and ref not in transformer.cathode_windings:
            use = "grids" if name == RoleName.INTERSTAGE_TRANSFORMER else "rectifiers"
            why = f"winding of a transformer that drives {use}"
            for of in transformer.paths or (ref,):
                yield Role(ref, name, of, why)


def _primary_roles(transformer: Transformer) -> Iterator[Role]:
    for tube, path in transformer.paths.items():
        electrode = "cathode" if tube in transformer.from_cathode else "plate"
        for index, ref in enumerate(path):
            if transformer.taps.get(tube) and index + 1 < len(path):
                place = f"from the plate of {tube} toward the ultralinear tap"
            elif index + 1 < len(path):
                place = f"from the {electrode} of {tube} toward the center tap"
            else:
                end = transformer.center_tap or "the other plate"
                place = f"in the {electrode} circuit of {tube}, ending at {end}"
            why = f"winding {place}"
            yield Role(ref, RoleName.OUTPUT_TRANSFORMER_PRIMARY, tube, why)


def _wire_roles(facts: Facts, transformer: Transformer) -> Iterator[Role]:
    for winding in transformer.windings.values():
        for ref in winding.wires:
            if facts.wiring[ref].kind == "inductor":
                why = f"uncoupled inductance in series with {winding.ref}"
                yield Role(ref, RoleName.LEAKAGE_INDUCTANCE, winding.ref, why, 0.9)
            else:
                why = f"stands in series with {winding.ref} alone: the resistance of its wire"
                yield Role(ref, RoleName.WIRE_RESISTANCE, winding.ref, why, 0.9)


BRIDGE = 2


def bridged_loads(branches: list[Branch], placed: set[str]) -> tuple[list[Role], dict[int, str]]:
    """Return the roles of loads between load windings, and the speakers by transformer."""
    across = [
        branch
        for branch in branches
        if branch.kinds() == {"secondary"}
        and len(branch.owners("secondary")) == BRIDGE
        and branch.has("resistor")
        and not placed & {part.ref for part in branch.parts}
    ]
    roles: list[Role] = []
    speakers: dict[int, str] = {}
    noted = [b for b in across if any(part.note.is_speaker for part in b.parts)]
    load = min(noted or across, key=lambda branch: branch.ohm, default=None)
    for branch in across:
        net = branch.nets("secondary")[0]
        for part in branch.parts:
            if branch is load:
                why = "load between the load windings of two transformers"
                roles.append(Role(part.ref, RoleName.SPEAKER_LOAD, net, why))
            elif branch.has("capacitor"):
                why = "resistor and capacitor in series across the bridged load"
                roles.append(Role(part.ref, RoleName.ZOBEL, net, why, 0.9))
            else:
                why = "across the bridged load windings beside the load"
                roles.append(Role(part.ref, RoleName.WINDING_LOSS, net, why, 0.8))
    if load is not None:
        resistors = [part for part in load.parts if part.kind == "resistor"]
        marked = [part for part in load.parts if part.note.is_speaker]
        speaker = (marked or resistors)[0].ref
        speakers = {int(index): speaker for index in load.owners("secondary")}
    return roles, speakers
