"""Where the test signal goes in and where the output is taken.

Comes in: the circuit and its roles.  Goes out: the `Hookup` the solver drives
with, and in words what had to be assumed.
"""

from __future__ import annotations

from netcheck.circuit.model import GROUND, Circuit
from netcheck.roles.base import OutputTransformer, Roles, Stage
from netcheck.roles.table import RoleName
from netcheck.solve.results import Hookup

LOADS = (RoleName.SPEAKER_LOAD, RoleName.OUTPUT_LOAD)
"""What a stage without an output transformer drives: a speaker, phones, the next device."""


def hookup_of(circuit: Circuit, roles: Roles) -> tuple[Hookup, tuple[str, ...]]:
    """Return the hookup and the assumptions made for it."""
    assumptions: list[str] = []
    series: tuple[tuple[str, float], ...] = ()
    if roles.input_source is None:
        series = series_grids(circuit, roles)
        tubes = ", ".join(ref for ref, _ in series)
        assumptions.append(
            f"the netlist has no input source: the test sine is put in series with the grid of "
            f"{tubes}"
            + (", in antiphase for the two sides" if any(sign < 0 for _, sign in series) else "")
        )
    bare = bare_windings(circuit, roles)
    if bare:
        assumptions.append(
            "windings without loss or capacitance of their own get 470 pF in series with 10 kohm "
            "in driven runs (common practice)"
        )
    speakers = tuple(dict.fromkeys(each.speaker for each in roles.transformers if each.speaker))
    speakers = speakers or tuple(role.part for role in roles.named(*LOADS))
    primaries = tuple(
        dict.fromkeys(
            ref
            for transformer in roles.transformers
            for segments in transformer.primaries.values()
            for ref in segments
        )
    )
    hookup = Hookup(
        input_part=roles.input_source,
        series_grids=series,
        output_nets=output_nets(circuit, roles),
        speakers=speakers,
        primaries=primaries,
        bare_windings=bare,
    )
    return hookup, tuple(assumptions)


def series_grids(circuit: Circuit, roles: Roles) -> tuple[tuple[str, float], ...]:
    """Tubes whose grids the sine goes in series with, and its sign."""
    stages = roles.output_stages or roles.stages[:1]
    grids: list[tuple[str, float]] = []
    for stage in stages:
        grids.extend(_signs(stage))
    amplifying = [tube.ref for tube in circuit.tubes if tube.has_pin("grid")]
    return tuple(grids) or tuple((ref, 1.0) for ref in amplifying[:1])


def _signs(stage: Stage) -> list[tuple[str, float]]:
    if stage.sides is None:
        return [(ref, 1.0) for ref in stage.tubes]
    upper, lower = stage.sides
    return [(ref, 1.0) for ref in upper] + [(ref, -1.0) for ref in lower]


def output_nets(circuit: Circuit, roles: Roles) -> tuple[str, str]:
    """The two nets the output voltage is taken between."""
    for transformer in roles.transformers:
        if transformer.speaker:
            first, second = circuit[transformer.speaker].nets
            return (second, first) if first == GROUND else (first, second)
        if transformer.secondaries:
            first, second = circuit[transformer.secondaries[0]].nets
            return first, second
    for role in roles.named(*LOADS):
        first, second = circuit[role.part].nets
        return (second, first) if first == GROUND else (first, second)
    outlets = roles.named(RoleName.OUTPUT_CAPACITOR)
    if outlets:
        return circuit[outlets[-1].part].other_net(outlets[-1].source_net), GROUND
    couplers = [role for role in roles.named(RoleName.COUPLING_CAPACITOR) if role.of != ""]
    if couplers:
        last = couplers[-1]
        return circuit[last.part].other_net(last.source_net), GROUND
    amplifying = [tube for tube in circuit.tubes if tube.has_pin("grid")]
    if amplifying:
        return amplifying[-1].net("plate"), GROUND
    return GROUND, GROUND


def bare_windings(circuit: Circuit, roles: Roles) -> tuple[tuple[str, str], ...]:
    """Plate windings across which nothing takes up the leakage inductance."""
    lossy = {
        net
        for role in roles.named(RoleName.WINDING_LOSS, RoleName.WINDING_CAPACITANCE)
        for net in circuit[role.part].nets
    }
    bare: dict[tuple[str, str], None] = {}
    for transformer in roles.transformers:
        for tube in transformer.primaries:
            plate = _winding_end(circuit, transformer, tube)
            if plate not in lossy and plate != transformer.center_tap:
                bare[(plate, transformer.center_tap)] = None
    return tuple(bare)


def _winding_end(circuit: Circuit, transformer: OutputTransformer, tube: str) -> str:
    """The net of a tube's winding that is nearest its plate."""
    first = circuit[transformer.primaries[tube][0]]
    plate = circuit[tube].net("plate")
    if plate in first.nets:
        return plate
    following = transformer.primaries[tube][1:2]
    shared = set(circuit[following[0]].nets) if following else {transformer.center_tap}
    outer = [net for net in first.nets if net not in shared]
    return outer[0] if outer else plate
