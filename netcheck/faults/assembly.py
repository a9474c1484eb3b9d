"""Faults of a whole stage, and slips of who built it.

Comes in: a circuit and its roles.  Goes out: unequal drive, oscillation, reversed electrolytics
and exchanged resistors.

References.  Half to twice on one side: common practice.  Hot tubes with no input, readings that
jump when a probe comes near and a grid more negative than its feed are the signs: common
practice.  100 ohm to 10 kohm: common practice. From 0.9 uF up, without a dielectric in its note,
a part is taken for an electrolytic: common practice.  IEC 60062: only the multiplier band
differs. How often: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from itertools import combinations, islice
from math import isclose, log10

from netcheck.circuit.changes import ScaleDrive, SetValue
from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.faults.base import (
    HEATS,
    PRACTICE,
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Found,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.capacitor import VENTING
from netcheck.faults.common import (
    POWER_OFF,
    SUSTAINED,
    across,
    grids_fed_by,
    held_by_source,
    joined,
    make_fault,
    parts_with_role,
    sweep,
)
from netcheck.roles.base import Role, Roles, Stage
from netcheck.roles.table import RoleName

SHARES_PERCENT = (50.0, 80.0, 150.0)
DRIVE_SWEEPS = (("drive_down", 5.0), ("drive_up", 300.0))
NEAR_DRIVE = (75.0, 130.0)
TWO = 2
SMALL = likelihood("common", "common practice: a phase inverter with aged or unmatched parts")
LARGE = likelihood("occasional", "common practice: a phase inverter with one half gone")


def _drive(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the shares of each side of every push-pull output stage."""
    for role, tubes in _sides(circuit, roles):
        for percent in SHARES_PERCENT:
            yield _unequal(role, tubes, "unequal_drive", percent)


def _drive_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the drive of each side down and up."""
    for role, tubes in _sides(circuit, roles):
        for kind, end in DRIVE_SWEEPS:
            yield sweep((role.part,), kind, "%", (100.0, end), partial(_unequal, role, tubes, kind))


def _sides(circuit: Circuit, roles: Roles) -> Iterator[tuple[Role, tuple[str, ...]]]:
    """Give the coupling capacitor of each side, where both sides have one of their own."""
    sides = [side for stage in roles.output_stages for side in stage.sides or ()]
    found: dict[str, tuple[Role, tuple[str, ...]]] = {}
    for role in roles.named(RoleName.COUPLING_CAPACITOR):
        part = circuit.parts.get(role.part)
        if part is None or role.source_net not in part.nets:
            continue
        fed = grids_fed_by(circuit, roles, part.other_net(role.source_net))
        if fed and any(set(fed) <= set(side) for side in sides):
            found.setdefault(role.part, (role, fed))
    if len(found) >= TWO:
        yield from found.values()


def _unequal(role: Role, tubes: tuple[str, ...], kind: str, percent: float) -> Fault:
    return make_fault(
        [role.part],
        kind,
        [ScaleDrive(role.part, role.source_net, percent / 100.0)],
        SMALL if NEAR_DRIVE[0] <= percent <= NEAR_DRIVE[1] else LARGE,
        summary=f"The signal that {role.part} brings to {joined(tubes)} is {percent:.4g} % of what "
        "it should be.",
        measure=f"{POWER_OFF}: compare the plate loads before {role.part} and its partner, then "
        "the halves of the phase inverter.",
        defect=Defect(percent, "%"),
    )


LIKELY = likelihood("occasional", "common practice: new builds and changed transformers")


def _oscillation(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List every output stage with what is there to make it oscillate."""
    for stage in roles.output_stages:
        yield _oscillating(stage, _cause(circuit, roles, stage))


def _cause(circuit: Circuit, roles: Roles, stage: Stage) -> str:
    stopped = {role.of for role in roles.named(RoleName.GRID_STOPPER)}
    bare = [tube for tube in stage.tubes if tube not in stopped]
    if bare:
        return f"{joined(bare)} {'has' if len(bare) == 1 else 'have'} no grid stopper"
    if roles.named(RoleName.FEEDBACK_RESISTOR, RoleName.FEEDBACK_CAPACITOR):
        return "the feedback turns positive outside of the band, or a stopper is bridged"
    return "a grid stopper is bridged, or leads are long"


def _oscillating(stage: Stage, cause: str) -> Fault:
    tubes = joined(stage.tubes)
    return make_fault(
        stage.tubes,
        "oscillating",
        [SUSTAINED],
        LIKELY,
        summary=f"{tubes} oscillate with no input, driven to the full: {cause}."
        if len(stage.tubes) > 1
        else f"{tubes} oscillates with no input, driven to the full: {cause}.",
        measure=f"{POWER_OFF}: lift the feedback and fit a stopper at the grid pins of {tubes}; "
        "a current that then stays calm was an oscillation.",
    )


REVERSED_OHM = 1e3
ELECTROLYTIC_ROLES = tuple(each for each in RoleName if each.kind.electrolytic)
REVERSED = likelihood("occasional", "common practice: new builds and hurried repairs")


def _reversed_parts(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List every part that is taken for an electrolytic."""
    for part, played in parts_with_role(circuit, roles, "capacitor", *ELECTROLYTIC_ROLES):
        if part.looks_electrolytic and not held_by_source(circuit, part):
            yield _reversed(part, played[0].name.words)


def _reversed(part: Part, job: str) -> Fault:
    return make_fault(
        [part.ref],
        "reversed",
        [across(part, REVERSED_OHM)],
        REVERSED,
        summary=f"{part.ref}, the {job}, is fitted the wrong way round and leaks.",
        measure=f"{POWER_OFF}: compare the marked end of {part.ref} with the drawing, and replace "
        "it, since it does not recover.",
        defect=Defect(REVERSED_OHM, "ohm"),
        only_size=True,
    )


MOST_PAIRS = 16
USUAL_POWER_W = 0.5
"""Taken for a resistor whose note gives no rating (common practice)."""
LIKE_SIZE = 2.0
LEAST_RATIO = 1.3
"""Values nearer than this are as good as equal."""
DECADES = (1, 2)
EXCHANGED_ROLES = tuple(each for each in RoleName if each.kind.swapped)
DECADE = likelihood("occasional", "IEC 60062, multiplier band; how often: common practice")
NEIGHBOR = likelihood("rare", "common practice: neighbors on one socket")


@dataclass(frozen=True, slots=True)
class SwappedPair:
    """Two resistors that may have been exchanged; decade: same digits."""

    first: Part
    second: Part
    decade: bool


def _exchanged(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the likeliest pairs, a bounded number of them."""
    for pair in islice(_pairs(circuit, roles), MOST_PAIRS):
        yield _swapped(pair)


def _pairs(circuit: Circuit, roles: Roles) -> Iterator[SwappedPair]:
    """Give all plausible pairs, those with the same digits first."""
    listed = parts_with_role(circuit, roles, "resistor", *EXCHANGED_ROLES)
    candidates = [(part, played) for part, played in listed if not part.note.pot]
    stage_of = {tube: stage.id for stage in roles.stages for tube in stage.tubes}
    neighbors: list[SwappedPair] = []
    for (first, one), (second, other) in combinations(candidates, 2):
        if not (_differ(first, second) and _like_size(first, second)):
            continue
        if _same_digits(first, second):
            yield SwappedPair(first, second, True)
        elif _stages(one, stage_of) & _stages(other, stage_of) or _share_net(first, second):
            neighbors.append(SwappedPair(first, second, False))
    yield from neighbors


def _differ(first: Part, second: Part) -> bool:
    low, high = sorted((first.value or 0.0, second.value or 0.0))
    return low > 0.0 and high / low >= LEAST_RATIO


def _like_size(first: Part, second: Part) -> bool:
    low, high = sorted((part.note.power_w or USUAL_POWER_W) for part in (first, second))
    return high <= LIKE_SIZE * low


def _same_digits(first: Part, second: Part) -> bool:
    decades = abs(log10((first.value or 1.0) / (second.value or 1.0)))
    return any(isclose(decades, each, abs_tol=1e-9) for each in DECADES)


def _stages(played: tuple[Role, ...], stage_of: dict[str, str]) -> set[str]:
    return {stage_of[role.of] for role in played if role.of in stage_of}


def _share_net(first: Part, second: Part) -> bool:
    return bool((set(first.nets) & set(second.nets)) - {GROUND})


def _swapped(pair: SwappedPair) -> Fault:
    first, second = pair.first, pair.second
    values = [Defect(part.value or 0.0, "ohm").text for part in (first, second)]
    return make_fault(
        [first.ref, second.ref],
        "swapped",
        [SetValue(first.ref, second.value or 0.0), SetValue(second.ref, first.value or 0.0)],
        DECADE if pair.decade else NEIGHBOR,
        summary=f"{first.ref} and {second.ref} are exchanged: {values[1]} where {values[0]} "
        "belongs and the other way round.",
        measure=f"{POWER_OFF}: read the bands of {first.ref} and {second.ref} against the parts "
        f"list; {first.ref} is {values[0]}, {second.ref} is {values[1]}.",
    )


KINDS: tuple[FaultKind, ...] = (
    FaultKind(
        name="inverter_drive",
        search=Found(_drive, _drive_swept),
        title="Unequal drive from the phase inverter",
        does="One of the two output tubes gets less, or more, signal than the other.",
        why="At rest nothing shows. Under drive one tube does most of the work and its plate and "
        "screen heat up, while the other's share of the supply is wasted.",
        limits="The cause (a worn half, an unequal load, a bad adjustment of the inverter) is not "
        "modelled, only what reaches the grid.",
        examples=("C5/unequal_drive@50%",),
        model="The coupling capacitor of that side is fed from a copy of the plate's signal, "
        "times the ratio; direct volts are untouched.",
        defects="50, 80 and 150 % of the signal on either side; swept from 5 to 300 %.",
        likelihood="Small differences common, large ones occasional.",
        readings="Direct volts normal; the signal at one output grid differs from that at the "
        "other.",
        next_step="Driven with a small sine: compare the signal at the two output grids.",
        source="common practice",
        group="signal",
        body="stage",
        words=(
            Word("unequal_drive", "occasional", "wear"),
            Word("drive_down", "occasional", "wear", deviates=True),
            Word("drive_up", "occasional", "wear", deviates=True),
        ),
        signs=(Sign("all_plates", HEATS, PRACTICE),),
    ),
    FaultKind(
        name="oscillation",
        search=Found(_oscillation),
        title="Oscillating output stage",
        does="Without a grid stopper, or with feedback that has turned positive outside of the "
        "band, the amplifier makes a signal of its own, mostly above hearing.",
        why="The output tubes are driven as hard as they can be, all the time and with no input: "
        "plates, screens, the damping resistors and a tweeter take the power.",
        limits="Frequency and size of a real oscillation are not known; far above the band the "
        "transformer's capacitance and a failing load make it worse. There is no operating point: "
        "with idle solving alone the row says so.",
        examples=("X4+X5/oscillating",),
        model="A sustained overdrive: at rest the stage does what the healthy one does overdriven.",
        defects="One.",
        likelihood="Occasional, common in new builds.",
        readings="Hot tubes with no input; readings that jump near a probe; a grid more negative "
        "than its feed; a current that is never twice the same.",
        next_step="Power off: lift the feedback, fit stoppers at the grid pins, shorten leads.",
        source="common practice",
        group="signal",
        body="stage",
        words=(Word("oscillating", "occasional", "assembly"),),
        upsets_load=True,
        signs=(
            Sign("all_plates", HEATS, PRACTICE),
            Sign("hum", 0.3, f"{PRACTICE}: motorboating and howl are taken for hum"),
            Sign(
                "new_tubes",
                2.0,
                f"{PRACTICE}: tubes of more transconductance oscillate where the old ones did not",
            ),
            Sign("new_output_transformer", 3.0, f"{PRACTICE}: another phase outside of the band"),
            Sign("rewired", 6.0, f"{PRACTICE}: new builds and changed wiring"),
        ),
    ),
    FaultKind(
        name="reversed_electrolytic",
        search=Found(_reversed_parts),
        title="Reversed electrolytic",
        does="An electrolytic capacitor is wired with plus and minus exchanged.",
        why="It leaks from the first minute, heats, and soon shorts or bursts. Across a cathode "
        "resistor it takes the bias; across the bias supply all bias; at B+ the fuse goes.",
        limits="The leak of a reversed part is anything from 10 kohm down to 100 ohm and falls "
        "with time; its kinds `leaky` and `shorted` show the rest of the way.",
        examples=(
            "C5/reversed",
            "C30/reversed",
        ),
        model="A leak of 1 kohm across the part.",
        defects="A leak of 1 kohm.",
        likelihood="Occasional, common in new builds.",
        readings="The part is warm within a minute, its node reads low.",
        next_step="Power off, capacitors discharged: compare the marked end with the drawing.",
        source="common practice",
        group="kit errors",
        body="capacitor",
        words=(Word("reversed", "occasional", "assembly"),),
        signs=(
            Sign("damaged", 0.4, VENTING, "reversed"),
            Sign(
                "blows",
                0.5,
                f"{PRACTICE}: a choke or a dropper may limit the current first",
                "reversed",
            ),
            Sign("hum", 0.3, PRACTICE),
            Sign("new_capacitors", 8.0, f"{PRACTICE}: the first fault of a new electrolytic"),
        ),
    ),
    FaultKind(
        name="swapped_parts",
        search=Found(_exchanged),
        title="Two resistors exchanged with each other",
        does="Two resistors have each other's value: look-alikes from the same bag, or neighbors "
        "on the same socket.",
        why="A cathode resistor in the place of a plate load, or ten times the one in the place "
        "of the other, shifts two places at once, which no single wrong value explains.",
        limits="Only parts of like size are exchanged (ratings within a factor of two). Listed "
        "are pairs whose values have the same digits and differ by ten or a hundred, and pairs of "
        "one stage or on one net; at most 16 a circuit, the decade pairs first. Grid stoppers and "
        "output loads are left out, being harmless as one of a pair.",
        examples=("R3+R4/swapped",),
        model="Both resistors take each other's value.",
        defects="At most 16 pairs a circuit: same digits and ten or a hundred times the value, "
        "then neighbors of one stage or net.",
        likelihood="Same digits occasional, common in new builds; neighbors rare, occasional in "
        "new builds.",
        readings="Two readings wrong at once that no single wrong part explains.",
        next_step="Power off: read both parts against the parts list.",
        source="IEC 60062; common practice",
        group="kit errors",
        body="resistor",
        words=(Word("swapped", "occasional", "assembly"),),
        signs=(Sign("driver", HEATS, PRACTICE),),
    ),
)
