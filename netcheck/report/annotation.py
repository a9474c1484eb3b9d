"""An annotated circuit, and the words for what a part does and carries.

Comes in: a circuit, its roles, the idle state and how it compares with the limits.
Goes out: for every part its roles in words and its `IdleLoad`: idle volts, amperes, watts
and the share of the limit; and the parts in groups: one a stage, in signal order, then
output transformer, supply, bias supply, heaters, and what nothing was said of.  The
writers of `netcheck annotate` print these.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from netcheck.circuit.model import GROUND, Circuit, Part, natural_key
from netcheck.conditions import IDLE
from netcheck.findings import Finding
from netcheck.judge.base import Load
from netcheck.models.facts import type_name
from netcheck.report.words import joined, quantity_words
from netcheck.roles.base import Role, Roles, Stage
from netcheck.roles.table import Heading, Place
from netcheck.solve.results import NotSolved, Outcome, Solved
from netcheck.units import format_quantity

UNITS: Mapping[str, str] = {
    "resistor": "ohm",
    "capacitor": "F",
    "inductor": "H",
    "voltage_source": "V",
    "current_source": "A",
}
_GROUPS = (Heading.OUTPUT, Heading.SUPPLY, Heading.BIAS, Heading.HEATERS)


@dataclass(frozen=True, slots=True)
class AnnotatedCircuit:
    """A circuit with all that is said about it at idle.

    stresses: judged quantities at idle.  assumed: part and quantity of limits that
    nobody published.
    """

    file: str
    circuit: Circuit
    roles: Roles
    idle: Outcome
    stresses: tuple[Load, ...] = ()
    assumed: frozenset[tuple[str, str]] = frozenset()
    findings: tuple[Finding, ...] = ()
    engine: str = ""


@dataclass(frozen=True, slots=True)
class IdleLoad:
    """What a part carries at idle; None where it is not known or means nothing.

    volts: from the first to the second pin, of a tube from plate to cathode.  share:
    the highest of its quantities as a share of the limit, and which one that is.
    """

    volts: float | None = None
    ampere: float | None = None
    watts: float | None = None
    share: float | None = None
    quantity: str = ""
    assumed: bool = False

    @property
    def share_words(self) -> str:
        """The share as a percentage, in brackets where the rating is assumed."""
        if self.share is None:
            return "-"
        return f"({self.share:.0%})" if self.assumed else f"{self.share:.0%}"


@dataclass(frozen=True, slots=True)
class Group:
    """Parts that belong together, under a title."""

    title: str
    parts: tuple[str, ...]
    stage: Stage | None = None


def groups_of(annotated: AnnotatedCircuit) -> tuple[Group, ...]:
    """Return all parts in groups, each part once."""
    roles = annotated.roles
    home = _homes(annotated)
    members: dict[str, list[str]] = {}
    for part in annotated.circuit:
        members.setdefault(home[part.ref], []).append(part.ref)
    groups = [
        Group(_stage_title(stage), _tubes_first(members.get(stage.id, []), stage), stage)
        for stage in roles.stages_in_order
    ]
    for title in _GROUPS:
        refs = members.get(title, [])
        if title == Heading.SUPPLY:
            refs = _along_the_rails(annotated, refs)
        groups.append(Group(title, tuple(refs)))
    groups.append(Group(Heading.OTHER, tuple(members.get("", []))))
    return tuple(group for group in groups if group.parts)


def _homes(annotated: AnnotatedCircuit) -> dict[str, str]:
    """Return the group of each part: a stage's id or a title; unknown ones have none."""
    roles, circuit = annotated.roles, annotated.circuit
    stage_of = {tube: stage.id for stage in roles.stages for tube in stage.tubes}
    stage_of |= {stage.id: stage.id for stage in roles.stages}
    home: dict[str, str] = {part.ref: "unknown" for part in circuit}
    for part in circuit:
        played = roles.of_part(part.ref)
        headings = {role.name.kind.heading for role in played}
        titles = [title for title in _GROUPS if title in headings]
        served = [stage_of[role.of] for role in played if role.of in stage_of]
        if part.kind == "tube" and part.ref in stage_of:
            home[part.ref] = stage_of[part.ref]
        elif titles:
            home[part.ref] = titles[0]
        elif served:
            home[part.ref] = served[0]
        elif played:
            home[part.ref] = ""
    for path in roles.signal_paths:
        for ref in path.via:
            if ref in home and home[ref] in (*stage_of.values(), ""):
                home[ref] = path.target
    return home


def _tubes_first(refs: Iterable[str], stage: Stage) -> tuple[str, ...]:
    return tuple(sorted(refs, key=lambda ref: (ref not in stage.tubes, natural_key(ref))))


def _along_the_rails(annotated: AnnotatedCircuit, refs: Iterable[str]) -> list[str]:
    place = {net: number for number, net in enumerate(annotated.roles.rails)}

    def key(ref: str) -> tuple[float, int, object]:
        nets = [place[net] for net in annotated.circuit[ref].nets if net in place]
        shunt = GROUND in annotated.circuit[ref].nets and len(nets) == 1
        is_source = annotated.circuit[ref].kind == "voltage_source"
        return (max(nets, default=len(place)), int(shunt and not is_source), natural_key(ref))

    return sorted(refs, key=key)


def _stage_title(stage: Stage) -> str:
    form = f", {stage.form.replace('_', ' ')}" if stage.form else ""
    kind = stage.kind.replace("_", " ")
    return f"{kind[0].upper()}{kind[1:]}{form}: {joined(stage.tubes)}"


def value_words(part: Part) -> str:
    """Return the value of a part, of a tube its type."""
    if part.kind == "tube":
        return type_name(part)
    if part.value is None:
        return part.element.name if part.element else ""
    return format_quantity(part.value, UNITS.get(part.kind, ""), 4)


def role_words(roles: Roles, ref: str) -> str:
    """Return what a part does: `plate load of X1`; empty where that is unknown."""
    merged: dict[tuple[str, str], list[Role]] = {}
    for role in roles.of_part(ref):
        where = f"{role.source_net}>{role.feeds}" if role.name.kind.directed else ""
        merged.setdefault((role.name, where), []).append(role)
    members: dict[str, tuple[str, ...]] = {
        tube: (tube,) for stage in roles.stages for tube in stage.tubes
    }
    members |= {stage.id: stage.tubes for stage in roles.stages}
    return ", ".join(_one_role(played, members) for played in merged.values())


def _one_role(played: list[Role], members: Mapping[str, tuple[str, ...]]) -> str:
    first = played[0]
    words = first.name.words
    sure = min(role.confidence for role in played)
    doubt = f" ({sure:.0%} sure)" if sure < 1.0 else ""
    if first.name.kind.directed and first.source_net and first.feeds:
        return f"{words} from {first.source_net} to {first.feeds}{doubt}"
    whom = list(dict.fromkeys(role.of for role in played if role.of))
    if not whom or first.name.kind.place == Place.TUBE:
        return words + doubt
    of = list(dict.fromkeys(tube for each in whom for tube in members.get(each, ())))
    return f"{words} {f'of {joined(of)}' if of else f'at {joined(whom)}'}{doubt}"


def load_of(annotated: AnnotatedCircuit, ref: str) -> IdleLoad:
    """Return what a part carries at idle."""
    if isinstance(annotated.idle, NotSolved):
        return IdleLoad()
    share, quantity = _share(annotated, ref)
    assumed = (ref, quantity) in annotated.assumed
    if ref in annotated.idle.tubes:
        tube = annotated.idle.tubes[ref]
        watts = tube.plate_dissipation_w
        return IdleLoad(
            tube.plate_v - tube.cathode_v, tube.plate_current_a, watts, share, quantity, assumed
        )
    state = annotated.idle.parts.get(ref)
    if state is None:
        return IdleLoad()
    kind = annotated.circuit[ref].kind
    watts_or_none = state.power_w if kind in ("resistor", "diode", "transistor") else None
    ampere = None if kind == "capacitor" else state.current_a
    return IdleLoad(state.voltage_v, ampere, watts_or_none, share, quantity, assumed)


def _share(annotated: AnnotatedCircuit, ref: str) -> tuple[float | None, str]:
    known = [
        (stress.ratio, stress.quantity)
        for stress in annotated.stresses
        if stress.part == ref and stress.condition == IDLE
    ]
    heat = [pair for pair in known if "dissipation" in pair[1]]
    return max(heat or known, default=(None, ""))


def tube_words(annotated: AnnotatedCircuit, ref: str) -> str:
    """Return `plate 259 V, screen 263 V, grid 0.2 V, cathode 12.9 V; 44 mA; ...`."""
    if not isinstance(annotated.idle, Solved) or ref not in annotated.idle.tubes:
        return ""
    state = annotated.idle.tubes[ref]
    volts = {
        "plate": state.plate_v,
        "screen": state.screen_v,
        "grid": state.grid_v,
        "cathode": state.cathode_v,
    }
    tube = annotated.circuit[ref]
    shown = ", ".join(
        f"{name} {volt_words(value)}"
        for name, value in volts.items()
        if value is not None and tube.has_pin(name)
    )
    load = load_of(annotated, ref)
    share = (
        f" ({load.share:.0%} of its {quantity_words(load.quantity)} limit)" if load.share else ""
    )
    screen = (
        f", screen {format_quantity(state.screen_current_a, 'A', 3)}"
        if state.screen_current_a is not None
        else ""
    )
    return (
        f"{shown}; plate {format_quantity(state.plate_current_a, 'A', 3)}{screen}; "
        f"{format_quantity(state.plate_dissipation_w, 'W', 3)}{share}"
    )


def volt_words(value: float) -> str:
    """Write volts as a meter shows them: no prefix, three figures or tenths."""
    if abs(value) >= 10.0:
        return f"{value:.0f} V" if abs(value) >= 100.0 else f"{value:.1f} V"
    return f"{value:.2f} V".replace("-0.00", "0.00")


def neighbors(circuit: Circuit, roles: Roles, ref: str) -> Iterator[str]:
    """Give, for each net of a part, who else is on it and what that is."""
    for net in dict.fromkeys(circuit[ref].nets):
        if net == GROUND:
            yield "ground"
            continue
        others = [part for part in circuit.parts_on[net] if part.ref != ref]
        named = [
            f"{part.ref} ({words})" if (words := _at_net(part, net, roles)) else part.ref
            for part in others
        ]
        yield f"net {net} with {joined(named)}" if named else f"net {net}, alone"


def _at_net(part: Part, net: str, roles: Roles) -> str:
    if part.kind == "tube":
        return joined([pin.name for pin in part.pins if pin.net == net])
    return role_words(roles, part.ref)
